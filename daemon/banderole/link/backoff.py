"""How long to wait before trying a broker again."""

from __future__ import annotations

import random

FIRST_S = 1.0
LONGEST_S = 60.0  # a broker that is back is found within a minute, one that is gone costs a packet a minute


class Backoff:
    """Doubles from `first` to `longest` seconds; each wait is drawn from the upper half, so that a yard of printers
    does not come back to a restarted broker in one moment."""

    def __init__(self, first: float = FIRST_S, longest: float = LONGEST_S, seed: int | None = None) -> None:
        self._first = first
        self._longest = longest
        self._span = first
        self._random = random.Random(seed)

    def next(self) -> float:
        """Seconds, within first … longest."""
        span, self._span = self._span, min(self._span * 2, self._longest)
        return max(self._first, span * self._random.uniform(0.5, 1.0))

    def reset(self) -> None:
        self._span = self._first
