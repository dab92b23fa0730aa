"""How large a board's receive buffer is, from how many lines of a burst it takes while it is busy.

A board that is kept busy reads some lines into its command queue (q of them, unknown), then its receive buffer (R
bytes) fills, and what comes after is lost. Of lines of L bytes it so takes k = q + ⌊R/L⌋. Bursts of several L leave a
narrow range for R and one or two values for q. Nothing can be carried out wrongly: each line is a numbered, checked
request for temperatures, and what is lost is the tail of the burst, so that its first damaged line is refused. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from banderole_protocol.framing import frame

LENGTHS: Final = (22, 25, 28, 32, 37, 43, 52, 61)
"""Bytes of a line, its end included: long enough for number and checksum; none so long that the smallest buffer cannot
hold a whole one, for some boards never get rid of a part that fills it. Chosen so that buffers near 64, 128 and 256 bytes
are told apart to some bytes."""
BURST_BYTES: Final = 1600
"""Of one burst: what a queue of a few lines and a buffer of 1 kB take, and 0.14 s at 115200 baud."""
MOST_QUEUED: Final = 64
"""Lines of a command queue; 4 to 32 are met (common practice, no source)."""
MOST_RANGE: Final = 16
"""Bytes of range left, or a quarter of the least, up to which a buffer counts as measured: the least holds anyway."""
LEAST_BUFFER, MOST_BUFFER = 64, 4096
# Bytes; below the first a printer file takes none, and an ordinary line of a file does not fit.


@dataclass(frozen=True, slots=True)
class Buffer:
    """The smallest and the largest R, bytes, that agree with what was seen."""

    least: int
    most: int


def burst(number: int, length: int) -> list[bytes]:
    """Lines of `length` bytes from `number` on: requests for temperatures, padded with blanks, which the checksum counts."""
    count = -(-BURST_BYTES // length)
    return [_padded(number + i, length) for i in range(count)]


def _padded(number: int, length: int) -> bytes:
    block = b"M105"
    while len(line := frame(number, block)) < length:
        block += b" "
    return line


def reckon(taken: Mapping[int, int]) -> Buffer | None:
    """From {L: k} of the bursts that lost something; None where they do not agree, or leave too wide a range."""
    if len(taken) < 3:
        return None
    ranges = [one for queued in range(MOST_QUEUED + 1) if (one := _range(taken, queued)) is not None]
    if not ranges:
        return None
    least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
    return Buffer(least, most) if most - least <= max(MOST_RANGE, least // 4) else None


def _range(taken: Mapping[int, int], queued: int) -> tuple[int, int] | None:
    """The R that agree with all bursts, if the queue takes so many lines."""
    low, high = LEAST_BUFFER, MOST_BUFFER
    for length, count in taken.items():
        held = count - queued
        low, high = max(low, held * length), min(high, (held + 1) * length - 1)
    return (low, high) if 0 < low <= high else None
