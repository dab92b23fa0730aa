"""Seeded towers with regular steps, and parts without any, by which finding of steps is judged.

`tower(seed)` writes one file of about 4,000 to 25,000 blocks. Its family is `seed` modulo FAMILIES; the last two are parts
without regular steps. What is true can be seen: a plinth or a cap has another outline, and the steps begin where it ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median

from tests.support.stepped_files import Bodies, Frame, Shape, file_of
from tests.support.tower_strokes import Body, Draw, Mark, Section

FAMILIES = 10
STEPPED = ("window", "taper", "letters", "stairs", "notch", "infill", "two", "spiral")
PLAIN = ("box", "cylinder", "cone", "vase", "random outline", "one feature", "uneven features", "short infill")


@dataclass(frozen=True, slots=True)
class Tower:
    """A file and what is true of it. `plinth_mm`, `rise_mm`, `count` are None where there are no regular steps."""

    gcode: bytes
    family: str
    plinth_mm: float | None
    rise_mm: float | None
    count: int | None
    layer_mm: float
    plain_first: bool = False

    def accepts(self, plinth: float, rise: float) -> bool:
        """Are both within half a usual layer? Never, of a part without steps.

        Two pairs of answers mean the same: where the first step carries no mark of its own it may be called the plinth; and
        no plinth is the same as one as high as a step.
        """
        if self.plinth_mm is None or self.rise_mm is None:
            return False
        near = self.layer_mm / 2 + 1e-6
        if abs(rise - self.rise_mm) > near:
            return False
        fits = [self.plinth_mm]
        if self.plain_first or self.plinth_mm < near:
            fits.append(self.plinth_mm + self.rise_mm)
        if abs(self.plinth_mm - self.rise_mm) <= near:
            fits.append(0.0)
        return any(abs(plinth - fit) <= near for fit in fits)


def tower(seed: int) -> Tower:
    """The tower of this seed: always the same bytes."""
    draw = Draw(seed * 7919 + 17)
    number = seed % FAMILIES
    if number < len(STEPPED):
        return _stepped(draw, STEPPED[number])
    return _plain(draw, PLAIN[(seed // FAMILIES * 2 + number - len(STEPPED)) % len(PLAIN)])


def _stepped(draw: Draw, family: str) -> Tower:
    raft = draw.likely(0.1) and family != "spiral"
    frame = _frame(draw, raft, {"spiral": 0, "infill": 220}.get(family, 450))
    body = _body(draw, family in ("letters",), family in ("spiral",))
    wider = draw.between(2, 6)
    shape = _shape(draw, family, frame, body)
    raft_mm = frame.layers[2][0] if raft else 0.0
    foot = Section(wider, (), 1.5)
    bottom, ends = frame.plinth - raft_mm, frame.rise * frame.count
    capped = draw.likely(0.15) and frame.top > frame.plinth + ends + 0.9 and family != "stairs"
    cap = Section(draw.between(1.5, 3) if draw.likely(0.5) else -draw.between(2, 3.5), (), 1.5)

    def whole(z: float) -> Section:
        if z < -bottom:
            return replace(foot, grow=foot.grow + 3, spacing=2.5)  # the raft
        if z < 0:
            return foot
        return cap if capped and z > ends else shape(z)

    bodies: Bodies = [(body, whole)]
    first = family == "notch"
    if family == "two":
        side = -1 if draw.likely(0.5) else 1
        other = _body(draw, False, False)
        other = replace(other, x=body.x + side * ((body.width + other.width) / 2 + draw.between(20, 25)), y=body.y)
        kind = ("window", "taper", "notch")[draw.whole(0, 2)]
        inner, first = _shape(draw, kind, frame, other), kind == "notch"
        bodies.append((other, lambda z: whole(z) if z < 0 or (capped and z > ends) else inner(z)))
    code = file_of(draw, frame, bodies, frame.plinth if family == "spiral" else None)
    usual = median(height for _, height in frame.layers)
    return Tower(code, family, round(frame.plinth, 4), round(frame.rise, 4), frame.count, usual, first)


def _frame(draw: Draw, raft: bool, most: int) -> Frame:
    """Heights at random: layers of up to three heights, a plinth or none, and sometimes the beginning of one more step.

    No more than about `most` layers, or a file grows too long; 0: a wall that rises all the way, with turns of one height.
    """
    rise, count = draw.between(3, 10), draw.whole(4, 10)
    rise = round(rise, 1) if draw.likely(0.5) else round(rise, 2)
    plinth = 0.0 if draw.likely(0.35) else round(draw.between(0.8, 6), 1)
    more = 0.0
    if draw.likely(0.35):
        more = rise * draw.between(0.25, 0.7) if draw.likely(0.5) else draw.between(1, 2.5)
    heights = [draw.whole(10, 32) / 100 for _ in range(draw.whole(2, 3) if most and draw.likely(0.2) else 1)]
    if most:
        floor = (plinth + rise * count + more) / most
        heights = [max(height, math.ceil(floor * 100) / 100) for height in heights]
    zones = sorted(draw.between(0, plinth + rise * count) for _ in heights[1:])
    z, layers = 0.0, []
    height = round(heights[0] + draw.between(-0.05, 0.1), 2) if draw.likely(0.6) else heights[0]
    bottom = 0.0
    while True:
        z = round(z + height, 3)
        layers.append((z, height))
        if raft and len(layers) == 3:
            bottom = z
        if z >= bottom + plinth + rise * count + more - height / 2:
            break
        height = heights[sum(z > zone for zone in zones)]
    return Frame(bottom + plinth, rise, count, z, tuple(layers))


def _body(draw: Draw, square: bool, round_one: bool) -> Body:
    x, y, width = draw.between(85, 115), draw.between(85, 115), draw.between(15, 50)
    if round_one or (draw.likely(0.35) and not square):
        return Body(x, y, width, width, draw.whole(24, 60))
    return Body(x, y, width, draw.between(15, 50))


def _shape(draw: Draw, family: str, frame: Frame, body: Body) -> Shape:
    """What the steps of a family look like, in every height above the lowest one."""
    rise, spacing = frame.rise, 0.0 if draw.likely(0.4) else draw.between(3, 9)
    match "notch" if family == "two" else family:
        case "window":
            return _window(draw, rise, spacing, body)
        case "taper":
            lean, low = draw.between(1.0, 3.0) * draw.between(0.6, 1), draw.likely(0.5)
            return lambda z: Section(-lean * (z % rise / rise if low else 1 - z % rise / rise), (), spacing)
        case "letters":
            return _letters(draw, frame, spacing, body)
        case "stairs":
            each = min(draw.between(0.5, 1.4), (min(body.width, body.depth) / 2 - 3.5) / (frame.count + 1))
            return lambda z: Section(-each * math.floor(z / rise), (), spacing)
        case "notch":
            return _notch(draw, rise, spacing, body)
        case "infill":
            return _infill(draw, frame, body)
        case "spiral":
            out, sharp, waist = draw.between(0.8, 2.5), draw.likely(0.4), draw.between(0.5, 2)
            return lambda z: Section(out * _bulge(z % rise / rise, sharp, waist))
        case _:
            raise ValueError(f"no such family: {family}")


def _bulge(share: float, sharp: bool, waist: float) -> float:
    return (1 - abs(2 * share - 1)) if sharp else math.sin(math.pi * share) ** (2 * waist)


def _window(draw: Draw, rise: float, spacing: float, body: Body) -> Shape:
    """An opening in the middle of each step, with a level or a round head; with a ledge under each step or without."""
    low = draw.between(0.15, 0.35)
    high, half = 1 - low, body.width * draw.between(0.12, 0.25)
    arched, ledge = draw.likely(0.5), draw.between(0.5, 1) if draw.likely(0.4) else 0.0
    through, deep = spacing == 0, -draw.between(1.5, 3)

    def section(z: float) -> Section:
        share = z % rise / rise
        grow = ledge if ledge and share * rise < 0.7 else 0.0
        if not low <= share <= high:
            return Section(grow, (), spacing)
        head = max(0.0, (share - (low + high) / 2) / (high - low) * 2) if arched else 0.0
        return Section(grow, (Mark(0.0, half * math.sqrt(1 - min(head, 0.99) ** 2), deep, through),), spacing)

    return section


def _letters(draw: Draw, frame: Frame, spacing: float, body: Body) -> Shape:
    """A sign of 5 by 7 dots on the front, another one in every step, in the middle of its height."""
    out, dot = draw.between(0.5, 1.2), body.width * 0.75 / 5
    low = draw.between(0.12, 0.25)
    signs = [[_row(draw, n) for n in range(7)] for _ in range(frame.count + 1)]

    def section(z: float) -> Section:
        step, share = int(z // frame.rise), z % frame.rise / frame.rise
        row = math.floor((share - low) / (1 - 2 * low) * 7)
        if not 0 <= row < 7:
            return Section(0.0, (), spacing)
        return Section(
            0.0, tuple(Mark((a + b) / 2 * dot, (b - a) / 2 * dot, out) for a, b in signs[step][row]), spacing
        )

    return section


def _row(draw: Draw, number: int) -> list[tuple[float, float]]:
    """The strokes of one row of a sign, in dots from its middle; the lowest and the highest row are never empty."""
    dots = [n for n in range(5) if draw.likely(0.5)] or ([draw.whole(0, 4)] if number in (0, 6) else [])
    runs: list[tuple[float, float]] = []
    for n in dots:
        if runs and runs[-1][1] == n - 2.5:
            runs[-1] = (runs[-1][0], n - 1.5)
        else:
            runs.append((n - 2.5, n - 1.5))
    return runs


def _notch(draw: Draw, rise: float, spacing: float, body: Body) -> Shape:
    """A smooth wall with a groove, all around or in the front alone, where one step ends and the next one begins."""
    deep, tall, around = draw.between(0.5, 1.2), draw.between(0.4, 0.9), draw.likely(0.5)
    half = body.width * draw.between(0.08, 0.3)

    def section(z: float) -> Section:
        if z < rise / 2 or z % rise > tall:
            return Section(0.0, (), spacing)
        return Section(-deep, (), spacing) if around else Section(0.0, (Mark(0.0, half, -deep - 0.3),), spacing)

    return section


def _infill(draw: Draw, frame: Frame, body: Body) -> Shape:
    """Lines closer or wider apart in each step: from one step to the next by two fifths at least; four or more across."""
    spacings = [draw.between(2.5, 8)]
    mixed, up = draw.likely(0.5), 1.4 if draw.likely(0.5) else 1 / 1.4
    for n in range(frame.count + 1):
        factor = draw.between(1.4, 2) ** (-1 if spacings[-1] > 4.5 else 1) if mixed else up ** (1 if n % 2 else -1)
        spacings.append(spacings[-1] * factor)
    scale = min(1.0, min(body.width, body.depth) / 5 / max(spacings))
    return lambda z: Section(0.0, (), scale * spacings[int(z // frame.rise)])


def _plain(draw: Draw, family: str) -> Tower:
    """A part that no person would find regular steps in."""
    frame = _frame(draw, False, 0 if family == "vase" else 450)
    body = _body(draw, family == "box", family in ("cylinder", "cone", "vase"))
    tall, spacing = frame.top, 0.0 if draw.likely(0.3) else draw.between(3, 9)
    shape: Shape
    match family:
        case "box" | "cylinder":
            shape = lambda z: Section(0.0, (), spacing)  # noqa: E731
        case "cone":
            lean = body.width * draw.between(0.1, 0.35)
            shape = lambda z: Section(-lean * z / tall, (), spacing)  # noqa: E731
        case "vase":
            out, turns, start = draw.between(1, 4), draw.between(0.2, 0.8), draw.between(0, math.tau)
            shape = lambda z: Section(out * math.sin(start + math.tau * turns * z / tall))  # noqa: E731
        case "random outline":
            shape = _wandering(draw, tall, spacing)
        case "one feature":
            low = draw.between(0.2, 0.6) * tall
            mark = Mark(0.0, body.width * draw.between(0.1, 0.25), -draw.between(0.6, 2.5))
            shape = lambda z: Section(0.0, (mark,) if low < z < low + frame.rise / 2 else (), spacing)  # noqa: E731
        case "uneven features":
            shape = _uneven(draw, tall, spacing, body)
        case "short infill":
            wide, period, other = draw.between(3, 7), draw.whole(2, 4), draw.between(1.5, 2.2)
            at = {top: n for n, (top, _) in enumerate(frame.layers)}
            middles = {round(top - height / 2, 6): at[top] for top, height in frame.layers}
            shape = lambda z: Section(0.0, (), wide * (1 if middles[round(z, 6)] % period else other))  # noqa: E731
        case _:
            raise ValueError(f"no such family: {family}")
    usual = median(height for _, height in frame.layers)
    code = file_of(draw, replace(frame, plinth=0.0), [(body, shape)], 0.0 if family == "vase" else None)
    return Tower(code, family, None, None, None, usual)


def _wandering(draw: Draw, tall: float, spacing: float) -> Shape:
    """A wall that wanders in and out at random, straight between knots at uneven heights."""
    knots = [(0.0, 0.0)]
    while knots[-1][0] < tall:
        far = draw.between(1.5, 9)
        knots.append((knots[-1][0] + far, max(-4.0, min(4.0, knots[-1][1] + draw.between(-0.4, 0.4) * far))))

    def section(z: float) -> Section:
        n = next(n for n, knot in enumerate(knots) if knot[0] >= z)
        (z0, a), (z1, b) = knots[max(0, n - 1)], knots[max(1, n)]
        return Section(a + (b - a) * (z - z0) / (z1 - z0), (), spacing)

    return section


def _uneven(draw: Draw, tall: float, spacing: float, body: Body) -> Shape:
    """Grooves at distances of which no two neighbours are alike."""
    half, deep = body.width * draw.between(0.1, 0.3), draw.between(0.6, 1.5)
    far, z, places = draw.between(3, 8), 0.0, []
    while (z := z + far) < tall:
        places.append(z)
        far = far * draw.between(1.35, 2) if far < 5.5 else far / draw.between(1.35, 2)
    return lambda z: Section(0.0, (Mark(0.0, half, -deep),) if any(0 < z - p < 0.8 for p in places) else (), spacing)
