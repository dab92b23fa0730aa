"""Prints in which nobody would see regular steps: plain bodies, figures, and blocks whose features come at odd heights."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from itertools import pairwise

from tests.support.printed_towers import features as f
from tests.support.printed_towers.geometry import Loop, Part, Section, circle, hole, rectangle, turned
from tests.support.printed_towers.slicer import Shape
from tests.support.printed_towers.stands import placed
from tests.support.printed_towers.stepped import FAMILIES, Plan

Body = tuple[Shape, float]
"""A shape round about 0, 0, and its height in mm."""
Profile = Sequence[tuple[float, float]]
"""Height and radius, straight between; equal heights make a step."""


def _round(radius: Callable[[float], float], density: float = 0.15, corners: int = 40) -> Shape:
    def at(z: float) -> Section:
        r = radius(z)
        return (Part((circle(0, 0, r, corners),), density),) if r > 0.6 else ()

    return at


def _between(profile: Profile, z: float) -> float:
    for (low, r0), (high, r1) in pairwise(profile):
        if low <= z < high:
            return r0 + (r1 - r0) * (z - low) / (high - low)
    return 0.0


def box_plain(dice: random.Random) -> Body:
    x, y = dice.uniform(8, 18), dice.uniform(8, 18)
    part = Part((rectangle(-x, -y, x, y),), dice.choice((0.1, 0.15, 0.25)))
    return (lambda z: (part,)), dice.uniform(15, 60)


def cylinder(dice: random.Random) -> Body:
    radius, bore = dice.uniform(8, 16), dice.choice((0.0, 3.0, 5.0))
    loops = (circle(0, 0, radius, 48), *((hole(circle(0, 0, bore, 24)),) if bore else ()))
    return (lambda z: (Part(loops),)), dice.uniform(15, 60)


def cone(dice: random.Random) -> Body:
    foot, tip, tall = dice.uniform(10, 20), dice.uniform(0.5, 8), dice.uniform(20, 60)
    return _round(lambda z: foot + (tip - foot) * z / tall, corners=dice.choice((4, 6, 48))), tall


def ball(dice: random.Random) -> Body:
    r, sunk = dice.uniform(10, 20), dice.uniform(1, 5)
    return _round(lambda z: math.sqrt(max(0.0, r * r - (z + sunk - r) ** 2))), 2 * r - sunk


def vase(dice: random.Random) -> Body:
    """Lobed, hollow, bulging once and turning slowly; a bottom of 1.2 mm."""
    r, tall, lobes = dice.uniform(12, 20), dice.uniform(30, 70), dice.choice((5, 6, 8))
    twist, belly = dice.uniform(0, 1.2), dice.uniform(0.1, 0.35)

    def at(z: float) -> Section:
        wide = r * (1 + belly * math.sin(4.2 * z / tall))
        turns = [math.tau * n / 40 for n in range(40)]
        radii = [wide * (1 + 0.08 * math.cos(lobes * turn + twist * z / tall * math.tau)) for turn in turns]
        loop = tuple((q * math.cos(a), q * math.sin(a)) for q, a in zip(radii, turns, strict=True))
        return (Part((loop,), 1.0 if z < 1.2 else 0.0),)

    return at, tall


def rook(dice: random.Random) -> Body:
    k, merlons = dice.uniform(0.8, 1.3), dice.choice((4, 5, 6))
    outline = [(0, 12), (3, 12), (3, 10.5), (5, 9), (8, 7.5), (24, 6), (27, 8.5), (30, 8.5), (34, 8.5)]
    profile = [(z * k, r * k) for z, r in outline]

    def at(z: float) -> Section:
        r = _between(profile, z)
        if z < 30 * k:
            return (Part((circle(0, 0, r, 40),)),)
        return tuple(Part((_sector(r - 3 * k, r, n / merlons, 0.6 / merlons),)) for n in range(merlons))

    return at, 34 * k - 0.01


def _sector(inner: float, outer: float, begin: float, size: float) -> Loop:
    turns = [math.tau * (begin + size * n / 5) for n in range(6)]
    arc = [(outer * math.cos(a), outer * math.sin(a)) for a in turns]
    return (*arc, *((inner * math.cos(a), inner * math.sin(a)) for a in reversed(turns)))


def pawn(dice: random.Random) -> Body:
    k = dice.uniform(0.9, 1.4)
    outline = [(0, 11), (3, 11), (4.5, 8), (7, 6.5), (16, 4), (16, 6.5), (18, 6.5), (18, 3.5), (19, 4.5), (22, 6.5),
               (25, 6.5), (28, 4.5), (30, 1.0)]  # fmt: skip
    return _round(lambda z: _between([(h * k, r * k) for h, r in outline], z)), 30 * k - 0.01


def windowed(dice: random.Random) -> Body:
    """A hollow house with one window, and a gable now and then."""
    x, y, tall = dice.uniform(12, 20), dice.uniform(10, 16), dice.uniform(20, 35)
    low, high, half = dice.uniform(4, 8), dice.uniform(12, 17), dice.uniform(3, 6)
    gable = dice.choice((0.0, 8.0, 12.0))
    inner = hole(rectangle(4 - x, 4 - y, x - 4, y - 4))
    notched = (
        (-x, -y), (-half, -y), (-half, 4 - y), (4 - x, 4 - y), (4 - x, y - 4), (x - 4, y - 4), (x - 4, 4 - y),
        (half, 4 - y), (half, -y), (x, -y), (x, y), (-x, y),
    )  # fmt: skip

    def at(z: float) -> Section:
        if z < 1.5:
            return (Part((rectangle(-x, -y, x, y),)),)
        if z > tall:
            half_x = x * (1 - 0.9 * (z - tall) / max(gable, 1.0))
            return (Part((rectangle(-half_x, -y, half_x, y),)),)
        return (Part((notched,)),) if low < z < high else (Part((rectangle(-x, -y, x, y), inner)),)

    return at, tall + gable


def prism(dice: random.Random) -> Body:
    """Turns all the way up."""
    r, tall, turn = dice.uniform(10, 18), dice.uniform(25, 60), dice.uniform(0.6, 2.5)
    corners = dice.choice((3, 4, 5, 6))
    return (lambda z: (Part((circle(0, 0, r, corners, turn * z / tall),)),)), tall


def bracket(dice: random.Random) -> Body:
    """An upright plate on a foot, with one bore through it and a strut."""
    wide, tall, thick = dice.uniform(15, 22), dice.uniform(25, 45), dice.uniform(4, 7)
    bore, strut = dice.uniform(3, 5), dice.uniform(8, 16)

    def at(z: float) -> Section:
        if z < thick:
            return (Part((rectangle(-wide, -15, wide, 12),)),)
        up = z - tall * 0.7
        if abs(up) < bore:
            x = math.sqrt(bore * bore - up * up)
            return (Part((rectangle(-wide, 12 - thick, -x, 12),)), Part((rectangle(x, 12 - thick, wide, 12),)))
        back = max(0.0, strut - (z - thick))
        plate = rectangle(-wide, 12 - thick, wide, 12)
        if back < 0.5:
            return (Part((plate,)),)
        y = 12 - thick
        ribbed = ((-wide, y), (-2, y), (-2, y - back), (2, y - back), (2, y), (wide, y), (wide, 12), (-wide, 12))
        return (Part((ribbed,)),)

    return at, tall


def hull(dice: random.Random) -> Body:
    """Of a small boat with a cabin and a funnel."""
    k = dice.uniform(1.0, 1.3)

    def at(z: float) -> Section:
        up = z / k
        if up < 14:
            swell = 0.55 + 0.45 * math.sqrt(up / 14)
            shape = ((-18, -8), (6, -8), (15, -5), (21, 0), (15, 5), (6, 8), (-18, 8))
            body = tuple((x * k * swell, y * k * swell) for x, y in shape)
            return (Part((body,)) if up < 4 else Part((body, hole(tuple((x * 0.75, y * 0.5) for x, y in body)))),)
        if up < 26:
            roof = rectangle(-10 * k, -5 * k, 4 * k, 5 * k)
            return (Part((roof,) if up > 24 else (roof, hole(rectangle(-6.5 * k, -1.5 * k, 0.5 * k, 1.5 * k)))),)
        return (Part((circle(-6 * k, 0, 2.5 * k, 20),)),)

    return at, 33 * k


def two_steps(dice: random.Random) -> Body:
    """A block on a larger one: that is no flight of stairs."""
    low, tall, x = dice.uniform(4, 12), dice.uniform(25, 45), dice.uniform(8, 12)
    out, turn = dice.uniform(1.5, 6), dice.choice((0.0, 0.4))
    foot, block = rectangle(-x - out, -x - out, x + out, x + out), turned(rectangle(-x, -x, x, x), turn)
    return (lambda z: (Part((foot if z < low else block,)),)), tall


def odd_steps(dice: random.Random) -> Body:
    """Made as a tower is, but its bands have heights of which no rise is the measure."""
    feet = _odd_feet(dice)
    plan = Plan(0.0, 4.0, len(feet) - 1, 1.0, 0.3, dice.uniform(16, 28), dice.uniform(10, 20), 0.15)
    plan = FAMILIES[dice.choice(("lines", "ledges", "staircase", "taper", "arches", "overhangs"))](plan, dice)

    def at(z: float) -> Section:
        n = max(k for k, foot in enumerate(feet[:-1]) if foot <= z)
        slab = plan.slab()
        for feature in plan.features:
            feature(slab, f.Spot(n, z - feet[n], feet[n + 1] - feet[n], plan.count, False))
        return slab.section()

    return at, feet[-1]


def _odd_feet(dice: random.Random) -> list[float]:
    while True:
        rises = [dice.uniform(4, 16) for _ in range(dice.randrange(4, 8))]
        feet = [sum(rises[:n]) for n in range(len(rises) + 1)]
        near = any(abs(a / b - 1) < 0.12 for n, a in enumerate(rises) for b in rises[:n])
        grids = (r / 20 for r in range(60, 400))
        if not near and not any(all(abs(z / g - round(z / g)) < 0.12 for z in feet[1:]) for g in grids):
            return feet


BODIES: dict[str, Callable[[random.Random], Body]] = {
    "box": box_plain, "wavy block": box_plain, "cylinder": cylinder, "cone": cone, "ball": ball, "vase": vase,
    "rook": rook, "pawn": pawn, "house": windowed, "prism": prism, "bracket": bracket, "boat": hull,
    "two blocks": two_steps, "odd steps": odd_steps,
}  # fmt: skip


def body(name: str, dice: random.Random) -> Body:
    shape, tall = BODIES[name](dice)
    return placed(shape), tall
