"""Files of stepped towers: what bodies are at each height becomes layers, lines and blocks. Lengths in mm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.support.tower_strokes import Body, Draw, Manner, Path, Pen, Section, hatch

FEWEST, MOST = 6_000, 16_000
"""Blocks aimed at; half of the lines' number may come on top or be missing, so the file stays within 4,000 to 25,000."""
DRAFT_MOST = 22_000
"""Blocks before lines are parted: where there are more, infill is wider apart and round walls have fewer corners."""

Shape = Callable[[float], Section]
"""The cross-section at a height in mm above the lowest step (negative: in the plinth)."""
Bodies = list[tuple[Body, Shape]]
Lines = list[tuple[Path, float]]
"""A path each with 0, or the middle of a circle with its radius; of a wall that rises, the path with its height."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Heights of a tower in mm: what the steps stand on, one step, their number, all of it, and the layers as (top, height)."""

    plinth: float
    rise: float
    count: int
    top: float
    layers: tuple[tuple[float, float], ...]


def file_of(draw: Draw, frame: Frame, bodies: Bodies, spiral_from: float | None) -> bytes:
    """The blocks. From `spiral_from` mm above the bed on the wall rises all the way in one line."""
    relative = draw.likely(0.6)
    pull = draw.between(0.5, 5) if draw.likely(0.7) else 0.0
    comment = ("", ";layer {n}", "; z = {z:.2f}")[draw.whole(0, 2)]
    arcs = ("G2", "G3")[draw.whole(0, 1)] if draw.likely(0.25) else ""
    word, feed = ("G0", "G1")[draw.whole(0, 1)], draw.whole(20, 60) * 60
    hop = draw.between(0.2, 0.6) if pull and draw.likely(0.3) else 0.0
    manner = Manner(relative, not relative and draw.likely(0.5), pull, hop, arcs, word, comment, feed)
    walls, extras, aim = draw.whole(1, 2), _extras(draw, frame, bodies), draw.whole(FEWEST, MOST)
    start = [
        "M140 S60",
        f"M104 S{draw.whole(195, 225)}",
        "G28",
        "G90",
        "M83" if relative else "M82",
        "G92 E0",
        "M106 S128",
    ]
    coarse = 1.0
    while True:
        work = _layers(frame, bodies, spiral_from, (walls, bool(arcs), coarse), extras)
        turns = _turns(frame, bodies, len(work), coarse) if spiral_from is not None else []
        draft = Pen(manner)
        _write(draft, work, turns)
        if len(draft.lines) <= DRAFT_MOST:
            break
        coarse, walls = coarse * max(1.3, len(draft.lines) / DRAFT_MOST), 1
    lines = sum(" E" in line and "X" in line for line in draft.lines)
    pen = Pen(manner, lines=start)
    if aim > len(draft.lines):
        pen.piece = draft.drawn / (aim - len(draft.lines) + lines / 2)
    _write(pen, work, turns)
    pen.lines += [
        f"G1 {pen.filament(-2.0)} F2100",
        f"G0 Z{pen.z + 5:.3f} F600",
        "G0 X0 Y180 F7200",
        "M104 S0",
        "M140 S0",
        "M84",
    ]
    return ("\n".join(pen.lines) + "\n").encode()


def _layers(
    frame: Frame, bodies: Bodies, spiral_from: float | None, how: tuple[int, bool, float], extras: list[list[Path]]
) -> list[tuple[float, float, Lines]]:
    """Top, height and lines of each level layer; `how`: walls, whether circles are arcs, how much coarser than drawn."""
    walls, arcs, coarse = how
    work: list[tuple[float, float, Lines]] = []
    for n, (z, height) in enumerate(frame.layers):
        if spiral_from is not None and z > max(spiral_from, frame.layers[1][0]) + 1e-6:
            break
        paths = [(path, 0.0) for path in extras[n]]
        for body, shape in bodies:
            section = shape(z - height / 2 - frame.plinth)
            if spiral_from is not None and n < 2:
                section = replace(section, spacing=2.0)  # a closed bottom
            paths += _layer(_coarser(body, coarse), replace(section, spacing=section.spacing * coarse), walls, n, arcs)
        work.append((z, height, paths))
    return work


def _coarser(body: Body, coarse: float) -> Body:
    return replace(body, corners=max(16, round(body.corners / coarse))) if body.corners else body


def _write(pen: Pen, work: list[tuple[float, float, Lines]], turns: Lines) -> None:
    for n, (z, height, paths) in enumerate(work):
        pen.rise(z, n)
        for path, radius in paths:
            if radius:
                pen.circle(path[0], radius, height)
            else:
                pen.path(path, height)
    for path, height in turns:
        pen.path(path, height, height)


def _layer(body: Body, section: Section, walls: int, number: int, arcs: bool) -> Lines:
    """Walls and infill of one layer: each a path, or the middle of a circle with its radius."""
    found: Lines = []
    for wall in range(walls):
        if arcs and body.corners and not section.marks:
            found.append(([(body.x, body.y)], body.width / 2 + section.grow - 0.45 * wall))
        else:
            found += [(path, 0.0) for path in body.ring(section, 0.45 * wall)]
    if section.spacing:
        marks = tuple(replace(mark, through=False) for mark in section.marks)
        for ring in body.ring(replace(section, marks=marks), 0.45 * walls):
            found += [(path, 0.0) for path in hatch(ring, section.spacing, number % 2 == 0)]
    return found


def _turns(frame: Frame, bodies: Bodies, begun: int, coarse: float) -> Lines:
    """The turns of a wall that rises all the way: rings of which each ends where the next one begins."""
    body, shape = _coarser(bodies[0][0], coarse), bodies[0][1]
    found: Lines = []
    for z, height in frame.layers[begun:]:
        low, high = (
            body.ring(Section(shape(max(at, 0.0) - 1e-9 if at > 0 else 0.0).grow), 0.0)[0]
            for at in (z - height - frame.plinth, z - frame.plinth)
        )
        ends = len(low) - 1
        ring = [
            (a[0] + (b[0] - a[0]) * n / ends, a[1] + (b[1] - a[1]) * n / ends)
            for n, (a, b) in enumerate(zip(low, high, strict=True))
        ]
        found.append((ring, height))
    return found


def _extras(draw: Draw, frame: Frame, bodies: Bodies) -> list[list[Path]]:
    """By layer: a line to begin with, a ring around all of it, a small plain tower beside it; each in some files alone."""
    found: list[list[Path]] = [[] for _ in frame.layers]
    left = min(body.x - body.width / 2 for body, _ in bodies) - 14
    right = max(body.x + body.width / 2 for body, _ in bodies) + 14
    front = min(body.y - body.depth / 2 for body, _ in bodies) - 14
    back = max(body.y + body.depth / 2 for body, _ in bodies) + 14
    if draw.likely(0.3):
        found[0].append([(10.0, 10.0), (10.0, draw.between(60, 150)), (10.4, 150.0), (10.4, 10.0)])
    if draw.likely(0.3):
        ring = [(left, front), (right, front), (right, back), (left, back), (left, front)]
        found[0] += [ring] * draw.whole(1, 3)
    if draw.likely(0.15):
        side = draw.between(6, 12)
        x, y = right + 6, (front + back) / 2
        for paths in found:
            ring = [(x, y), (x + side, y), (x + side, y + side), (x, y + side), (x, y)]
            paths += [ring, *hatch(ring[:-1], 3.0, len(paths) % 2 == 0)]
    return found
