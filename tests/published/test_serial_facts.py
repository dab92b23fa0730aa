"""What the checksum can and cannot see, and how long a line takes: computed from first principles, as stated.

8N1 sends ten bits a byte. An 8-bit exclusive or over n bytes misses a 2-bit error when both bits fall in the same column:
(n-1)/(8n-1) of them. Maxino & Koopman, "The Effectiveness of Checksums for Embedded Control Networks", IEEE Transactions
on Dependable and Secure Computing 6(1), 59-72 (2009), call it suboptimal. Hence the audit of positions.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import pytest
from banderole_protocol.errors import DamagedLine
from banderole_protocol.framing import checksum, frame, unframe
from banderole_protocol.window import QUIET_S

BITS_PER_BYTE = 10
LINE = b"N4711 G1 X136.689 Y160.389 E6563.257 F18"


@pytest.mark.parametrize(
    ("baud", "per_s", "line_ms"), [(115200, 11520, 3.472), (250000, 25000, 1.6), (10**6, 10**5, 0.4)]
)
def test_time_of_a_line(baud: int, per_s: int, line_ms: float) -> None:
    assert baud / BITS_PER_BYTE == per_s
    assert 1000 * 40 / per_s == pytest.approx(line_ms, abs=5e-4)


def test_the_quiet_after_a_refusal_outlasts_what_is_on_its_way() -> None:
    """127 bytes, a full receive buffer, at 115200 baud take 11 ms, and a USB bridge adds 16 ms (common practice)."""
    assert QUIET_S > 127 * BITS_PER_BYTE / 115200 + 0.016


def flipped(data: bytes, bits: tuple[int, ...]) -> bytes:
    out = bytearray(data)
    for bit in bits:
        out[bit // 8] ^= 1 << bit % 8
    return bytes(out)


def test_share_of_two_bit_errors_that_pass() -> None:
    """All 51,040 pairs of the 320 bits of 40 bytes: (n-1)/(8n-1) = 0.12226."""
    assert len(LINE) == 40
    pairs = list(itertools.combinations(range(320), 2))
    missed = sum(checksum(flipped(LINE, pair)) == checksum(LINE) for pair in pairs)
    assert missed / len(pairs) == pytest.approx(39 / 319)
    assert missed / len(pairs) == pytest.approx(0.12226, abs=5e-6)


@pytest.mark.slow
def test_odd_errors_and_short_bursts_are_all_caught() -> None:
    chance = random.Random(8)
    for _ in range(2000):
        bits = tuple(chance.sample(range(320), chance.choice((1, 3, 5, 7))))
        assert checksum(flipped(LINE, bits)) != checksum(LINE)
    for start, burst in itertools.product(range(313), range(1, 256)):
        bits = tuple(start + bit for bit in range(8) if burst >> bit & 1)
        assert checksum(flipped(LINE, bits)) != checksum(LINE)


def test_random_replacement_passes_once_in_256() -> None:
    chance = random.Random(256)
    trials = 40_000
    missed = sum(checksum(chance.randbytes(40)) == checksum(LINE) for _ in range(trials))
    assert missed / trials == pytest.approx(1 / 256, rel=0.25)  # 156 expected, three standard deviations are 24 %


def two_bits(line: bytes, chance: random.Random) -> bytes:
    return flipped(line, tuple(chance.sample(range(8 * len(line)), 2)))


def two_lost(line: bytes, chance: random.Random) -> bytes:
    gone = chance.sample(range(len(line)), 2)
    return bytes(byte for at, byte in enumerate(line) if at not in gone)


def swapped(line: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(line) - 1)
    return line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]


def one_bit(line: bytes, chance: random.Random) -> bytes:
    return flipped(line, (chance.randrange(8 * len(line)),))


def one_byte_lost(line: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(line))
    return line[:at] + line[at + 1 :]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("damage", "share", "tolerance"),
    [
        (one_bit, 0.0, 0.0),
        (one_byte_lost, 0.0, 0.0),
        (two_bits, 0.068, 0.02),
        (two_lost, 0.035, 0.02),
        (swapped, 0.73, 0.1),
    ],
)
def test_share_of_damaged_lines_that_are_accepted(
    damage: Callable[[bytes, random.Random], bytes], share: float, tolerance: float
) -> None:
    """With the line number checked too. The shares depend on the lines: these are typical moves, 20,000 trials each."""
    chance, accepted, trials = random.Random(1), 0, 20_000
    for trial in range(trials):
        number = 1000 + trial
        block = b"G1 X%.3f Y%.3f E%.5f" % (chance.uniform(0, 200), chance.uniform(0, 200), chance.uniform(0, 900))
        line = frame(number, block)[:-1]
        harmed = damage(line, chance)
        try:
            got, text = unframe(harmed)
        except DamagedLine:
            continue
        accepted += got == number and text != block
    assert accepted / trials == pytest.approx(share, abs=tolerance)
