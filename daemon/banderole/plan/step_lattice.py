"""What the edges of a part say of steps of one rise from one height on: do they lie where steps meet, or frame each? Pure; mm."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from .layer_events import Train
from .layer_signature import Layer
from .rise_search import SURE_OUTLINE
from .step_marks import HAIR, INSIDE, SKIRT_MM, Outline
from .step_place import FULL, LEAST_COUNT, LEAST_OUTLINE, VAGUE, Place

CLOSED_MM: Final = 0.6
"""So far below the top the part may be closed: no edge between steps is looked for."""
GROOVE_MM: Final = 1.2
"""A groove or a ledge between two steps is hardly taller, and no more than a quarter of a rise: else it is a window."""
FINER: Final = 0.75
"""Frames need not be quite in the middle, so they tell of the ends only where layers are so much thinner there."""
NEARLY: Final = 0.8
"""Share of steps that must show what all are to show: some are labelled, some are bridged."""


class Lattice:
    """The trains of one part, held against boundaries `low + n * mm`, `n` from 0 to `count`."""

    def __init__(self, layers: Sequence[Layer], trains: Sequence[Train]) -> None:
        thick = max(layer.height for layer in layers[1:])
        self.top = layers[-1].z
        self.half = thick / 2 + HAIR
        self.pair = thick + HAIR
        """How far an edge may lie beside its nominal height, and two edges from their nominal distance."""
        self.outline = Outline(layers)
        self._trains = trains
        self._edged = [train for train in trains if train.outline and train.edge]
        self._filled = [train for train in trains if train.feature in INSIDE and train.edge]

    def edges(self, low: float, mm: float, count: int) -> tuple[float, float]:
        """Nats of edges where steps meet: of the best train of the outline, and of the others."""
        nats = [(train.outline, self._nats(train, low, mm, count)) for train in self._trains]
        return tuple(max((by for walls, by in nats if walls is which), default=0.0) for which in (True, False))  # type: ignore[return-value]

    def framed(self, low: float, mm: float, count: int) -> bool:
        """Do the walls leave as much room below the first edge of nearly each step as above its last one?

        A window or a sign stands in the middle of its step, so steps that begin lower or higher would cut it off centre.
        The lowest step must show it: between two windows there is such a middle too.
        """
        return any(self._frames(train, low, mm, count) for train in self._edged)

    def _middles(self, place: Place) -> list[tuple[int, float, float]]:
        """Boundaries half-way between the frames of two steps: number, height, and how far off each may be drawn."""
        frames = max((self._frames(train, place.plinth, place.mm, place.count) for train in self._edged), key=len)
        found = []
        for n in frames.keys() & {n + 1 for n in frames}:
            below, above = (
                place.plinth + (n - 1) * place.mm + frames[n - 1][1],
                place.plinth + n * place.mm + frames[n][0],
            )
            slack = max(self.outline.half_at(below), self.outline.half_at(above))
            found.append((n, (below + above) / 2, slack))
        return found

    def told(self, place: Place) -> Place:
        """The place, with what the lattice says of it: do walls begin there to repeat themselves; is its first step like the
        next; do walls move where steps meet and nowhere else; are odd boundaries edges too?"""
        return replace(
            place,
            begun=self.outline.repeats_from(place.plinth, place.mm, 1),
            like=self.outline.steps_from(place.plinth, place.mm),
            alone=self._alone(place),
            crossed=self._crossed(place),
        )

    def _alone(self, place: Place) -> bool:
        """Do walls move (or, where they never do, infills change) where steps meet, and nowhere else, and does what ends the
        steps, or lies below them, agree? What comes once only is left out."""
        if place.low < (VAGUE if place.end == "cut" else 0.0):
            return False
        if place.low <= 0 and not self.outline.like_next(place.plinth, place.mm):
            return False  # without an edge below it the lowest step may be the upper part of a plinth
        walls = place.rise.outline >= LEAST_OUTLINE
        if (place.walls if walls else place.inside) < FULL:
            return False
        low, mm = place.plinth, place.mm
        tall = min(GROOVE_MM, mm / 4) + self.half
        at = away = 0
        for train in self._edged if walls else self._filled:
            for z in train.heights:
                if low + self.pair < z < low + place.count * mm - self.pair and self._again(train, z, mm):
                    off = (z - low + mm / 2) % mm - mm / 2
                    at += abs(off) <= tall
                    away += abs(off) > tall
        return at >= LEAST_COUNT - 1 and away <= at / 20

    def _crossed(self, place: Place) -> bool:
        """Is there an edge of one feature at nearly all odd boundaries? Else steps may be twice as high."""
        odd = range(1, place.count, 2)
        slack = self.half + HAIR
        for train in self._trains:
            if train.kind == "bend" or (not train.outline and place.rise.outline > SURE_OUTLINE):
                continue
            hits = sum(nearest(train.heights, place.plinth + n * place.mm, slack) is not None for n in odd)
            chance = min(1.0, len(train.heights) * 2 * slack / self.top)
            if hits >= max(2, NEARLY * len(odd)) and chance ** (hits - 1) < 0.02:
                return True
        return False

    def seen(self, place: Place) -> list[tuple[int, float, float]]:
        """Boundaries where something was seen: number, height, and how far off it may be drawn. Ends, and edges between."""
        found = [(0, place.plinth)] if place.seen else []
        if place.end != "cut":
            found.append((place.count, place.stop))
        told = place.rise.outline > SURE_OUTLINE  # by the outline
        walls = [train for train in self._trains if train.outline]
        best, late = self._hits(place, [train for train in walls if train.kind != "bend"], told), 1
        if not best:  # an infill shows what walls do a layer early or late
            inside = [train for train in self._trains if not train.outline]
            best, late = self._hits(place, inside, told), 3 if told else 1
        if not best:  # and so does a bend, of which the height around it tells
            best, late = self._hits(place, [train for train in walls if train.kind == "bend"], told), 3
        if place.framed and not best:
            ends = [(n, z, self.outline.half_at(z)) for n, z in found]
            coarse = max((slack for _, _, slack in ends), default=self.half)
            return ends + [middle for middle in self._middles(place) if middle[2] < FINER * coarse]
        return [
            *((n, z, self.outline.half_at(z)) for n, z in found),
            *((n, z, self.outline.half_at(z) * late) for n, z in best),
        ]

    def _hits(self, place: Place, trains: Sequence[Train], told: bool) -> list[tuple[int, float]]:
        """Events where steps meet, of that train which has most, and nearly all."""
        best: list[tuple[int, float]] = []
        for train in trains:
            near = ((n, self._edge(train, place.plinth + n * place.mm, told)) for n in range(1, place.count))
            hits = [(n, z) for n, z in near if z is not None]
            enough = len(hits) >= NEARLY * (place.count - 1) and len(hits) > len(best)
            if enough and self._nats(train, place.plinth, place.mm, place.count) > 2:
                best = hits
        return best

    def _edge(self, train: Train, z: float, told: bool) -> float | None:
        """The event at a boundary. Where only infills tell, lines that lie crosswise in each other layer show a change a layer
        early and late too, but less: the strongest counts."""
        if train.outline or told:
            at = nearest(train.heights, z, self.pair)
            return None if at is None else train.heights[at]
        slack = self.half + self.pair
        near = [(by, at) for at, by in zip(train.heights, train.strengths, strict=True) if abs(at - z) <= slack]
        return max(near)[1] if near else None

    def _nats(self, train: Train, low: float, mm: float, count: int) -> float:
        chance = min(0.9, len(train.heights) * 2 * self.half / self.top + 0.02)
        between = [z for n in range(1, count) if (z := low + n * mm) < self.top - CLOSED_MM]
        hits = sum(nearest(train.heights, z, self.half + HAIR) is not None for z in between)
        return hits * math.log(0.95 / chance) + (len(between) - hits) * math.log(0.1 / (1 - chance))

    def _frames(self, train: Train, low: float, mm: float, count: int) -> dict[int, tuple[float, float]]:
        """By step the first and the last edge above its foot, where they leave the same room in nearly all; else nothing."""
        found = {}
        for n in range(count):
            begin = low + n * mm
            inside = [z - begin for z in train.heights if max(SKIRT_MM, begin) < z < begin + mm]
            if len(inside) > 1 and min(inside) > self.pair and mm - max(inside) > self.pair:
                found[n] = min(inside), max(inside)
        if 0 not in found:
            return {}
        room = sorted(first for first, _ in found.values())[len(found) // 2]
        alike = {
            n: (first, last)
            for n, (first, last) in found.items()
            if abs(first - room) <= self.pair and abs(mm - last - room) <= self.pair
        }
        return alike if 0 in alike and len(alike) >= max(LEAST_COUNT, NEARLY * count) else {}

    def _again(self, train: Train, z: float, mm: float) -> bool:
        return any(nearest(train.heights, z + by, self.pair) is not None for by in (-mm, mm))


def nearest(heights: Sequence[float], z: float, slack: float) -> int | None:
    """Number of the height nearest to `z`, if one is within `slack`."""
    at = bisect_left(heights, z)
    near = [n for n in (at - 1, at) if 0 <= n < len(heights) and abs(heights[n] - z) <= slack]
    return min(near, key=lambda n: abs(heights[n] - z)) if near else None
