"""Where along the height something happens: for each feature of the layers, a train of events.

An event is an edge (a layer like none of the few on its other side, so that an infill that alternates makes none), a bend
(a wall that begins to lean otherwise), or a peak or a pit, where a wall that leaned out leans in again. Each has a strength:
how many times it stands above that feature's own unrest.
Pure; mm.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_high
from typing import Final

from .layer_signature import CHANGES, FEATURES, OUTLINE, SMALLEST, Layer

BACK: Final = 4
"""Layers that an edge is held against on either side: infills that alternate do so within four layers."""
AROUND: Final = 7
"""Layers on each side among which an edge stands out: where every layer is another, a slope is no edge."""
UNREST: Final = 3.0
"""An edge is so many times what a feature changes by from layer to layer in the middle of all cases."""
APART: Final = 2.5
"""And so many times what it does around it."""
BEND_MM: Final = 0.8
"""Height over which the lean of a wall is taken, on each side of a bend: several layers of any usual height."""
SWING: Final = 6.0
"""A peak or a pit is so many times what is the same to either side: of a wall, a quarter of a millimetre, half a line."""
SKIRT_LAYERS: Final = 2
"""The lowest boundary is left out: skirts, brims and purge lines end there."""
_BENDING: Final = tuple(FEATURES.index(name) for name in ("left", "front", "right", "rear", "area", "walls"))


@dataclass(frozen=True, slots=True)
class Train:
    """Events of one feature and kind (`edge`, `bend`, `peak`, `pit`), upwards: heights (mm), strengths (1 is the least that
    counts), and whether it grows there."""

    feature: int
    kind: str
    heights: tuple[float, ...]
    strengths: tuple[float, ...]
    up: tuple[bool, ...]

    @property
    def edge(self) -> bool:
        return self.kind == "edge"

    @property
    def outline(self) -> bool:
        """Does it tell of walls, not of what is inside?"""
        return self.feature in OUTLINE

    def above(self, level: float) -> tuple[float, ...]:
        """Heights of the events at least so strong."""
        return tuple(z for z, strength in zip(self.heights, self.strengths, strict=True) if strength >= level)


def trains_of(layers: Sequence[Layer]) -> list[Train]:
    """All trains with at least one event."""
    found = []
    tops = [layer.z for layer in layers]
    middles = [layer.z - layer.height / 2 for layer in layers]
    for feature, least in enumerate(SMALLEST):
        values = [layer.values[feature] for layer in layers]
        edges = _edges(feature, values, least, tops)
        found.append(edges)
        if feature in _BENDING:
            swings = _swings(feature, values, least, middles, edges.heights)
            found += swings
            told = sorted((*edges.heights, *(z for train in swings for z in train.heights)))
            found.append(_bends(feature, values, least, middles, told))
    return [train for train in found if train.heights]


def _edges(feature: int, values: list[float], least: float, tops: list[float]) -> Train:
    if feature in CHANGES:
        change = [0.0] * SKIRT_LAYERS + values[SKIRT_LAYERS:]
    else:
        change = [0.0] * SKIRT_LAYERS + [_novelty(values, at) for at in range(SKIRT_LAYERS, len(values))]
    base = max(least, UNREST * median_high(change[SKIRT_LAYERS:] or [0.0]))
    at = [n for n, by in enumerate(change) if by > base and by > APART * _usual(change, n)]
    return Train(
        feature,
        "edge",
        tuple(tops[n - 1] for n in at),
        tuple(change[n] / base for n in at),
        tuple(values[n] > values[n - 1] for n in at),
    )


def _novelty(values: list[float], at: int) -> float:
    """How far the layer is from all of those before it, or the one before it from all that follow."""
    low, high = max(1, at - BACK), at + BACK
    here, before = values[at], values[at - 1]
    return max(min([abs(here - v) for v in values[low:at]]), min([abs(before - v) for v in values[at:high]]))


def _usual(change: list[float], at: int) -> float:
    around = sorted(change[max(SKIRT_LAYERS, at - AROUND) : at + AROUND + 1])
    return around[len(around) // 2]


def _swings(
    feature: int, values: list[float], least: float, middles: list[float], edges: Sequence[float]
) -> tuple[Train, Train]:
    """Peaks and pits, apart: nobody takes the one for the other. Not beside an edge, which is one already."""
    found: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    turns = _turns(values, SWING * least)
    for before, at, after in zip(turns, turns[1:], turns[2:], strict=False):
        low = high = at
        while low > before and abs(values[low - 1] - values[at]) <= least:
            low -= 1
        while high < after and abs(values[high + 1] - values[at]) <= least:
            high += 1
        if not any(middles[low] - BEND_MM < edge < middles[high] + BEND_MM for edge in edges):
            z = (middles[low] + middles[high]) / 2
            swing = min(abs(values[at] - values[before]), abs(values[at] - values[after]))
            found[values[at] > values[before]].append((z, swing / least / SWING))
    return tuple(  # type: ignore[return-value]
        Train(
            feature,
            "peak" if up else "pit",
            tuple(z for z, _ in at),
            tuple(by for _, by in at),
            (up,) * len(at),
        )
        for up, at in found.items()
    )


def _turns(values: list[float], swing: float) -> list[int]:
    """Where the values turn round by at least so much, with the first and the last that are looked at."""
    found = [SKIRT_LAYERS]
    far, way = SKIRT_LAYERS, 0
    for at in range(SKIRT_LAYERS, len(values)):
        if not way:
            if abs(values[at] - values[far]) >= swing:
                way, far = (1 if values[at] > values[far] else -1), at
        elif (values[at] - values[far]) * way > 0:
            far = at
        elif (values[far] - values[at]) * way >= swing:
            found.append(far)
            far, way = at, -way
    return [*found, far] if way else found


def _bends(feature: int, values: list[float], least: float, middles: list[float], edges: Sequence[float]) -> Train:
    """Not beside an edge, where a wall does not lean, nor beside a peak or a pit, which is one already."""
    count = len(values)
    bend = [0.0] * count
    up = [False] * count
    for n in range(2, count - 1):
        low = bisect_left(middles, middles[n] - BEND_MM)
        high = bisect_right(middles, middles[n] + BEND_MM) - 1
        if 1 <= low < n < high < count - 1:
            above = (values[high] - values[n]) / (middles[high] - middles[n])
            below = (values[n] - values[low]) / (middles[n] - middles[low])
            bend[n] = abs(above - below) * BEND_MM
            up[n] = above > below
    base = max(least, (UNREST + 1) * median_high(bend))
    at = []
    for n, by in enumerate(bend):
        if by > base and not any(abs(z - middles[n]) <= 1.25 * BEND_MM for z in edges):
            low, high = bisect_left(middles, middles[n] - BEND_MM), bisect_right(middles, middles[n] + BEND_MM)
            if by >= max(bend[low:high]):
                at.append(n)
    return Train(
        feature, "bend", tuple(middles[n] for n in at), tuple(bend[n] / base for n in at), tuple(up[n] for n in at)
    )
