"""Cross-sections, in mm: outlines that can be set in exactly, their area, and lines cut by them.

Each outline is built anew at every inset instead of being offset afterwards; so walls, skins and infill never cross.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

Point = tuple[float, float]
Ring = list[Point]
"""A closed outline, counter-clockwise; the first point is not repeated."""
THIN = 0.3
"""mm: what is thinner after an inset is not there; no line fits."""


class Outline(Protocol):
    def ring(self, inset: float) -> Ring:
        """The outline, this much further in; empty where nothing is left."""


@dataclass(frozen=True, slots=True)
class Bump:
    """Of one side of a box (0 front, 1 right, 2 back, 3 left), from `a` to `b` along it, `depth` out (or in, negative)."""

    side: int
    a: float
    b: float
    depth: float


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, with bumps and notches on its sides."""

    x0: float
    y0: float
    x1: float
    y1: float
    bumps: tuple[Bump, ...] = ()

    def ring(self, inset: float) -> Ring:
        x0, y0, x1, y1 = self.x0 + inset, self.y0 + inset, self.x1 - inset, self.y1 - inset
        if x1 - x0 < THIN or y1 - y0 < THIN:
            return []
        points: Ring = []
        for side in range(4):
            along = (x0, x1) if side in (0, 2) else (y0, y1)
            spans = self._spans(side, inset, *along)
            if side in (2, 3):  # the other way round
                spans = [(b, a, depth) for a, b, depth in reversed(spans)]
            points.append(((x0, y0), (x1, y0), (x1, y1), (x0, y1))[side])
            for a, b, depth in spans:
                if side in (0, 2):
                    base, out = (y0, y0 - depth) if side == 0 else (y1, y1 + depth)
                    points += [(a, base), (a, out), (b, out), (b, base)]
                else:
                    base, out = (x1, x1 + depth) if side == 1 else (x0, x0 - depth)
                    points += [(base, a), (out, a), (out, b), (base, b)]
        return points

    def _spans(self, side: int, inset: float, low: float, high: float) -> list[tuple[float, float, float]]:
        """The bumps of a side in ascending order, apart from each other and from the corners."""
        found: list[tuple[float, float, float]] = []
        for bump in sorted((bump for bump in self.bumps if bump.side == side), key=lambda bump: bump.a):
            by = inset if bump.depth > 0 else -inset
            a, b = max(bump.a + by, low), min(bump.b - by, high)
            if found and a <= found[-1][1]:
                if found[-1][2] == bump.depth:
                    found[-1] = (found[-1][0], max(b, found[-1][1]), bump.depth)
                    continue
                a = found[-1][1] + 0.01
            if b - a >= THIN:
                found.append((a, b, bump.depth))
        return found


@dataclass(frozen=True, slots=True)
class Corners:
    """A regular polygon by the radius of its corners; round where it has many. `true_round` may be written as arcs."""

    x: float
    y: float
    radius: float
    corners: int
    turned: float = 0.0
    true_round: bool = False

    def ring(self, inset: float) -> Ring:
        radius = self.radius - inset / math.cos(math.pi / self.corners)
        if radius < THIN:
            return []
        angles = (self.turned + math.tau * n / self.corners for n in range(self.corners))
        return [(self.x + radius * math.cos(angle), self.y + radius * math.sin(angle)) for angle in angles]


@dataclass(frozen=True, slots=True)
class Radial:
    """A radius for each angle; with a smooth radius the inset is near enough to an even one."""

    x: float
    y: float
    radius: Callable[[float], float]
    points: int = 36

    def ring(self, inset: float) -> Ring:
        found: Ring = []
        for n in range(self.points):
            angle = math.tau * n / self.points
            radius = self.radius(angle) - inset
            if radius < THIN:
                return []
            found.append((self.x + radius * math.cos(angle), self.y + radius * math.sin(angle)))
        return found


def area(ring: Ring) -> float:
    """mm², by the shoelace formula."""
    twice = sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, [*ring[1:], *ring[:1]], strict=True))
    return abs(twice) / 2


def turned(points: Ring, angle: float) -> Ring:
    """About the origin."""
    cosine, sine = math.cos(angle), math.sin(angle)
    return [(x * cosine - y * sine, x * sine + y * cosine) for x, y in points]


def box_of(rings: Sequence[Ring]) -> tuple[float, float, float, float]:
    xs, ys = [x for ring in rings for x, _ in ring], [y for ring in rings for _, y in ring]
    return min(xs), min(ys), max(xs), max(ys)


def spans_at(rings: Sequence[Ring], y: float) -> list[tuple[float, float]]:
    """Where a level line lies within the rings (even and odd)."""
    crossings: list[float] = []
    for ring in rings:
        x0, y0 = ring[-1]
        for x1, y1 in ring:
            if (y0 <= y) != (y1 <= y):
                crossings.append(x0 + (y - y0) * (x1 - x0) / (y1 - y0))
            x0, y0 = x1, y1
    crossings.sort()
    return [(a, b) for a, b in zip(crossings[::2], crossings[1::2], strict=False) if b - a > THIN]
