"""Square-edged towers: openings, labels, wedges, grooves and notches on a box. Lengths mm."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from .chance import Chance
from .glyphs import ROWS, runs, width
from .infills import Fill
from .layout import Body, Island, Mark, Steps
from .outlines import Box, Bump, Point

LEG = 2.6
"""Least width left beside an opening."""


@dataclass(frozen=True, slots=True)
class Opening:
    """Through from front to back, from `low` to `high` above a step's foot, `half` wide to each side of each centre."""

    kind: str  # arch, window, round, diamond
    low: float
    high: float
    half: float
    centres: tuple[float, ...]

    def at(self, above: float) -> float:
        """Half its width at this height; 0 where there is none."""
        if not self.low <= above < self.high:
            return 0.0
        tall = self.high - self.low
        match self.kind:
            case "window":
                return self.half
            case "arch":
                crown = min(self.half, tall)
                over = above - (self.high - crown)
                return self.half if over <= 0 else self.half * math.sqrt(max(0.0, 1 - (over / crown) ** 2))
            case "round":
                return self.half * math.sqrt(max(0.0, 1 - (2 * (above - self.low) / tall - 1) ** 2))
            case "diamond":
                return self.half * (1 - abs(2 * (above - self.low) / tall - 1))
            case _:
                raise ValueError(f"no such opening: {self.kind}")


@dataclass(frozen=True, slots=True)
class Label:
    """A text for each step, `depth` out of a side (or in, negative); its rows of cells begin `low` above the foot."""

    texts: tuple[str, ...]
    side: int
    centre: float
    low: float
    cell: float
    depth: float

    def bumps(self, step: int, above: float) -> list[Bump]:
        row = math.floor((above - self.low) / self.cell)
        if not 0 <= row < ROWS or not 0 <= step < len(self.texts):
            return []
        text = self.texts[step]
        left = self.centre - width(text) * self.cell / 2
        return [Bump(self.side, left + a * self.cell, left + b * self.cell, self.depth) for a, b in runs(text, row)]


@dataclass(frozen=True, slots=True)
class Wedge:
    """Leans out of a side: from `low` above the foot up to `high`, `slope` mm outwards for each mm up."""

    side: int
    a: float
    b: float
    low: float
    high: float
    slope: float

    def bumps(self, above: float) -> list[Bump]:
        if not self.low < above < self.high:
            return []
        return [Bump(self.side, self.a, self.b, round((above - self.low) * self.slope, 3))]


@dataclass(frozen=True, slots=True)
class Look:
    """Everything a box may have on it."""

    box: Box
    opening: Opening | None = None
    label: Label | None = None
    wedges: tuple[Wedge, ...] = ()
    mark: Mark | None = None
    wider: float = 0.0  # each step by this much on every side than the one below
    shrink: Callable[[int, float, float], float] | None = None  # (step, above, z) → mm in on every side
    fills: tuple[Fill, ...] = ()  # one a step

    def section(self, steps: Steps, step: int, above: float, z: float) -> list[Island]:
        box = self._box(step, above, z)
        bumps: list[Bump] = []
        mark = self.mark
        if mark is not None and steps.at_mark(z, mark):
            if mark.side is None:
                box = _wider(box, mark.depth)
            else:
                bumps.append(Bump(mark.side, mark.a, mark.b, mark.depth))
        inside = 0 <= step < steps.count
        if inside and self.label is not None:
            bumps += self.label.bumps(step, above)
        if inside:
            bumps += [bump for wedge in self.wedges for bump in wedge.bumps(above)]
        half = self.opening.at(above) if inside and self.opening is not None else 0.0
        fill = self.fills[step] if inside and self.fills else None
        centres = self.opening.centres if self.opening is not None else ()
        return [(leg, fill) for leg in _legs(replace(box, bumps=tuple(bumps)), half, centres)]

    def _box(self, step: int, above: float, z: float) -> Box:
        by = self.wider * max(0, step)
        if self.shrink is not None:
            by -= self.shrink(step, above, z)
        return _wider(self.box, by)


def _wider(box: Box, by: float) -> Box:
    return Box(box.x0 - by, box.y0 - by, box.x1 + by, box.y1 + by)


def _legs(box: Box, half: float, centres: tuple[float, ...]) -> list[Box]:
    if half < 0.25:
        return [box]
    found, left = [], box.x0
    for centre in centres:
        found.append(_leg(box, left, centre - half))
        left = centre + half
    return [*found, _leg(box, left, box.x1)]


def _leg(box: Box, x0: float, x1: float) -> Box:
    """What of a box and its bumps lies between the two."""
    bumps = tuple(
        bump
        for bump in box.bumps
        if (bump.side in (0, 2) and bump.a < x1 and bump.b > x0)
        or (bump.side == 3 and x0 == box.x0)
        or (bump.side == 1 and x1 == box.x1)
    )
    return Box(x0, box.y0, x1, box.y1, bumps)


def as_body(look: Look, steps: Steps, **others: object) -> Body:
    return Body(lambda step, above, z: look.section(steps, step, above, z), look.box, look.mark, **others)  # type: ignore[arg-type]


# ---- parts of a look, drawn


def box(chance: Chance, spot: Point, wide: tuple[float, float], deep: tuple[float, float]) -> Box:
    x, y = chance.on_grid(*wide, 0.5) / 2, chance.on_grid(*deep, 0.5) / 2
    return Box(spot[0] - x, spot[1] - y, spot[0] + x, spot[1] + y)


def opening(chance: Chance, part: Box, steps: Steps, kind: str, low: float, high: float) -> Opening:
    """`low` and `high` as shares of the rise."""
    middle, half = (part.x0 + part.x1) / 2, (part.x1 - part.x0) / 2
    if half > 16 and chance.likely(0.5):
        room = half / 2 - LEG
        centres: tuple[float, ...] = (middle - half / 2, middle + half / 2)
    else:
        room, centres = half - LEG - 0.4, (middle,)
    return Opening(kind, low * steps.rise, high * steps.rise, room * chance.between(0.55, 0.95), centres)


def texts(chance: Chance, count: int, most: int) -> tuple[str, ...]:
    """One text a step, no two alike: temperatures, numbers from one, or letters."""
    if most >= 3:
        first, change = chance.whole(38, 52) * 5, chance.sign() * 5
        return tuple(str(first + change * n) for n in range(count))
    if chance.likely(0.5):
        return tuple("ABCDEFGHIJ"[n] for n in range(count))
    return tuple(str((n + 1) % 10) for n in range(count))


def label(chance: Chance, part: Box, steps: Steps, side: int, raised: bool) -> Label:
    """As tall as the step and the side allow, in the middle of both."""
    a, b = (part.x0, part.x1) if side in (0, 2) else (part.y0, part.y1)
    tall = steps.rise * chance.between(0.5, 0.72)
    most = 3 if (b - a - 3) / width("000") >= 0.8 and chance.likely(0.7) else 1
    cell = min(tall / ROWS, (b - a - 3) / width("0" * most))
    depth = chance.between(0.5, 1.0) if raised else -chance.between(0.4, 0.8)
    low = (steps.rise - cell * ROWS) / 2
    return Label(texts(chance, steps.count, most), side, (a + b) / 2, low, cell, round(depth, 2))


def wedge(chance: Chance, part: Box, steps: Steps, side: int) -> Wedge:
    """Up to the next step, where it ends at once."""
    a, b = (part.x0, part.x1) if side in (0, 2) else (part.y0, part.y1)
    middle, half = (a + b) / 2, (b - a) / 2 * chance.between(0.3, 0.8)
    slope = math.tan(math.radians(chance.between(25, 60)))
    low = steps.rise * chance.between(0.1, 0.6)
    slope = min(slope, 7.0 / (steps.rise - low))
    return Wedge(side, middle - half, middle + half, low, steps.rise, slope)


def groove(chance: Chance, layer: float, raised: bool | None = None) -> Mark:
    """All around: a groove, or a ledge. Two layers at least, so that one shows wherever it falls."""
    tall = max(chance.between(0.4, 1.0), 2 * layer)
    low = chance.one_of([-tall, -tall / 2, 0.0])
    out = chance.likely(0.35) if raised is None else raised
    depth = chance.between(0.6, 1.4)
    return Mark(round(low, 3), round(low + tall, 3), round(depth if out else -depth, 2))


def notch(chance: Chance, part: Box, layer: float) -> Mark:
    """On one side only, small."""
    around = groove(chance, layer, chance.likely(0.3))
    side = chance.whole(0, 3)
    a, b = (part.x0, part.x1) if side in (0, 2) else (part.y0, part.y1)
    wide = chance.between(2.0, 4.0)
    start = chance.between(a + 1.5, b - 1.5 - wide)
    return replace(around, side=side, a=round(start, 2), b=round(start + wide, 2))
