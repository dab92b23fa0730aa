"""Parts without regular steps, and what could pass for them: smooth ones, irregular ones, and fine textures.

What repeats with every layer or two, or waves through the infill without a break, is no step: whoever looks at the part
sees plain walls, and no height at which one thing ends and the next begins.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from . import box_families, round_families
from .boxes import Look, as_body, box, groove, label, notch, opening
from .chance import Chance
from .infills import Fill
from .layout import Body, Island, Steps
from .outlines import Box, Corners, Outline, Point, Radial

Family = Callable[[Chance, Steps, Point, float], Body]


def _sides(chance: Chance, spot: Point) -> Box:
    return box(chance, spot, (16.0, 36.0), (14.0, 30.0))


def plain_box(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    return as_body(Look(_sides(chance, spot)), steps)


def plain_cylinder(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    foot = Corners(*spot, round(chance.between(7.5, 18.0), 2), chance.one_of([6, 8, 30, 36]), 0.0)
    return Body(lambda step, above, z: [(foot, None)], foot)


def plain_cone(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """From foot to top without a break."""
    radius = chance.between(10.0, 20.0)
    foot = Corners(*spot, round(radius, 2), chance.one_of([4, 30, 36]), 0.0, True)
    by = (radius - 4.0) * chance.between(0.3, 1.0)

    def section(step: int, above: float, z: float) -> list[Island]:
        size = radius - by * (z - steps.first) / (steps.top - steps.first)
        return [(Corners(*spot, min(radius, size), foot.corners, 0.0, foot.corners > 4), None)]

    return Body(section, foot)


def sculpture(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Lumps at random heights and bearings."""
    radius, tall = chance.between(8.0, 13.0), steps.top - steps.first
    lumps = [
        (
            steps.first + tall * chance.between(0.0, 1.0),  # height
            tall * chance.between(0.06, 0.25),  # extent
            chance.between(0.0, math.tau),  # bearing
            radius * chance.between(-0.3, 0.6),  # how far out
            chance.whole(1, 3),  # how broad
        )
        for _ in range(chance.whole(6, 9))
    ]

    def section(step: int, above: float, z: float) -> list[Island]:
        here = [(bearing, out * math.exp(-(((z - at) / extent) ** 2)), n) for at, extent, bearing, out, n in lumps]

        def size(angle: float) -> float:
            grown = sum(out * (0.5 + 0.5 * math.cos(angle - bearing)) ** n for bearing, out, n in here)
            return max(3.0, min(radius + grown, 26.0))

        return [(Radial(*spot, size, 36), None)]

    return Body(section, Corners(*spot, round(radius, 2), 36))


def single(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A box with one thing on it, where it makes no equal parts."""
    part = _sides(chance, spot)
    tall = steps.top - steps.first
    share = chance.one_of([(0.15, 0.28), (0.56, 0.62), (0.72, 0.85)])
    at = tall * chance.between(*share)
    one = Steps(0.0, 0.0, "none", 8.0, 1)
    thing = chance.one_of(["opening", "label", "groove", "notch"])
    look = {
        "opening": lambda: Look(part, opening(chance, part, one, chance.one_of(["window", "round"]), 0.1, 0.9)),
        "label": lambda: Look(part, label=label(chance, part, one, 0, chance.likely(0.5))),
        "groove": lambda: Look(part, mark=groove(chance, layer)),
        "notch": lambda: Look(part, mark=notch(chance, part, layer)),
    }[thing]()
    two = Steps(0.0, 0.0, "none", at, 2)  # a mark shows between the two

    def section(step: int, above: float, z: float) -> list[Island]:
        if look.mark is not None:
            return look.section(two, 0, 0.0, z - steps.first)
        above = z - steps.first - at + 4.0
        return look.section(one, 0 if 0 <= above < 8.0 else 1, above, z)

    return Body(section, part)


STEPPED_UNEVENLY: tuple[Family, ...] = (
    box_families.arch,
    box_families.cone_steps,
    box_families.raised,
    box_families.stepped,
    box_families.notched,
    box_families.densities,
    round_families.rings,
    round_families.cones,
)


def irregular(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """What a tower has, but no step as high as the next, nor as any other."""
    count = chance.whole(3, 5)
    even = Steps(steps.first, 0.0, "none", (steps.top - steps.first) / count, count)
    body = chance.one_of(STEPPED_UNEVENLY)(chance, even, spot, layer)
    shares = [1.32**n * chance.between(0.95, 1.05) for n in range(count)]
    order: list[float] = []
    while shares:
        order.append(shares.pop(chance.whole(0, len(shares) - 1)))
    heights = [share / sum(order) * (steps.top - steps.first) for share in order]

    def section(step: int, above: float, z: float) -> list[Island]:
        below, number = steps.first, 0
        while number < count - 1 and z >= below + heights[number]:
            below += heights[number]
            number += 1
        if step < 0:
            return body.section(-1, above, z)
        inside = (z - below) / heights[number] * even.rise
        return body.section(number, inside, steps.first + number * even.rise + inside)

    return Body(section, body.foot)


def brick(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Walls, or the infill, that change every layer or every other."""
    part = _sides(chance, spot)
    every, out = chance.whole(1, 2) * layer, chance.between(0.1, 0.25)
    walls = chance.likely(0.5)
    fills = (Fill("lines", 2.0, 0.0), Fill("lines", 2.0, math.pi / 2) if chance.likely(0.5) else Fill("lines", 4.5))

    def section(step: int, above: float, z: float) -> list[Island]:
        odd = math.floor((z - steps.first) / every) % 2
        box_: Outline = Box(part.x0 - out * odd, part.y0 - out * odd, part.x1 + out * odd, part.y1 + out * odd)
        return [(box_ if walls else part, None if walls else fills[odd])]

    return Body(section, part)


def sponge(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Plain walls around an infill that waves with a period as high as a step might be."""
    part = _sides(chance, spot)
    fill = Fill("wavy", round(chance.between(2.5, 4.0), 2), 0.0, round(chance.between(3.0, 9.0), 2))
    return Body(lambda step, above, z: [(part, fill if 0 <= step < steps.count else None)], part)


def turning(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Plain walls around an infill that turns with each layer, once in 8 to 30 layers."""
    part = _sides(chance, spot)
    fill = Fill("turning", round(chance.between(2.5, 4.5), 2), 0.0, chance.whole(8, 30))
    return Body(lambda step, above, z: [(part, fill if 0 <= step < steps.count else None)], part)
