"""Families of square-edged towers. Each draws a body for the given steps at the given spot."""

from __future__ import annotations

import math
from dataclasses import replace

from .boxes import Look, as_body, box, groove, label, notch, opening, wedge
from .chance import Chance
from .infills import Fill
from .layout import Body, Mark, Steps
from .outlines import Point

MIDDLING = (16.0, 40.0), (8.0, 18.0)
"""Widths and depths of most boxes, mm."""


def arch(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """An arch in each step, open from the step's foot."""
    part = box(chance, spot, *MIDDLING)
    hole = opening(chance, part, steps, chance.one_of(["arch", "arch", "window"]), 0.0, chance.between(0.55, 0.85))
    return as_body(Look(part, hole), steps, curved=(0.3, 0.85))


def window(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A window in each step; in the middle of it, or a groove or ledge shows where the step ends."""
    part = box(chance, spot, *MIDDLING)
    marked = chance.likely(0.65)
    low = chance.between(0.15, 0.35)
    high = chance.between(0.55, 0.85) if marked else 1 - low
    hole = opening(chance, part, steps, chance.one_of(["window", "round", "diamond"]), low, high)
    look = Look(part, hole, mark=groove(chance, layer) if marked else None)
    return as_body(look, steps, curved=(low, high))


def cone_steps(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Each step tapers (or flares), and the next begins anew."""
    part = box(chance, spot, (16.0, 40.0), (16.0, 30.0))
    by = min(chance.between(1.2, 4.0), steps.rise * 0.9) * (1 if chance.likely(0.6) else -1)
    look = Look(part, shrink=lambda step, above, z: by * above / steps.rise if 0 <= step < steps.count else 0.0)
    return as_body(look, steps)


def taper(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A pyramid from foot to top, with a groove or ledge between steps."""
    part = box(chance, spot, (24.0, 44.0), (20.0, 36.0))
    by = (min(part.x1 - part.x0, part.y1 - part.y0) - 9.0) / 2 * chance.between(0.5, 1.0)
    shrink = lambda step, above, z: by * max(0.0, z - steps.first) / (steps.top - steps.first)  # noqa: E731
    return as_body(Look(part, mark=groove(chance, layer), shrink=shrink), steps, plain_first=True)


def raised(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Another numeral or letter on each step."""
    return _labelled(chance, steps, spot, layer, True)


def engraved(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """The same, cut in."""
    return _labelled(chance, steps, spot, layer, False)


def _labelled(chance: Chance, steps: Steps, spot: Point, layer: float, out: bool) -> Body:
    part = box(chance, spot, (18.0, 34.0), (9.0, 18.0))
    mark = groove(chance, layer) if chance.likely(0.65) else None
    text = label(chance, part, steps, 0, out)
    return as_body(Look(part, label=text, mark=mark), steps)


def stepped(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Each step smaller, or larger, than the one below."""
    by = round(chance.between(0.5, 1.6), 2)
    if chance.likely(0.65):
        least = 8.0 + 2 * by * steps.count
        part = box(chance, spot, (least, least + 14), (least, least + 10))
        by = -by
    else:
        part = box(chance, spot, (12.0, 20.0), (12.0, 20.0))
    return as_body(Look(part, wider=by), steps, plain_first=True)


def notched(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Smooth walls, and a small notch or knob where a step begins."""
    part = box(chance, spot, *MIDDLING)
    return as_body(Look(part, mark=notch(chance, part, layer)), steps, plain_first=True)


def densities(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A plain box whose infill is denser, or sparser, with each step."""
    part = box(chance, spot, (20.0, 34.0), (16.0, 28.0))
    least, most = chance.between(1.0, 1.6), chance.between(4.0, 7.0)
    style = chance.one_of(["lines", "grid", "triangles"])
    growth = (most / least) ** (1 / (steps.count - 1))
    fills = [Fill(style, round(least * growth**n, 2)) for n in range(steps.count)]
    return as_body(Look(part, fills=tuple(fills[:: chance.sign()])), steps, plain_first=True)


def patterns(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """A plain box with another infill pattern in each step than in the one below."""
    part = box(chance, spot, (20.0, 34.0), (16.0, 28.0))
    styles = ["lines", "grid", "triangles", "rings", "wavy"]
    spacing = chance.between(2.2, 4.0)
    fills: list[Fill] = []
    for _ in range(steps.count):
        style = chance.one_of([style for style in styles if not fills or style != fills[-1].style])
        angle = chance.one_of([0.0, math.pi / 4])
        fills.append(Fill(style, round(spacing, 2), angle, round(chance.between(5.0, 8.0), 1)))
    return as_body(Look(part, fills=tuple(fills)), steps, plain_first=True)


def wedges(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Something leans out of each step on one side or two."""
    part = box(chance, spot, (15.0, 30.0), (10.0, 20.0))
    sides = chance.one_of([(1,), (3,), (1, 3), (0,), (0, 2)])
    return as_body(Look(part, wedges=tuple(wedge(chance, part, steps, side) for side in sides)), steps)


def composite(chance: Chance, steps: Steps, spot: Point, layer: float) -> Body:
    """Window, label, wedge and groove together, as towers for judging heat are."""
    part = box(chance, spot, (26.0, 44.0), (10.0, 16.0))
    low = chance.between(0.15, 0.3)
    hole = opening(
        chance, part, steps, chance.one_of(["window", "round", "diamond", "arch"]), low, chance.between(0.6, 0.85)
    )
    hole = replace(hole, centres=((part.x0 + part.x1) / 2,), half=min(hole.half, (part.x1 - part.x0) / 2 - 4.0))
    text = label(chance, part, steps, 1, chance.likely(0.5)) if chance.likely(0.7) else None
    lean = (wedge(chance, part, steps, 3),) if chance.likely(0.7) else ()
    look = Look(part, hole, text, lean, groove(chance, layer))
    return as_body(look, steps, curved=(low, 0.85))


def thin(chance: Chance, steps: Steps, spot: Point, layer: float, mark: Mark | None = None) -> Body:
    """A slim column with a ledge between steps: for towers of two columns."""
    part = box(chance, spot, (7.0, 12.0), (7.0, 12.0))
    return as_body(Look(part, mark=mark or groove(chance, layer)), steps, plain_first=True)
