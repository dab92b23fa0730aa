"""Families of round and many-cornered towers. Lengths mm."""

from __future__ import annotations

import math
from collections.abc import Callable

from .boxes import groove
from .chance import Chance
from .layout import Body, Island, Mark, Steps
from .outlines import Corners, Point, Radial

SMALLEST = 3.0
"""mm: least radius of anything."""


def _round(chance: Chance, spot: Point, radius: float) -> Corners:
    """True circles, or what is written as a many-cornered one."""
    corners = chance.one_of([24, 30, 36])
    return Corners(*spot, round(radius, 2), corners, 0.0, True)


def _body(
    foot: Corners, steps: Steps, radius: Callable[[int, float, float], float], mark: Mark | None, **others: object
) -> Body:
    def section(step: int, above: float, z: float) -> list[Island]:
        size = max(SMALLEST, radius(step, above, z))
        if mark is not None and steps.at_mark(z, mark):
            size += mark.depth
        return [(Corners(foot.x, foot.y, round(size, 3), foot.corners, foot.turned, foot.true_round), None)]

    return Body(section, foot, mark, **others)  # type: ignore[arg-type]


def cones(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A cone in each step, upright or on its tip."""
    foot = _round(chance, spot, chance.between(8.0, 18.0))
    by = min(chance.between(1.5, 5.0), steps.rise * 0.9, foot.radius - SMALLEST - 1) * (1 if chance.likely(0.6) else -1)
    return _body(
        foot,
        steps,
        lambda step, above, z: foot.radius - (by * above / steps.rise if 0 <= step < steps.count else 0),
        None,
    )


def tapered(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """One cone from foot to top, with a groove or ring between steps."""
    foot = _round(chance, spot, chance.between(11.0, 20.0))
    by = (foot.radius - 5.0) * chance.between(0.5, 1.0)
    span = steps.top - steps.first
    return _body(
        foot,
        steps,
        lambda step, above, z: foot.radius - by * max(0.0, z - steps.first) / span,
        groove(chance, layer),
        plain_first=True,
    )


def rings(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A plain column with a ring, or a groove, between steps."""
    foot = _round(chance, spot, chance.between(7.5, 16.0))
    return _body(foot, steps, lambda step, above, z: foot.radius, groove(chance, layer), plain_first=True)


def slim(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A thin cone in each step: for towers of two columns."""
    foot = _round(chance, spot, chance.between(4.5, 7.0))
    by = foot.radius * chance.between(0.25, 0.45)
    return _body(
        foot,
        steps,
        lambda step, above, z: foot.radius - (by * above / steps.rise if 0 <= step < steps.count else 0),
        None,
    )


def beads(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Beads upon each other: narrow where they meet, and wide in the middle of each step."""
    foot = _round(chance, spot, chance.between(8.0, 15.0))
    waist = foot.radius * chance.between(0.6, 0.85)

    def radius(step: int, above: float, z: float) -> float:
        if not 0 <= step < steps.count:
            return foot.radius
        return waist + (foot.radius - waist) * math.sqrt(max(0.0, 1 - (2 * above / steps.rise - 1) ** 2))

    ends = (0.0, 0.3) if chance.likely(0.5) else (0.7, 1.0)
    return _body(foot, steps, radius, None, curved=ends)


def turned(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Each step the same polygon, turned against the one below."""
    corners = chance.whole(3, 6)
    foot = Corners(*spot, round(chance.between(10.0, 20.0), 2), corners)
    by = math.tau / corners * chance.between(0.2, 0.5) * chance.sign()

    def section(step: int, above: float, z: float) -> list[Island]:
        return [(Corners(*spot, foot.radius, corners, by * min(max(0, step), steps.count - 1)), None)]

    return Body(section, foot, None, plain_first=True)


def fluted(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Smooth round walls with a small dent where a step begins."""
    foot = _round(chance, spot, chance.between(9.0, 18.0))
    around, at, wide = groove(chance, layer, False), chance.between(0.0, math.tau), chance.between(0.35, 0.7)

    def section(step: int, above: float, z: float) -> list[Island]:
        if not steps.at_mark(z, around):
            return [(foot, None)]
        return [(Radial(*spot, lambda angle: foot.radius + around.depth * _dent(angle - at, wide), 48), None)]

    return Body(section, foot, around, plain_first=True)


def _dent(off: float, wide: float) -> float:
    """1 in the middle of a dent and 0 outside of it."""
    off = abs((off + math.pi) % math.tau - math.pi)
    return max(0.0, math.cos(off / wide * math.pi / 2)) if off < wide else 0.0
