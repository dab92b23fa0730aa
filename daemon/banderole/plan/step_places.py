"""Where steps of a given rise begin and end: every place that something speaks for, with what speaks for and against it.

For a place speak: a foot or the bed below, the part's top or a cap above after a whole number of steps, and edges where
steps meet. Against it: changes that come once, inside the steps, and what repeats outside of them. Pure; mm.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from .layer_events import Train
from .layer_signature import OUTLINE, Layer
from .rise_search import LEVELS, MOST_EVENTS, SURE_OUTLINE, Rise
from .step_foot import Feet
from .step_marks import BOTTOM_MM, BOX, HAIR, INSIDE, Edges, Outline

LEAST_COUNT: Final = 3
"""Of two steps one distance is known: no regularity."""
LOWEST_MM: Final = 0.55
"""Below this no step begins but on the bed: skirts end there."""
FOOT_MM: Final = 8.0
CAP_MM: Final = 8.0
"""A foot and a cap are hardly higher; a foot of more than a rise is looked for too."""
THIN_MM: Final = 0.4
"""A cap is thicker than this: else it is the top."""
SKIN_MM: Final = 0.8
"""So far below the top a closed skin may begin, which comes once."""
ONCE: Final = 1.5
STRONG: Final = 2.6
"""Strengths: a change that comes once may be the end of a foot from the first on, and counts against steps from the second."""
LATTICE: Final = 3.0
"""Nats: edges between steps that are there."""
FULL: Final = 5.0
"""Nats: edges between all steps."""
BED: Final = 2.0
VAGUE: Final = 2.5
CLEAR: Final = 6.0
TOP: Final = 3.0
HIDDEN: Final = 4.0
"""Strengths: steps from the bed up; an end of which only some edges tell; a foot or a cap that a person sees; a whole number
of steps up to the top; and what is against any other end where a foot or a cap is seen. Tuned on drawn towers."""
STRETCH: Final = 0.02
"""mm a step: by so much may a rise be off that was found by repetition alone, before both ends tell it."""
Chain = tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Steps: where the first begins, the rise, how many, and whether `top`, `cap` or nothing (`cut`) ends them at `stop`.

    What speaks for them: `low` (bed or foot) and `high` (top or cap), as strengths; `walls` and `inside`, nats of edges where
    steps meet; `spoken`, how well the rise does among all. Against: `once` and `outside`.
    """

    plinth: float
    count: int
    end: str
    stop: float
    low: float
    high: float
    walls: float
    inside: float
    once: float
    outside: float
    spoken: float
    rise: Rise

    @property
    def mm(self) -> float:
        return self.rise.mm

    @property
    def held(self) -> bool:
        """Does it stand on the bed, or on a foot that a person sees?"""
        return self.plinth == 0 or self.low >= CLEAR

    @property
    def score(self) -> float:
        """What lies below and above weighs more than edges: those of a window are as regular as those between steps."""
        edges = 0.4 * max(0.0, min(7.0, self.walls)) + 0.25 * max(0.0, min(4.0, self.inside))
        return self.low + self.high + edges + self.spoken - min(10.0, self.once) - 6 * self.outside


class Places:
    """Looks for places in one part. Built once, asked for each rise."""

    def __init__(self, layers: Sequence[Layer], trains: Sequence[Train], spiral: bool = False) -> None:
        self.top = layers[-1].z
        thick = max(layer.height for layer in layers[1:])
        self.half = thick / 2 + HAIR
        self.pair = thick + HAIR
        """How far an edge may lie beside its nominal height, and two edges from their nominal distance."""
        self._trains = trains
        self._levels = [
            heights
            for train in trains
            for heights in dict.fromkeys(train.above(level) for level in LEVELS)
            if 2 <= len(heights) <= MOST_EVENTS
        ]
        self._outline = Outline(layers)
        self._walls = Edges(trains, OUTLINE)
        self._sides = Edges(trains, BOX)
        self._inside = Edges(trains, INSIDE)
        self._late = thick / 2 if spiral else 0.0  # the first turn rises from the foot on
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
        edges = sorted(z for z in set(self._walls.heights) if z > LOWEST_MM)
        lone = [(z, s) for z in edges if (s := self._walls.lone(z, mm, self.pair)) > STRONG]
        seen = self._feet.of(mm, self.pair)
        if seen is not None:
            seen += self._late
        ends = self._ends(mm, lone)
        found = []
        for low in self._lows(mm, chains, seen):
            foot = self._foot(low, mm, self._edges(low, mm, int((self.top - low) / mm))[0])
            if seen is not None:
                foot = CLEAR if low == seen else None if foot is None else foot - HIDDEN
            for end, at_end, kind in ends if foot is not None else ():
                count = round((end - low) / mm) if kind != "cut" else int((end - low) / mm + 0.1)
                high = at_end
                off = 0.0 if kind == "cut" else abs(end - low - count * mm)
                if count < LEAST_COUNT or off > self.half + STRETCH * count:
                    continue
                fit = rise if off <= self.half + STRETCH / 2 * count else replace(rise, mm=(end - low) / count)
                walls, inside = self._edges(low, fit.mm, count)
                if not foot and max(walls, inside) < LATTICE:
                    continue
                exact = 0.5 if low == 0 or _nearest(self._walls.heights, low, HAIR) is not None else 0.0
                once = self._walls.share(
                    lone, max(BOTTOM_MM, low + self.pair), min(low + count * mm - self.pair, self.top - SKIN_MM)
                )
                if kind == "cut" and walls > FULL and low in (0.0, seen):
                    high = -0.5
                found.append(
                    Place(
                        low, count, kind, end, (foot or 0.0) + exact, high,
                        walls, inside, once, self._beyond(chains, low, end), spoken, fit,
                    )
                )  # fmt: skip
        return found

    def crossed(self, place: Place, times: int) -> bool:
        """Is there an edge of one feature at nearly all boundaries but each second (or third) one?"""
        between = [n for n in range(1, place.count) if n % times]
        slack = self.half + HAIR
        for train in self._trains:
            if train.kind == "bend" or (not train.outline and place.rise.outline > SURE_OUTLINE):
                continue
            hits = sum(_nearest(train.heights, place.plinth + n * place.mm, slack) is not None for n in between)
            chance = min(1.0, len(train.heights) * 2 * slack / self.top)
            if hits >= max(2, 0.8 * len(between)) and chance ** (hits - 1) < 0.02:
                return True
        return False

    def seen(self, place: Place) -> list[tuple[int, float, float]]:
        """Boundaries where something was seen: number, height, and how far off it may be drawn. Ends, and edges between."""
        found = [(0, place.plinth)] if place.low > 2.0 or place.plinth == 0.0 else []
        if place.end != "cut":
            found.append((place.count, place.stop))
        best: list[tuple[int, float]] = []
        walls = True
        for train in sorted(self._trains, key=lambda train: not train.outline):
            if best and not train.outline:
                break
            hits = [
                (n, train.heights[at])
                for n in range(1, place.count)
                if (at := _nearest(train.heights, place.plinth + n * place.mm, self.half + HAIR)) is not None
            ]
            if (
                train.kind != "bend"
                and len(hits) > len(best)
                and len(hits) >= 0.8 * (place.count - 1)
                and self._nats(train, place.plinth, place.mm, place.count) > 2
            ):
                best, walls = hits, train.outline
        inside = best and not walls  # lines that lie crosswise in each other layer show a change a layer early or late
        return [
            *((n, z, self._outline.half_at(z)) for n, z in found),
            *((n, z, self._outline.half_at(z) * (3 if inside else 1)) for n, z in best),
        ]

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
            if z >= LOWEST_MM and z - kept[-1] > HAIR + 0.01 and (foot is None or abs(z - foot) > HAIR + 0.01):
                kept.append(z)
        return kept if foot is None else [*kept, foot]

    def _foot(self, low: float, mm: float, walls_between: float) -> float | None:
        """How strongly the part says that something else lies below; None where one more step fits there."""
        if low == 0:
            return BED
        most = VAGUE if low > BOTTOM_MM else VAGUE / 2
        edge = _nearest(self._walls.heights, low, HAIR) is not None
        if edge and self._outline.repeats_from(low, mm, 1):
            return most
        if low > mm - self.pair and self._sides.lone(low, mm, self.pair) <= ONCE:
            return None
        walls = self._walls.once(low, mm, self.pair)
        if walls > ONCE:
            return min(most, walls)
        if edge and walls_between > FULL and self._outline.other_beyond(low, mm, 1):
            return most - 0.5
        return min(2.0, inside) if (inside := self._inside.once(low, mm, self.pair)) > STRONG else 0.0

    def _ends(self, mm: float, lone: list[tuple[float, float]]) -> list[tuple[float, float, str]]:
        low, high = self.top - CAP_MM, self.top - THIN_MM
        caps = [(z, min(VAGUE, strength), "cap") for z, strength in lone if low < z < high]
        for z in sorted(set(self._walls.heights)):
            if low < z < high and self._outline.repeats_from(z, mm, -1):
                caps.append((z, VAGUE, "cap"))
        cap = self._caps.of(mm, self.pair)
        if cap is not None:
            caps = [(cap, CLEAR, "cap"), *((z, by - HIDDEN, kind) for z, by, kind in caps if z != cap)]
        return [(self.top, TOP if cap is None else TOP - HIDDEN, "top"), *caps, (self.top, -2.0, "cut")]

    def _edges(self, low: float, mm: float, count: int) -> tuple[float, float]:
        """Nats of edges where steps meet: of the best train of the outline, and of the others."""
        nats = [(train.outline, self._nats(train, low, mm, count)) for train in self._trains]
        return tuple(max((by for walls, by in nats if walls is which), default=0.0) for which in (True, False))  # type: ignore[return-value]

    def _nats(self, train: Train, low: float, mm: float, count: int) -> float:
        chance = min(0.9, len(train.heights) * 2 * self.half / self.top + 0.02)
        between = [z for n in range(1, count) if (z := low + n * mm) < self.top - 0.6]
        hits = sum(_nearest(train.heights, z, self.half + HAIR) is not None for z in between)
        return hits * math.log(0.95 / chance) + (len(between) - hits) * math.log(0.1 / (1 - chance))

    def _beyond(self, chains: list[Chain], low: float, end: float) -> float:
        """Share of what repeats at least thrice that reaches out of the steps."""
        whole = [chain for chain in chains if len(chain) >= 3]
        slack = self.pair + 0.3
        out = sum(chain[0][1] < low - slack or chain[-1][1] > end + slack for chain in whole)
        return out / len(whole) if whole else 0.0


def _nearest(heights: Sequence[float], z: float, slack: float) -> int | None:
    at = bisect_left(heights, z)
    near = [n for n in (at - 1, at) if 0 <= n < len(heights) and abs(heights[n] - z) <= slack]
    return min(near, key=lambda n: abs(heights[n] - z)) if near else None


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
            near = _nearest(heights, z + n * mm, slack)
            if near is not None and near not in used:
                chain.append((n, heights[near]))
                at.append(near)
                last = n
        if len(chain) >= 2 and len(chain) >= 0.75 * (last + 1):
            found.append(tuple(chain))
            used.update(at)
    return found
