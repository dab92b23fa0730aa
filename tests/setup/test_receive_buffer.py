"""The reckoning of a receive buffer, for every size; and the lines of a burst."""

from __future__ import annotations

from random import Random

from banderole.cli.setup_flow import USUAL_BUFFER
from banderole.setup.receive_buffer import BURST_BYTES, LENGTHS, Taken, burst, reckon
from banderole_protocol.framing import unframe
from hypothesis import given
from hypothesis import strategies as st


def taken(buffer: int, queued: int) -> list[Taken]:
    """What a board takes of each burst: its queue, and whole lines in its buffer; only where something is lost."""
    seen = []
    for length in LENGTHS:
        sizes = tuple(map(len, burst(900, length)))
        count, held = min(queued, len(sizes)), 0
        while count < len(sizes) and held + sizes[count] <= buffer:
            held += sizes[count]
            count += 1
        if count < len(sizes):
            seen.append(Taken(sizes, count))
    return seen


@given(buffer=st.integers(64, 1400), queued=st.integers(1, 32))
def test_the_true_size_is_in_the_range_or_nothing_is_said(buffer: int, queued: int) -> None:
    found = reckon(taken(buffer, queued))
    assert found is None or found.least <= buffer <= found.most


@given(queued=st.integers(1, 16))
def test_usual_sizes_are_found_to_some_bytes(queued: int) -> None:
    for buffer in (64, 127, 128, 255, 256, 511):
        found = reckon(taken(buffer, queued))
        assert found is not None
        assert found.most - found.least <= 12


def test_one_burst_that_lost_more_than_it_had_to_hardly_ever_misleads() -> None:
    """A board that takes a line less of one length than it could may be the very picture of another board: about one in 800."""
    chance, misled = Random(1), 0
    for _ in range(120):
        buffer, queued = chance.randint(64, 1000), chance.randint(2, 16)
        bursts = taken(buffer, queued)
        which = chance.randrange(len(bursts))
        bursts[which] = Taken(bursts[which].sizes, max(0, bursts[which].count - chance.randint(1, 3)))
        found = reckon(bursts)
        misled += found is not None and min(found.least, USUAL_BUFFER) > buffer  # no more than that is relied on
    assert misled <= 1


def test_the_picture_of_another_board() -> None:
    """Found at random: 86 bytes and a queue of 4, one line less of 43 bytes, are 122 to 124 bytes and a queue of 3."""
    bursts = taken(86, 4)
    bursts[5] = Taken(bursts[5].sizes, bursts[5].count - 1)
    found = reckon(bursts)
    assert found is not None
    assert (found.least, found.most) == (122, 124)


def test_counts_that_cannot_be_give_nothing() -> None:
    assert reckon([]) is None
    assert reckon(taken(127, 4)[:2]) is None
    strange = [Taken((length,) * 60, count) for length, count in ((22, 4), (25, 9), (28, 30), (32, 2))]
    assert reckon(strange) is None


@given(number=st.integers(1, 5000), length=st.sampled_from(LENGTHS))
def test_every_line_of_a_burst_is_a_sound_request_of_that_length(number: int, length: int) -> None:
    lines = burst(number, length)
    assert sum(map(len, lines)) >= BURST_BYTES
    for offset, line in enumerate(lines):
        assert length - 3 < len(line) <= length
        counted, block = unframe(line)
        assert (counted, block.strip()) == (number + offset, b"M105")
