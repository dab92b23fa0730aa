"""What the outline says at one height of a part: a change that comes once, a place from which on all repeats. Pure; mm.

Strengths are logarithms to base 2 of how many times a change stands above its feature's unrest.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Final

from .layer_events import Train
from .layer_signature import FEATURES, SMALLEST, Layer

HAIR: Final = 0.03
"""mm: two heights closer than this are the same edge."""
SKIRT_MM: Final = 0.55
"""Below this no step begins but on the bed: skirts end there."""
BOTTOM_MM: Final = 1.05
"""Below this rafts, brims and closed bottoms end; what changes there may be one of them."""
BOX: Final = tuple(FEATURES.index(name) for name in ("left", "front", "right", "rear"))
WALLS: Final = (*BOX, *(FEATURES.index(name) for name in ("area", "walls", "loops")))
UNLIKE_MM: Final = 0.45
"""So much of a step is of another shape than the next one: no first layer and no ledge, which the layers may cut otherwise."""
INSIDE: Final = tuple(FEATURES.index(name) for name in ("length", "section"))
FULLER: Final = 1.25
"""A foot has so many times as much in a layer as steps have, where its walls are theirs."""
_UNIT: Final = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
"""Where in a step it is held against the next one, as shares of the rise; and just beside the boundary."""


class Edges:
    """Edges of some features, by height."""

    def __init__(self, trains: Sequence[Train], features: Sequence[int] | frozenset[int]) -> None:
        rows = sorted(
            (z, train.feature, math.log2(1 + strength))
            for train in trains
            if train.feature in features and train.edge
            for z, strength in zip(train.heights, train.strengths, strict=True)
        )
        self.heights = [z for z, _, _ in rows]
        self._what = [(feature, strength) for _, feature, strength in rows]

    def at(self, z: float, slack: float) -> dict[int, float]:
        """The strongest edge of each feature within `slack` of a height."""
        found: dict[int, float] = {}
        for feature, strength in self._what[
            bisect_left(self.heights, z - slack) : bisect_right(self.heights, z + slack)
        ]:
            found[feature] = max(found.get(feature, 0.0), strength)
        return found

    def once(self, z: float, rise: float, slack: float) -> float:
        """How much stronger is an edge at `z` than its likes a rise higher or lower, in any one feature?"""
        above, below = self.at(z + rise, slack), self.at(z - rise, slack)
        most = 0.0
        for feature, strength in self.at(z, HAIR).items():
            like = max(above.get(feature, 0.0), below.get(feature, 0.0))
            if like < strength - 1:
                most = max(most, strength - like)
        return most

    def lone(self, z: float, rise: float, slack: float) -> float:
        """How strong is an edge at `z` that has nothing near as strong a rise higher or lower?"""
        here = max(self.at(z, HAIR).values(), default=0.0)
        like = max((s for by in (-rise, rise) for s in self.at(z + by, slack).values()), default=0.0)
        return here if like < here / 2 else 0.0


class Outline:
    """The box of each layer, held against that of layers elsewhere."""

    def __init__(self, layers: Sequence[Layer]) -> None:
        self._layers = layers
        self._tops = [layer.z for layer in layers]
        self._thick = max(layer.height for layer in layers[1:])
        self._settled = bisect_left(self._tops, SKIRT_MM)  # from here on neither a brim nor a first layer pressed wide
        base = self._tops[self._settled]
        while self._settled > 1 and self._walls_alike(self._tops[self._settled - 1], base):
            self._settled -= 1

    def repeats_from(self, z: float, rise: float, way: int) -> bool:
        """Does the box repeat itself from here on, upwards (`way` 1) or downwards (−1), and not on the other side?"""
        beside = (0.6 * self._thick, 1.6 * self._thick)
        inner = [*beside, *(rise * share for share in _UNIT)]
        alike = [self._alike(z + way * by, z + way * (by + rise)) >= 3 for by in inner]
        if not (alike[0] and alike[1] and sum(alike) >= 8):
            return False
        return self.other_beyond(z, rise, way)

    def like_next(self, z: float, rise: float) -> bool:
        """Is the box the same at nearly all heights of one step and the next one?"""
        return sum(self._alike(z + rise * share, z + rise * (share + 1)) >= 3 for share in _UNIT) >= len(_UNIT) - 2

    def steps_from(self, z: float, rise: float) -> bool:
        """Has the step from here on the walls of the next one, wherever that has those of the one above it?"""
        other = 0.0
        first = max(self._settled, bisect_right(self._tops, z + self._thick))
        for layer in self._layers[first : bisect_left(self._tops, z + rise - self._thick)]:
            at = layer.z - layer.height / 2
            if self._walls_alike(at + rise, at + 2 * rise) and not self._walls_alike(at, at + rise):
                other += layer.height
            if other > UNLIKE_MM:
                return False
        return True

    def _walls_alike(self, one: float, other: float) -> bool:
        return self._alike(one, other, WALLS) == len(WALLS)

    def other_beyond(self, z: float, rise: float, way: int) -> bool:
        """Is the box just below `z` (`way` 1) or above it (−1) another than a rise further into the steps?"""
        outer = [by for by in (0.6 * self._thick, 1.6 * self._thick) if 0 < z - way * by < self._tops[-1]]
        if all(self._alike(z - way * by, z - way * (by - rise)) <= 2 for by in outer):
            return True
        return way == 1 and all(self._fuller(z - by, z - by + rise) for by in (*outer, z / 2))

    def _fuller(self, one: float, other: float) -> bool:
        """Is there much more at one height than at another?"""
        here, there = bisect_left(self._tops, one), bisect_left(self._tops, other)
        if there >= len(self._tops):
            return False
        return self._layers[here].values[INSIDE[1]] > FULLER * self._layers[there].values[INSIDE[1]]

    def _alike(self, one: float, other: float, features: Sequence[int] = BOX) -> int:
        """How many sides (or other features) are the same at two heights, within what the layers beside the second have?"""
        here, there = bisect_left(self._tops, one), bisect_left(self._tops, other)
        if not (0 <= here < len(self._tops) and 0 < there < len(self._tops) - 1):
            return 0
        near = self._layers[there - 1 : there + 2]
        count = 0
        for side in features:
            value, slack = self._layers[here].values[side], 3 * SMALLEST[side]
            sides = [layer.values[side] for layer in near]
            count += min(sides) - slack <= value <= max(sides) + slack
        return count

    def half_at(self, z: float) -> float:
        """Half of the thicker of the layers beside a height: so far off may it be drawn."""
        at = bisect_left(self._tops, z - 1e-6)
        return max(layer.height for layer in self._layers[max(0, at) : at + 2] or self._layers[-1:]) / 2
