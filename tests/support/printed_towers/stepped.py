"""Towers with regular steps, by families: which features go together."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.support.printed_towers import features as f
from tests.support.printed_towers.geometry import Section
from tests.support.printed_towers.slab import Slab


@dataclass(frozen=True, slots=True)
class Plan:
    """The truth, in mm, and the block. Tall: the share of the last band that is there. Layer: the thickest one."""

    plinth: float
    rise: float
    count: int
    tall: float
    layer: float
    wide: float
    deep: float
    density: float
    round: bool = False
    features: tuple[f.Feature, ...] = ()
    plain_start: bool = False
    """The block alone does not show where a plinth of its own width ends."""

    @property
    def top(self) -> float:
        return self.plinth + self.rise * (self.count - 1 + self.tall)

    def slab(self) -> Slab:
        return Slab(0.0, 0.0, self.wide, self.deep, self.density, self.wide / 2 if self.round else None)

    def section(self, z: float) -> Section:
        slab, up = self.slab(), z - self.plinth
        if up >= 0:
            n = min(self.count - 1, int(up / self.rise))
            for feature in self.features:
                feature(slab, f.Spot(n, up - n * self.rise, self.rise, self.count, self.plinth == 0))
        return slab.section()


Family = Callable[[Plan, random.Random], Plan]


def high(plan: Plan, low: float, most: float, dice: random.Random) -> float:
    """Of a mark: two layers and a half at least, so that any way to cut it shows it; a third of the rise at most."""
    return min(max(dice.uniform(low, most), 2.5 * plan.layer), plan.rise / 3)


def mark(plan: Plan, dice: random.Random) -> Plan:
    """A line between bands that a caliper finds."""
    kind = dice.choice(("foot groove", "foot groove", "top groove", "foot ledge", "foot ledge", "top ledge", "fine"))
    tall = high(plan, 0.4, 1.2, dice)
    made = {
        "foot groove": f.foot_groove(dice.uniform(0.4, 1.2), tall),
        "top groove": f.top_groove(dice.uniform(0.4, 1.2), tall),
        "foot ledge": f.foot_ledge(dice.uniform(0.5, 2.0), tall),
        "top ledge": f.top_ledge(dice.uniform(0.5, 2.0), tall),
        "fine": f.foot_groove(dice.uniform(0.3, 0.4), high(plan, 0.2, 0.5, dice)),
    }[kind]
    return replace(plan, features=(*plan.features, made), plain_start=plan.plain_start or kind.startswith("top"))


def plus(plan: Plan, *features: f.Feature, plain: bool = False) -> Plan:
    return replace(plan, features=(*plan.features, *features), plain_start=plan.plain_start or plain)


def lettered(plan: Plan, dice: random.Random) -> Plan:
    first, step, figures = dice.choice(((190, 5, 3), (240, -5, 3), (20, 10, 2), (1, 1, 1), (10, -1, 1), (300, 50, 3)))
    texts = [str(abs(first + step * n) % 10**figures).zfill(figures) for n in range(plan.count)]
    cell = min(1.1, (plan.wide - 3) / (6 * figures))
    tall = min(0.9, (plan.rise - 2.2) / 7.5)
    if tall < plan.layer:
        return plan  # no figure could be read
    foot = dice.uniform(1.3, max(1.3, plan.rise - 7 * tall - 0.6))
    return plus(plan, f.digits(texts, cell, tall, foot, dice.choice((-0.4, -0.6, 0.4, 0.6, 0.8))))


def arches(plan: Plan, dice: random.Random) -> Plan:
    form, wide = dice.choice(("arch", "arch", "flat", "pointed")), dice.uniform(0.3, 0.7) * plan.wide
    if dice.random() < 0.5:
        return plus(plan, f.window(form, 0.0, dice.uniform(0.6, 0.85), wide))
    low = dice.uniform(0.2, 0.35)
    return mark(plus(plan, f.window(form, low, dice.uniform(0.7, 0.9), wide)), dice)


def bores(plan: Plan, dice: random.Random) -> Plan:
    wide = min(0.55 * plan.rise, 0.25 * plan.wide) if (two := dice.random() < 0.4) else 0.6 * plan.rise
    half = wide / plan.rise / 2
    holes = [f.window("round", 0.55 - half, 0.55 + half, wide, x) for x in ((0.28, 0.72) if two else (0.5,))]
    return mark(plus(plan, *holes), dice)


def bridges(plan: Plan, dice: random.Random) -> Plan:
    """Two posts, and a bridge that ends each band."""
    post = dice.uniform(2.5, 5.0)
    roof = 1 - high(plan, 0.8, 2.0, dice) / plan.rise
    plan = replace(plan, deep=dice.uniform(4, 10), wide=max(plan.wide, 18.0))
    return plus(plan, f.window("flat", 0.0, roof, plan.wide - 2 * post))


def overhangs(plan: Plan, dice: random.Random) -> Plan:
    out = min(8.0, plan.rise * dice.uniform(0.4, 1.3))
    plan = plus(plan, f.wedge(out, dice.choice((0.0, 0.0, 0.3, 0.5)), dice.random() < 0.5))
    return lettered(plan, dice) if dice.random() < 0.4 else plan


def coned(plan: Plan, dice: random.Random) -> Plan:
    out = dice.uniform(4, 7)
    return plus(plan, f.cones(out, high(plan, 0.6, 1.2, dice), dice.choice((1, 2, 3)), out / 3, dice.uniform(0.5, 0.9)))


def ledges(plan: Plan, dice: random.Random) -> Plan:
    tall = high(plan, 0.5, 1.5, dice)
    made = dice.choice((f.shelf(dice.uniform(1, 4), tall), f.tab(dice.uniform(0.8, 2), dice.uniform(3, 6), tall)))
    plan = plus(plan, made)
    return lettered(plan, dice) if dice.random() < 0.5 else plan


def lettered_lines(plan: Plan, dice: random.Random) -> Plan:
    return lettered(mark(plan, dice), dice)


def tapered(plan: Plan, dice: random.Random) -> Plan:
    out = dice.uniform(0.8, min(3.0, plan.rise * 0.5))
    narrow = dice.random() < 0.3
    plan = plus(plan, f.taper(-min(out, plan.deep / 5) if narrow else out))
    return plus(plan, f.bore(plan.deep / 5)) if not narrow and dice.random() < 0.4 else plan


def by_turns(plan: Plan, dice: random.Random) -> Plan:
    kind = dice.choice(("terraces", "ribs", "width"))
    if kind == "width":
        return lettered(plus(plan, f.every_other(dice.choice((-0.8, -0.5, 0.5, 0.8, 1.2))), plain=True), dice)
    other = f.terraces(dice.uniform(0.3, 0.5), max(0.8, 3 * plan.layer)) if kind == "terraces" else f.ribs(0.6, 1.4)
    return mark(plus(plan, other), dice)


def twisted(plan: Plan, dice: random.Random) -> Plan:
    step = math.radians(dice.choice((10, 15, 20, 30, 40)))
    angles = [step * n for n in range(plan.count)] if dice.random() < 0.6 else [0.0, step]
    return plus(plan, f.turn(angles), plain=True)


def staircase(plan: Plan, dice: random.Random) -> Plan:
    step = dice.uniform(0.5, min(1.5, (min(plan.wide, plan.deep) / 2 - 3) / plan.count + 0.2))
    most = step * plan.count * 2 + 5
    return plus(replace(plan, wide=max(plan.wide, most), deep=max(plan.deep, most)), f.stairs(step), plain=True)


def filled(plan: Plan, dice: random.Random) -> Plan:
    shares = [0.05 + 0.4 * n / plan.count for n in range(plan.count)]
    if dice.random() < 0.5:
        dice.shuffle(shares)
    return mark(plus(plan, f.density(shares)), dice)


def leaning(plan: Plan, dice: random.Random) -> Plan:
    slopes = [0.25 + 0.9 * n / plan.count for n in range(plan.count)]
    return plus(plan, f.lean(slopes if dice.random() < 0.6 else [0.5]))


def rings(plan: Plan, dice: random.Random) -> Plan:
    plan = replace(plan, round=True, deep=plan.wide)
    kind = dice.choice(("bulge", "disc", "cone", "mark"))
    if kind == "mark":
        return mark(plan, dice)
    if kind == "bulge":
        return plus(plan, f.bulge(dice.uniform(0.8, 2.5)))
    if kind == "cone":
        return plus(plan, f.taper(dice.choice((-1, 1)) * dice.uniform(0.8, 3.0)))
    slim = replace(plan, wide=plan.wide * 0.5, deep=plan.wide * 0.5)
    return plus(slim, f.foot_ledge(dice.uniform(3, 7), high(plan, 0.6, 1.6, dice)))


FAMILIES: dict[str, Family] = {
    "arches": arches, "bores": bores, "bridges": bridges, "overhangs": overhangs, "cones": coned, "ledges": ledges,
    "digits": lettered_lines, "taper": tapered, "by turns": by_turns, "twist": twisted, "staircase": staircase,
    "infill": filled, "lean": leaning, "rings": rings, "lines": mark,
}  # fmt: skip
