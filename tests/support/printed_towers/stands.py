"""Stands towers on the bed, one or two, with what lies under and over their bands."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from tests.support.printed_towers import features as f
from tests.support.printed_towers.geometry import Part, Section, box, circle, moved, rectangle
from tests.support.printed_towers.slicer import Shape
from tests.support.printed_towers.stepped import FAMILIES, Plan, high, plus


def single(plan: Plan, family: str, dice: random.Random) -> tuple[Shape, float]:
    """The shape, and its height in mm."""
    return _shape([FAMILIES[family](plan, dice)], (0.0,), dice)


def pair(plan: Plan, dice: random.Random) -> tuple[Shape, float]:
    """Two towers side by side with the same steps, drawn layer by layer."""
    towers = [FAMILIES[dice.choice(list(FAMILIES))](replace(plan, wide=plan.wide * 0.7), dice) for _ in range(2)]
    return _shape(towers, (0.0, plan.wide + dice.uniform(18, 30)), dice)


def strings(plan: Plan, dice: random.Random) -> tuple[Shape, float]:
    """Two slim posts apart, with a ledge at every band: threads show between them."""
    slim = dice.uniform(4, 8)
    post = replace(plan, wide=slim, deep=slim, round=dice.random() < 0.5, density=0.3)
    out, tall = dice.uniform(0.6, 2.0), high(plan, 0.6, 1.5, dice)
    post = plus(post, f.foot_ledge(out, tall) if dice.random() < 0.6 else f.taper(-min(out, slim / 4)))
    return _shape([post, post], (0.0, dice.uniform(20, 40)), dice)


def _shape(towers: list[Plan], places: tuple[float, ...], dice: random.Random) -> tuple[Shape, float]:
    """With the plinth, wider where it must be, and now and then a roof over whole bands."""
    plan = towers[0]
    broad = any(t.plain_start for t in towers) or plan.tall < 1 or dice.random() < 0.5
    apron = dice.uniform(1.5, 5.0) if broad else 0.0
    shared = dice.random() < 0.5
    turn = dice.choice((0.0, 0.0, math.pi / 2, math.pi, -math.pi / 2)) if len(towers) == 1 else 0.0
    roof = max(dice.uniform(0.8, 2.5), 3 * plan.layer) if plan.tall == 1 and dice.random() < 0.2 else 0.0
    eaves = dice.uniform(1.0, 2.0)

    def at(z: float) -> Section:
        if z < plan.plinth and apron:
            return _plate(towers, places, apron, shared)
        made: list[Part] = []
        for tower, x in zip(towers, places, strict=True):
            if z < plan.top:
                made += moved(tower.section(z), x)
            elif z < plan.top + roof:
                x0, y0, x1, y1 = box(loop for part in tower.section(plan.top - 0.01) for loop in part.loops)
                made.append(Part((rectangle(x0 + x - eaves, y0 - eaves, x1 + x + eaves, y1 + eaves),)))
        return tuple(made)

    return placed(at, turn), plan.top + roof


def _plate(towers: list[Plan], places: tuple[float, ...], apron: float, shared: bool) -> Section:
    loops = [
        rectangle(x - apron, -apron, x + t.wide + apron, t.deep + apron) for t, x in zip(towers, places, strict=True)
    ]
    if len(towers) == 1 and towers[0].round:
        loops = [circle(towers[0].wide / 2, towers[0].deep / 2, towers[0].wide / 2 + apron, 48)]
    return (Part((rectangle(*box(loops)),)),) if shared else tuple(Part((loop,)) for loop in loops)


def placed(shape: Shape, turn: float = 0.0) -> Shape:
    """In the middle of a bed of about 200 mm."""
    c, s = round(math.cos(turn)), round(math.sin(turn))

    def at(z: float) -> Section:
        return tuple(
            Part(
                tuple(tuple((100 + x * c - y * s, 90 + x * s + y * c) for x, y in loop) for loop in p.loops), p.density
            )
            for p in shape(z)
        )

    return at
