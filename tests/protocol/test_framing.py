"""Number and checksum: round trip, and what the checksum must catch."""

from __future__ import annotations

from functools import reduce
from operator import xor

import pytest
from banderole_protocol.errors import DamagedLine, OurError, TheirError
from banderole_protocol.framing import checksum, frame, unframe
from hypothesis import given, settings
from hypothesis import strategies as st

# Blocks as a file may hold them; an asterisk inside is tried apart.
BLOCKS = st.binary(max_size=90).filter(lambda b: not set(b) & set(b"\r\n*"))
NUMBERS = st.integers(min_value=0, max_value=9_999_999_999)


@given(st.binary(max_size=300))
def test_checksum_is_the_exclusive_or_of_every_byte(data: bytes) -> None:
    assert checksum(data) == reduce(xor, data, 0)


@pytest.mark.parametrize("length", [0, 1, 2, 63, 64, 65, 128, 1000])
def test_checksum_at_the_edges_of_the_folding(length: int) -> None:
    data = bytes((7 * i + 1) % 256 for i in range(length))
    assert checksum(data) == reduce(xor, data, 0)


@given(NUMBERS, BLOCKS)
def test_round_trip(number: int, block: bytes) -> None:
    assert unframe(frame(number, block)) == (number, block)


@given(NUMBERS, st.text(alphabet="*G1 X", max_size=20))
def test_round_trip_with_asterisks_in_the_block(number: int, text: str) -> None:
    assert unframe(frame(number, text.encode())) == (number, text.encode())


@settings(deadline=None)
@given(NUMBERS, BLOCKS)
def test_every_single_bit_flip_is_caught(number: int, block: bytes) -> None:
    """An exclusive or changes with any one bit; a flip in number, asterisk or digits breaks the shape or the sum."""
    line = frame(number, block)
    for at in range(len(line)):
        for bit in range(8):
            flipped = bytearray(line)
            flipped[at] ^= 1 << bit
            if at == len(line) - 1 and flipped[at] == ord("\r"):
                continue
            with pytest.raises(DamagedLine):
                unframe(bytes(flipped))


@pytest.mark.parametrize(
    "line",
    [
        b"N7 G1 X2",  # number alone
        b"G1 X2*85",  # checksum alone
        b"N G1*0",
        b"N7 G1*",
        b"N7 G1*8x",
        b"N7 G1*1000",
        b"N-1 G1*3",
        b"N7 G1*300",
        b"*",
    ],
)
def test_a_line_of_the_wrong_shape_is_their_fault(line: bytes) -> None:
    with pytest.raises(TheirError):
        unframe(line)


def test_the_error_carries_the_line() -> None:
    with pytest.raises(DamagedLine, match="checksum 1 where 85 belongs") as caught:
        unframe(b"N7 G1 X2.0 Y2.0 F3000.0*1\n")
    assert caught.value.line == b"N7 G1 X2.0 Y2.0 F3000.0*1\n"


@pytest.mark.parametrize("end", [b"", b"\n", b"\r", b"\r\n"])
def test_bare_lines_pass_with_any_line_end(end: bytes) -> None:
    assert unframe(b"G28 X" + end) == (None, b"G28 X")


@pytest.mark.parametrize("block", [b"G1\nM112", b"G1\r", b"\n"])
def test_a_block_that_would_be_two_lines_is_refused(block: bytes) -> None:
    with pytest.raises(OurError, match="line end"):
        frame(1, block)


def test_a_negative_number_is_refused() -> None:
    with pytest.raises(OurError, match="negative"):
        frame(-1, b"G1")
