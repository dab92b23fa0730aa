"""How large a board's receive buffer is, from how many lines of a burst it takes while it is busy.

A board that is kept busy reads some lines into its command queue (q of them, unknown), then its receive buffer (R
bytes) fills, and what comes after is lost. Of lines of L bytes it so takes k = q + ⌊R/L⌋. Bursts of several L leave a
narrow range for R and one or two values for q. Nothing can be carried out wrongly: each line is a numbered, checked
request for temperatures, and what is lost is the tail of the burst, so that its first damaged line is refused. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
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
LEAST_BURSTS: Final = 3
"""Fewer leave many sizes."""
MOST_SPOILT: Final = 2
LEAST_BUFFER, MOST_BUFFER = 64, 4096
# Bytes; below the first a printer file takes none, and an ordinary line of a file does not fit.


@dataclass(frozen=True, slots=True)
class Buffer:
    """The smallest and the largest R, bytes, that agree with what was seen."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Taken:
    """A burst of lines of these sizes, bytes, of which the first `count` were taken and the rest was lost."""

    sizes: tuple[int, ...]
    count: int


def burst(number: int, length: int) -> list[bytes]:
    """Lines of about `length` bytes from `number` on, none longer: requests for temperatures, padded with blanks.

    The checksum counts the blanks; as it has one to three digits, not every length can be had.
    """
    count = -(-BURST_BYTES // (length - 2))
    return [_padded(number + i, length) for i in range(count)]


def _padded(number: int, length: int) -> bytes:
    blanks = length
    while len(line := frame(number, b"M105" + b" " * blanks)) > length:
        blanks -= 1
    return line


def reckon(bursts: Sequence[Taken]) -> Buffer | None:
    """From bursts that lost something; None where they do not agree, or leave too wide a range.

    A board that was slow to read for a moment loses more than its buffer makes it: where the bursts do not agree, one
    or two of them may be left out, and the range is all that any such choice allows. Where one that lost too much makes
    all of them agree on a larger buffer (about one such loss in 800), the range is too high and nothing here tells: the
    window then overflows that buffer now and then, and what is lost is sent again.
    """
    for spoilt in range(MOST_SPOILT + 1):
        if len(bursts) - spoilt < LEAST_BURSTS:
            return None
        chosen = combinations(bursts, len(bursts) - spoilt)
        ranges = [one for some in chosen for queued in range(MOST_QUEUED + 1) if (one := _range(some, queued))]
        if ranges:
            least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
            return Buffer(least, most) if most - least <= max(MOST_RANGE, least // 4) else None
    return None


def _range(bursts: Sequence[Taken], queued: int) -> tuple[int, int] | None:
    """The R that agree with all bursts, if the queue takes so many lines."""
    low, high = LEAST_BUFFER, MOST_BUFFER
    for one in bursts:
        if one.count < queued or one.count >= len(one.sizes):
            return None
        held = sum(one.sizes[queued : one.count])
        low, high = max(low, held), min(high, held + one.sizes[one.count] - 1)
    return (low, high) if low <= high else None
