"""Loops of points in mm: outer ones run counter-clockwise, holes clockwise, so that material lies at the left of both."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

Point = tuple[float, float]
Loop = tuple[Point, ...]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Part:
    """One island of a layer: the outer loop, then its holes. Density: share of the inside that is filled, 0 to 1."""

    loops: tuple[Loop, ...]
    density: float = 0.2


Section = tuple[Part, ...]


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Loop:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def circle(x: float, y: float, radius: float, corners: int = 32, start: float = 0.0) -> Loop:
    """Start in radians."""
    turns = (start + math.tau * n / corners for n in range(corners))
    return tuple((x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns)


def hole(loop: Loop) -> Loop:
    return loop[::-1]


def turned(loop: Loop, angle: float, x: float = 0.0, y: float = 0.0) -> Loop:
    """About a point, in radians."""
    c, s = math.cos(angle), math.sin(angle)
    return tuple((x + (px - x) * c - (py - y) * s, y + (px - x) * s + (py - y) * c) for px, py in loop)


def moved(section: Section, x: float, y: float = 0.0) -> Section:
    return tuple(Part(tuple(tuple((px + x, py + y) for px, py in one) for one in p.loops), p.density) for p in section)


def area(loop: Loop) -> float:
    """mm², negative for a hole."""
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(loop, loop[1:] + loop[:1], strict=True)) / 2


def box(loops: Iterable[Loop]) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1."""
    points = [point for loop in loops for point in loop]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def inset(loop: Loop, depth: float) -> Loop | None:
    """Moved into the material by depth in mm; None where nothing is left. Corners stay sharp."""
    new: list[Point] = []
    for before, at, after in zip(loop[-1:] + loop[:-1], loop, loop[1:] + loop[:1], strict=True):
        ax, ay, bx, by = at[0] - before[0], at[1] - before[1], after[0] - at[0], after[1] - at[1]
        la, lb = math.hypot(ax, ay), math.hypot(bx, by)
        if la < 1e-6 or lb < 1e-6:
            continue
        nx, ny, mx, my = -ay / la, ax / la, -by / lb, bx / lb
        share = depth / max(0.3, 1 + nx * mx + ny * my)
        new.append((at[0] + (nx + mx) * share, at[1] + (ny + my) * share))
    x0, y0, x1, y1 = box([loop])
    small = area(loop) > 0 and min(x1 - x0, y1 - y0) <= 2.2 * depth
    return None if small or len(new) < 3 or area(new_loop := tuple(new)) * area(loop) <= 0 else new_loop


def scan(loops: Iterable[Loop], angle: float, spacing: float) -> dict[int, list[Span]]:
    """Inner spans of lines that are spacing apart and lie at an angle (radians), by number of the line."""
    found: dict[int, list[float]] = {}
    for loop in loops:
        flat = turned(loop, -angle)
        for (x0, y0), (x1, y1) in zip(flat, flat[1:] + flat[:1], strict=True):
            low, high = (y0, y1) if y0 < y1 else (y1, y0)
            for n in range(math.ceil(low / spacing - 0.5), math.ceil(high / spacing - 0.5)):
                found.setdefault(n, []).append(x0 + ((n + 0.5) * spacing - y0) * (x1 - x0) / (y1 - y0))
    spans: dict[int, list[Span]] = {}
    for n in sorted(found):
        ends = sorted(found[n])
        spans[n] = list(zip(ends[::2], ends[1::2], strict=True))
    return spans


def both(some: list[Span], other: list[Span]) -> list[Span]:
    """What lies in both lists of spans."""
    pairs = ((max(a[0], b[0]), min(a[1], b[1])) for a in some for b in other)
    return sorted(pair for pair in pairs if pair[0] < pair[1])


def without(some: list[Span], other: list[Span]) -> Iterator[Span]:
    """What lies in the first list, and not in the second, which is sorted."""
    for low, high in some:
        for a, b in other:
            if b > low and a < high:
                if a > low:
                    yield low, a
                low = b
        if low < high:
            yield low, high
