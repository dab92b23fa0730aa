"""Where steps of a given rise begin and end: every place that something speaks for, with what speaks for and against it.

For a place speak: a foot or the bed below, the part's top or a cap above after a whole number of steps, and edges where
steps meet. Against it: what repeats outside of them. Pure; mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from .layer_events import Train
from .layer_signature import OUTLINE, Layer
from .rise_search import LEVELS, MOST_EVENTS, SURE_OUTLINE, Rise
from .step_figures import Figures, round_figures
from .step_foot import Feet
from .step_lattice import Lattice, nearest
from .step_marks import BOTTOM_MM, BOX, HAIR, INSIDE, SKIRT_MM, Edges
from .step_place import CLEAR, FRAMED, FULL, LATTICE, LEAST_COUNT, VAGUE, Place

FOOT_MM: Final = 8.0
CAP_MM: Final = 8.0
"""A foot and a cap are hardly higher; a foot of more than a rise is looked for too."""
THIN_MM: Final = 0.4
"""A cap is thicker than this: else it is the top."""
ONCE: Final = 1.5
STRONG: Final = 2.6
"""Strengths: a change that comes once may be the end of a foot from the first on, and the foot of a cap from the second."""
BED: Final = 2.0
TOP: Final = 3.0
HIDDEN: Final = 4.0
"""Strengths: steps from the bed up; a whole number of steps up to the top; and what is against any other end where a foot or a
cap is seen. Tuned on drawn towers."""
STRETCH: Final = 0.02
"""mm a step: by so much may a rise be off that was found by repetition alone, before both ends tell it."""
Chain = tuple[tuple[int, float], ...]


class Places:
    """Looks for places in one part. Built once, asked for each rise."""

    def __init__(self, layers: Sequence[Layer], trains: Sequence[Train], spiral: bool = False) -> None:
        self.lattice = Lattice(layers, trains)
        self.top, self.half, self.pair = self.lattice.top, self.lattice.half, self.lattice.pair
        self._levels = [
            heights
            for train in trains
            for heights in dict.fromkeys(train.above(level) for level in LEVELS)
            if 2 <= len(heights) <= MOST_EVENTS
        ]
        self._walls = Edges(trains, OUTLINE)
        self._sides = Edges(trains, BOX)
        self._inside = Edges(trains, INSIDE)
        self._late = self.half - HAIR if spiral else 0.0  # the first turn rises from the foot on
        self._feet = Feet(layers, FOOT_MM)
        self._caps = Feet(layers, CAP_MM, down=True)

    def of(self, rise: Rise, most: Rise) -> list[Place]:
        """All places of a rise; `most` has the most that is spoken for any rise."""
        mm = rise.mm
        chains = [
            chain
            for heights in self._levels
            for chain in _chains(heights, mm, self.pair, self.top)
            if len(chain) >= 3 or 4 * mm > self.top
        ]
        spoken = 3 * (rise.all / most.all + (rise.outline / most.outline if most.outline else 0.0))
        edges = sorted(z for z in set(self._walls.heights) if z > SKIRT_MM)
        lone = [(z, s) for z in edges if (s := self._walls.lone(z, mm, self.pair)) > STRONG]
        seen = self._feet.of(mm, self.pair)
        if seen is not None:
            seen += self._late
        ends = self._ends(mm, lone)
        late = 0.0 if most.outline > SURE_OUTLINE else self.pair  # an infill shows a change a layer early or late
        found = []
        for low in self._lows(mm, chains, seen):
            foot = self._foot(low, mm, self.lattice.edges(low, mm, int((self.top - low) / mm))[0])
            if seen is not None:
                foot = CLEAR if low == seen else None if foot is None else foot - HIDDEN
            for end, at_end, kind in ends if foot is not None else ():
                count = round((end - low) / mm) if kind != "cut" else int((end - low) / mm + 0.1)
                high = at_end
                off = 0.0 if kind == "cut" else abs(end - low - count * mm)
                if count < LEAST_COUNT or off > self.half + STRETCH * count + late:
                    continue
                fit = rise if off <= self.half + STRETCH / 2 * count else replace(rise, mm=(end - low) / count)
                walls, inside = self.lattice.edges(low, fit.mm, count)
                framed = low in (0.0, seen) and self.lattice.framed(low, fit.mm, count)
                walls = max(walls, FRAMED) if framed else walls
                if not foot and max(walls, inside) < LATTICE:
                    continue
                exact = 0.5 if low == 0 or nearest(self._walls.heights, low, HAIR) is not None else 0.0
                if kind == "cut" and walls > FULL and low in (0.0, seen):
                    high = -0.5
                outside = self._beyond(chains, low, end)
                place = Place(
                    low, count, kind, end, (foot or 0.0) + exact, high, walls, inside, framed, outside, spoken, fit
                )
                found.append(self.lattice.told(place))
        return found

    def figures(self, place: Place) -> Figures:
        return round_figures(place.plinth, place.mm, place.count, self.lattice.seen(place), self.half)

    def _lows(self, mm: float, chains: list[Chain], foot: float | None) -> list[float]:
        """The bed; edges near it; where something that repeats begins, or one rise lower."""
        limit = min(0.4 * self.top, max(FOOT_MM, 1.2 * mm))
        found = [z for zs in (self._walls.heights, self._inside.heights) for z in zs if z < limit]
        for chain in chains:
            first = chain[0][1]
            found.append(first)
            if first > mm - self.pair:
                found.append(max(0.0, first - mm))
        kept = [0.0]
        for z in sorted(found):
            if z >= SKIRT_MM and z - kept[-1] > HAIR + 0.01 and (foot is None or abs(z - foot) > HAIR + 0.01):
                kept.append(z)
        return kept if foot is None else [*kept, foot]

    def _foot(self, low: float, mm: float, walls_between: float) -> float | None:
        """How strongly the part says that something else lies below; None where one more step fits there."""
        if low == 0:
            return BED
        most = VAGUE if low > BOTTOM_MM else VAGUE / 2
        edge = nearest(self._walls.heights, low, HAIR) is not None
        if edge and self.lattice.outline.repeats_from(low, mm, 1):
            return most
        if low > mm - self.pair and self._sides.lone(low, mm, self.pair) <= ONCE:
            return None
        walls = self._walls.once(low, mm, self.pair)
        if walls > ONCE:
            return min(most, walls)
        if edge and walls_between > FULL and self.lattice.outline.other_beyond(low, mm, 1):
            return most - 0.5
        return min(2.0, inside) if (inside := self._inside.once(low, mm, self.pair)) > STRONG else 0.0

    def _ends(self, mm: float, lone: list[tuple[float, float]]) -> list[tuple[float, float, str]]:
        low, high = self.top - CAP_MM, self.top - THIN_MM
        caps = [(z, min(VAGUE, strength), "cap") for z, strength in lone if low < z < high]
        for z in sorted(set(self._walls.heights)):
            if low < z < high and self.lattice.outline.repeats_from(z, mm, -1):
                caps.append((z, VAGUE, "cap"))
        cap = self._caps.of(mm, self.pair)
        if cap is not None:
            caps = [(cap, CLEAR, "cap"), *((z, by - HIDDEN, kind) for z, by, kind in caps if z != cap)]
        return [(self.top, TOP if cap is None else TOP - HIDDEN, "top"), *caps, (self.top, -2.0, "cut")]

    def _beyond(self, chains: list[Chain], low: float, end: float) -> float:
        """Share of what repeats at least thrice that reaches out of the steps."""
        whole = [chain for chain in chains if len(chain) >= 3]
        slack = self.pair + 0.3
        out = sum(chain[0][1] < low - slack or chain[-1][1] > end + slack for chain in whole)
        return out / len(whole) if whole else 0.0


def _chains(heights: Sequence[float], mm: float, slack: float, top: float) -> list[Chain]:
    """Events that follow each other by a rise; one in a row may be left out, and a quarter in all."""
    used: set[int] = set()
    found = []
    for first, z in enumerate(heights):
        if first in used:
            continue
        chain, at, n, last = [(0, z)], [first], 0, 0
        while True:
            n += 1
            if z + n * mm > top + slack or n - last > 2:
                break
            near = nearest(heights, z + n * mm, slack)
            if near is not None and near not in used:
                chain.append((n, heights[near]))
                at.append(near)
                last = n
        if len(chain) >= 2 and len(chain) >= 0.75 * (last + 1):
            found.append(tuple(chain))
            used.update(at)
    return found
