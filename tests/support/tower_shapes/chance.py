"""Seeded draws. Only `Random.random` is used: of it alone Python promises the same numbers in every version."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Chance:
    """A stream of draws; the same seed gives the same stream."""

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed).random

    def likely(self, share: float) -> bool:
        return self._draw() < share

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self._draw()

    def on_grid(self, low: float, high: float, grid: float) -> float:
        """A multiple of `grid` between the two, both included."""
        first = math.ceil(low / grid - 1e-9)
        return round(self.whole(first, math.floor(high / grid + 1e-9)) * grid, 4)

    def whole(self, low: int, high: int) -> int:
        """Both included."""
        return low + int(self._draw() * (high - low + 1))

    def one_of(self, things: Sequence[T]) -> T:
        return things[int(self._draw() * len(things))]

    def sign(self) -> int:
        return 1 if self._draw() < 0.5 else -1
