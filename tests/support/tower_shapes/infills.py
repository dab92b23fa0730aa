"""What fills a cross-section: lines that lie upon each other, cross, turn, or wave with a period of their own in height."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .outlines import Outline, Point, Ring, box_of, spans_at, turned

LINE = 0.45
"""mm, the width of a line from a 0.4 mm nozzle: common practice, no source."""
FINEST = 1.6
"""mm: length of the short pieces a wavy line is written in."""
STYLES = ("lines", "grid", "triangles", "wavy", "turning", "rings", "none")


@dataclass(frozen=True, slots=True)
class Fill:
    """`spacing` in mm between lines of one direction, `angle` in radians, `period` in mm of height (wavy) or layers (turning)."""

    style: str
    spacing: float = 4.0
    angle: float = math.pi / 4
    period: float = 6.0


SOLID = Fill("lines", LINE)
NOTHING = Fill("none")


def paths(fill: Fill, outline: Outline, inset: float, layer: int, z: float) -> list[Ring]:
    """The lines of one layer within an outline; each path is laid down without a break."""
    ring = outline.ring(inset)
    if not ring:
        return []
    match fill.style:
        case "none":
            return []
        case "lines":
            return straight(ring, fill.spacing, fill.angle + (layer % 2) * math.pi / 2)
        case "grid":
            spacing = fill.spacing * 2  # two directions in each layer for the same density
            return straight(ring, spacing, fill.angle) + straight(ring, spacing, fill.angle + math.pi / 2)
        case "triangles":
            return [p for n in range(3) for p in straight(ring, fill.spacing * 3, fill.angle + n * math.pi / 3)]
        case "turning":
            return straight(ring, fill.spacing, fill.angle + math.tau * layer / fill.period)
        case "wavy":
            return wavy(ring, fill, z)
        case "rings":
            return concentric(outline, inset, fill.spacing)
        case _:
            raise ValueError(f"no such infill: {fill.style}")


def straight(ring: Ring, spacing: float, angle: float) -> list[Ring]:
    """Parallel lines in places that do not depend on the outline, joined there and back where neighbours allow."""
    level = turned(ring, -angle)
    _, low, _, high = box_of([level])
    found: list[Ring] = []
    last: Point | None = None
    for row in range(math.ceil(low / spacing), math.floor(high / spacing) + 1):
        y = row * spacing + 1e-4  # beside the corners, which lie on round values
        spans = spans_at([level], y)
        for a, b in spans if row % 2 == 0 else reversed(spans):
            start, end = ((a, y), (b, y)) if row % 2 == 0 else ((b, y), (a, y))
            near = last is not None and math.dist(last, start) < spacing * 2.2
            if near and len(spans) == 1:
                found[-1] += [start, end]
            else:
                found.append([start, end])
            last = end
    return [turned(path, angle) for path in found]


def wavy(ring: Ring, fill: Fill, z: float) -> list[Ring]:
    """Waves that swing over and back with the height and change direction half-way, as surfaces of a sponge do."""
    phase = math.tau * z / fill.period
    across = math.cos(phase) ** 2 > 0.5
    angle, swing = (0.0 if across else math.pi / 2), fill.spacing * 0.45 * math.cos(phase if across else phase - 1.57)
    level = turned(ring, -angle)
    _, low, _, high = box_of([level])
    found: list[Ring] = []
    for row in range(math.ceil(low / fill.spacing), math.floor(high / fill.spacing) + 1):
        y = row * fill.spacing + 1e-4
        for a, b in spans_at([level], y):
            pieces = max(1, round((b - a) / FINEST))
            xs = [a + (b - a) * n / pieces for n in range(pieces + 1)]
            ends = [math.sin(math.pi * n / pieces) ** 0.25 if 0 < n < pieces else 0.0 for n in range(pieces + 1)]
            wave = [
                (x, min(max(y + swing * end * math.sin(math.tau * x / (2 * fill.spacing)), low), high))
                for x, end in zip(xs, ends, strict=True)
            ]
            found.append(turned(wave if row % 2 == 0 else wave[::-1], angle))
    return found


def concentric(outline: Outline, inset: float, spacing: float) -> list[Ring]:
    found: list[Ring] = []
    while ring := outline.ring(inset + spacing * (len(found) + 0.5)):
        found.append([*ring, ring[0]])
        if len(found) > 60:
            break
    return found
