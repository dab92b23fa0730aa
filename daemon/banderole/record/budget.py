"""How much a journal may write: a bucket of bytes that fills with time. Pure; times are monotonic seconds.

A cheap memory card wears out by what is written, and a line full of noise or a flood of commands can bring events by
the thousand. So there is an allowance, and what goes over it is counted instead of kept.
"""

from __future__ import annotations

from typing import Final

PER_HOUR: Final = 8_000_000
"""Bytes: a year of printing on end is then some 70 GB, what a card of 32 GB stands several times over (common practice,
no source)."""
MOST: Final = 500_000
"""Bytes that may be written in one go after a quiet time: the start and the end of a run."""
KEPT_BACK: Final = 0.2
"""Share of the bucket that only what is essential may use: the end of a run, a trip."""


class Budget:
    """Bytes that may be written now. Filled at `PER_HOUR`, less what `MOST` may add to the first hour."""

    def __init__(self, now: float, per_hour: float = PER_HOUR, most: float = MOST) -> None:
        self._rate = (per_hour - most) / 3600.0
        self._most = most
        self._left = most
        self._at = now

    def _fill(self, now: float) -> None:
        self._left = min(self._most, self._left + max(0.0, now - self._at) * self._rate)
        self._at = now

    def allows(self, size: float, now: float) -> bool:
        """Is there room for so many bytes that are not essential?"""
        self._fill(now)
        return self._left - size >= KEPT_BACK * self._most

    def spend(self, size: float, now: float) -> None:
        """So many were written, allowed or not; a debt is paid off like any other."""
        self._fill(now)
        self._left -= size
