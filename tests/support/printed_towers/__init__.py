"""Printed test towers and other prints as sliced files, drawn from what is printed in the trade and from a seed alone.

Written apart from the finder of steps, and from the other makers of towers in these tests: it shares no line and no
figure with either. `python -m tests.support.printed_towers` holds it to the digest of seeds 0 to 199.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterable
from dataclasses import dataclass, replace

from tests.support.printed_towers import heights, stands, stepless, stepped
from tests.support.printed_towers.pen import Manner
from tests.support.printed_towers.slicer import drawn_cut, sliced

DIGEST = "c45f1f5107c9001c3a42ee2a4dcf0205604b5e6ac668576ed18bed098ba7f2a6"
"""SHA-256 over seeds 0 to 199: files and truths."""
TALLEST_MM, MOST_LAYERS = 110.0, 550
"""So that a file stays under about 60,000 lines."""


@dataclass(frozen=True, slots=True)
class PrintedTower:
    """A file and what is true of it, in mm; None where there are no regular steps. Layer: the thickest over the first.

    Cut: the last band is shorter than the rise; count counts it.
    """

    seed: int
    family: str
    gcode: bytes
    plinth_mm: float | None
    rise_mm: float | None
    count: int | None
    layer_mm: float
    cut: bool = False
    varied: bool = False

    def accepts(self, plinth: float, rise: float, count: int) -> bool:
        """Plinth, rise and every foot and top of a band within half a layer; a band that is cut may count or not."""
        if self.plinth_mm is None or self.rise_mm is None or self.count is None:
            return False
        if count != self.count and not (self.cut and count == self.count - 1):
            return False
        near = self.layer_mm / 2 + 1e-6
        whole = self.count - self.cut
        feet = [plinth - self.plinth_mm + (rise - self.rise_mm) * n for n in range(whole + 1)]
        return abs(rise - self.rise_mm) <= near and all(abs(foot) <= near for foot in feet)

    def summary(self) -> str:
        return f"{self.seed} {self.family} {self.plinth_mm} {self.rise_mm} {self.count} {self.cut} {self.layer_mm}"


def printed(seed: int) -> PrintedTower:
    """The same for the same seed, always."""
    dice = random.Random(f"printed towers {seed}")
    layer = dice.choice(heights.EVEN)
    thick = dice.choice((0.2, 0.24, 0.28, 0.32)) if dice.random() < 1 / 6 else None
    layer = thick or layer
    first = dice.choice((layer, layer, 0.2, 0.25, 0.3))
    if dice.random() < 0.2:
        return _stepless(seed, layer, first, thick is not None, dice)
    family = dice.choice([*stepped.FAMILIES, "pair", "pair", "strings", "strings"])
    others = {"pair": stands.pair, "strings": stands.strings}
    plan = _plan(layer, first, MOST_LAYERS // 2 if family in others else MOST_LAYERS, dice)
    shape, top = others[family](plan, dice) if family in others else stands.single(plan, family, dice)
    tops = _tops(layer, first, top, plan.rise, thick is not None, dice)
    gcode = sliced(shape, drawn_cut(tops, dice), Manner.drawn(dice), dice)
    cut = plan.tall < 1
    return PrintedTower(seed, family, gcode, plan.plinth, plan.rise, plan.count, layer, cut, thick is not None)


def _stepless(seed: int, layer: float, first: float, varied: bool, dice: random.Random) -> PrintedTower:
    name = "odd steps" if dice.random() < 0.25 else dice.choice(list(stepless.BODIES))
    shape, top = stepless.body(name, dice)
    tops = _tops(layer, first, top, dice.uniform(4, 20), varied, dice)
    cut = drawn_cut(tops, dice)
    if name == "wavy block":
        cut = replace(cut, pattern="wavy")
    if name == "vase" and dice.random() < 0.5:
        cut = replace(cut, spiral=True)
    gcode = sliced(shape, cut, Manner.drawn(dice), dice)
    return PrintedTower(seed, f"no steps: {name}", gcode, None, None, None, layer, varied=varied)


def _tops(layer: float, first: float, top: float, rise: float, varied: bool, dice: random.Random) -> tuple[float, ...]:
    if varied:
        return heights.varied(dice.choice((0.1, 0.12, 0.14)), layer, min(first, layer), top, rise, dice)
    return heights.even(layer, first, top)


def _plan(layer: float, first: float, layers: int, dice: random.Random) -> stepped.Plan:
    """Measures of the bands: many on the grid of the layers, many not."""
    count = dice.randrange(3, 15)
    most = min(20.0, min(TALLEST_MM, layers * layer) / count)
    rough = dice.uniform(4.0, max(4.2, most))
    kind = dice.choice(("layers", "layers", "tenths", "any", "inches"))
    on_grid = {"layers": round(rough / layer) * layer, "tenths": round(rough, 1), "any": rough}
    rise = on_grid.get(kind, round(rough / 25.4 * 16) * 25.4 / 16)
    plinth = 0.0
    if dice.random() < 0.75:
        thin = max(0.6, 3 * layer)
        plinth = dice.uniform(thin, 5.0)
        plinth = first + round((plinth - first) / layer) * layer if dice.random() < 0.5 else plinth
    return stepped.Plan(
        plinth=round(plinth, 3),
        rise=round(max(4.0, rise), 3),
        count=count,
        tall=dice.uniform(0.4, 0.8) if dice.random() < 0.15 else 1.0,
        layer=max(layer, first),
        wide=dice.uniform(14, 28),
        deep=dice.uniform(8, 20),
        density=dice.choice((0.1, 0.15, 0.2, 0.25)),
    )


def digest(seeds: Iterable[int]) -> str:
    """SHA-256 in hexadecimal over files and truths."""
    whole = hashlib.sha256()
    for seed in seeds:
        tower = printed(seed)
        whole.update(tower.summary().encode() + tower.gcode)
    return whole.hexdigest()
