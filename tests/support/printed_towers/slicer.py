"""Cuts a shape into layers and draws them: walls, sparse infill by a pattern, solid where nothing lies over or under."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.support.printed_towers.geometry import (
    Loop,
    Part,
    Section,
    Span,
    area,
    both,
    box,
    inset,
    rectangle,
    scan,
    without,
)
from tests.support.printed_towers.pen import WIDTH, Manner, Pen

Shape = Callable[[float], Section]
"""The section at a height in mm."""
PATTERNS = {
    "lines": (0.0, 90.0),
    "slanting": (45.0, -45.0),
    "three ways": (0.0, 60.0, 120.0),
    "turning": (0.0, 30.0, 60.0, 90.0, 120.0, 150.0),
    "columns": (45.0,),
    "pairs": (45.0, 45.0, -45.0, -45.0),
    "wavy": (0.0, 90.0),
}
"""Degrees of the lines, layer after layer."""
WAVE = 0.4
"""mm that wavy lines swing to either side."""
CHANGED = 0.03
"""Of the area: a slicer covers what changes by more; a gentle slope goes without."""


@dataclass(frozen=True, slots=True)
class Cut:
    """How a shape is cut. Tops of the layers in mm."""

    tops: tuple[float, ...]
    pattern: str
    walls: int
    skins: int
    aligned: bool
    spiral: bool = False
    """Over the bottom, one wall that climbs all the way round."""


def drawn_cut(tops: tuple[float, ...], dice: random.Random) -> Cut:
    return Cut(
        tops, dice.choice(list(PATTERNS)), dice.choice((1, 2, 2, 3)), dice.choice((1, 2, 3)), dice.random() < 0.6
    )


def sliced(shape: Shape, cut: Cut, manner: Manner, dice: random.Random) -> bytes:
    """A whole file. A layer takes the section at half its height."""
    bottoms = (0.0, *cut.tops[:-1])
    sections = [shape((low + high) / 2) for low, high in zip(bottoms, cut.tops, strict=True)]
    pen = Pen(manner)
    pen.start()
    for number, (low, high, section) in enumerate(zip(bottoms, cut.tops, sections, strict=True)):
        if not section:
            continue
        if cut.spiral and low > 1.2:
            pen.climb(section[0].loops[0], high)
            continue
        pen.layer(number, high, high - low)
        if number == 0:
            _skirts(pen, section)
        under = sections[number - cut.skins] if number >= cut.skins else ()
        over = sections[number + cut.skins] if number + cut.skins < len(sections) else ()
        bare = _differs(section, under) or _differs(section, over)
        for part in section if number % 2 else section[::-1]:
            _walls(pen, part, cut, dice)
            _infill(pen, part, cut, number, (under, over) if bare else None)
    pen.end()
    return pen.written()


def _differs(one: Section, other: Section) -> bool:
    if one == other:
        return False
    areas = [sum(area(loop) for part in section for loop in part.loops) for section in (one, other)]
    return len(one) != len(other) or abs(areas[0] - areas[1]) > CHANGED * areas[0]


def _skirts(pen: Pen, section: Section) -> None:
    x0, y0, x1, y1 = box(loop for part in section for loop in part.loops)
    for n in range(pen.manner.skirts):
        gap = 4 - n * WIDTH
        pen.loop(rectangle(x0 - gap, y0 - gap, x1 + gap, y1 + gap), 1200)


def _walls(pen: Pen, part: Part, cut: Cut, dice: random.Random) -> None:
    pen.remark("walls")
    for loop in part.loops:
        first = 0 if cut.aligned else dice.randrange(len(loop))
        for n in reversed(range(cut.walls)):
            wall = inset(loop, WIDTH * (n + 0.5))
            if wall is not None:
                pen.loop(wall, pen.manner.speed // (1 if n else 2), first)


def _infill(pen: Pen, part: Part, cut: Cut, number: int, near: tuple[Section, Section] | None) -> None:
    ways = PATTERNS[cut.pattern]
    angle = math.radians(ways[number % len(ways)])
    spacing = WIDTH / part.density if part.density > 0 else 0.0
    if near is None:
        wave = WAVE if cut.pattern == "wavy" else 0.0
        if spacing:
            pen.remark("inside")
            _rows(pen, scan(_inside(part, cut, wave), angle, spacing), angle, spacing, wave, number)
        return
    pen.remark("cover")
    covers = [scan([loop for one in section for loop in one.loops], angle, WIDTH) for section in near]
    every = round(1 / part.density) if part.density > 0 else 0
    rows: dict[int, list[Span]] = {}
    for n, inner in scan(_inside(part, cut, 0.0), angle, WIDTH).items():
        closed = both(both(inner, covers[0].get(n, [])), covers[1].get(n, []))
        rows[n] = inner if every and n % every == 0 else list(without(inner, closed))
    _rows(pen, rows, angle, WIDTH, 0.0, number)


def _inside(part: Part, cut: Cut, wave: float) -> list[Loop]:
    """What the walls leave; nothing, where they leave no outer loop."""
    left = [inset(loop, WIDTH * (cut.walls + 0.2) + wave) for loop in part.loops]
    return [loop for loop in left if loop is not None] if left[0] is not None else []


def _rows(pen: Pen, rows: dict[int, list[Span]], angle: float, spacing: float, wave: float, number: int) -> None:
    """To and fro; with a wave (mm) they swing about their lines, and the wave wanders from layer to layer."""
    c, s = math.cos(angle), math.sin(angle)
    for n, spans in rows.items():
        y = (n + 0.5) * spacing
        for low, high in spans if n % 2 else spans[::-1]:
            if high - low < 0.4:
                continue
            steps = math.ceil((high - low) / 2.2) if wave else 1
            xs = [low + (high - low) * k / steps for k in range(steps + 1)]
            points = [(x, y + wave * math.sin(x * 0.9 + number * 0.21)) for x in xs]
            if n % 2:
                points.reverse()
            turned = [(x * c - v * s, x * s + v * c) for x, v in points]
            pen.travel(turned[0])
            pen.draw(turned[1], pen.manner.speed)
            for point in turned[2:]:
                pen.draw(point)
