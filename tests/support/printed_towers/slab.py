"""One layer of a block while features work on it: a rectangle with openings and a front that stands out or lies back."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from tests.support.printed_towers.geometry import Loop, Part, Section, Span, circle, rectangle, turned

DIGITS = {
    "0": "01110 10001 10001 10001 10001 10001 01110",
    "1": "00100 01100 10100 00100 00100 00100 11111",
    "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "11110 00001 00001 01110 00001 00001 11110",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 10000 11110 00001 00001 11110",
    "6": "00110 01000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00010 00100 00100 00100",
    "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00010 01100",
}
"""Five columns and seven rows, from the top."""


@dataclass(slots=True)
class Slab:
    """Lengths in mm, turn in radians. A radius makes it round: then openings and bumps do not count."""

    x0: float
    y0: float
    x1: float
    y1: float
    density: float
    radius: float | None = None
    turn: float = 0.0
    gaps: list[Span] = field(default_factory=list)
    """Openings from front to back, by x."""
    bumps: list[tuple[float, float, float]] = field(default_factory=list)
    """From x to x, the front stands out by so much; below zero it lies back."""
    islands: list[Loop] = field(default_factory=list)
    holes: list[Loop] = field(default_factory=list)
    """Clockwise."""

    def grow(self, mm: float) -> None:
        """On all sides."""
        self.x0, self.y0, self.x1, self.y1 = self.x0 - mm, self.y0 - mm, self.x1 + mm, self.y1 + mm
        if self.radius is not None:
            self.radius += mm

    def section(self) -> Section:
        bodies = [circle(*self.middle, self.radius, 40)] if self.radius is not None else self._blocks()
        inner = tuple(self.holes)
        parts = [Part((body, *(inner if n == 0 else ())), self.density) for n, body in enumerate(bodies)]
        parts += [Part((loop,), self.density) for loop in self.islands]
        if not self.turn:
            return tuple(parts)
        x, y = self.middle
        return tuple(Part(tuple(turned(loop, self.turn, x, y) for loop in p.loops), p.density) for p in parts)

    @property
    def middle(self) -> tuple[float, float]:
        return (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2

    def _blocks(self) -> list[Loop]:
        """What the openings leave, from left to right."""
        blocks, left = [], self.x0
        for a, b in [*sorted(self.gaps), (self.x1, self.x1)]:
            if a - left > 0.8:
                blocks.append(self._front(left, a))
            left = max(left, b)
        return blocks

    def _front(self, left: float, right: float) -> Loop:
        if not self.bumps:
            return rectangle(left, self.y0, right, self.y1)
        edges = sorted({left, right, *(x for a, b, _ in self.bumps for x in (a, b) if left < x < right)})
        points: list[tuple[float, float]] = []
        for a, b in pairwise(edges):
            y = self.y0 - sum(out for low, high, out in self.bumps if low < (a + b) / 2 < high)
            if points and abs(points[-1][1] - y) < 1e-9:
                points[-1] = (b, y)
            else:
                points += [(a, y), (b, y)]
        return (*points, (right, self.y1), (left, self.y1))


def strokes(text: str, row: int) -> list[Span]:
    """Columns that are inked in a row (0: the lowest) of a line of digits, as runs."""
    inked = "0".join(DIGITS[digit].split()[6 - row] for digit in text) + "0"
    runs, begun = [], None
    for n, one in enumerate(inked):
        if one == "1" and begun is None:
            begun = n
        elif one == "0" and begun is not None:
            runs.append((float(begun), float(n)))
            begun = None
    return runs
