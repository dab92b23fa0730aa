"""Cross-sections of written towers as lines, and lines as blocks. Lengths in mm, feedrates in mm/min."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from itertools import pairwise

Point = tuple[float, float]
Path = list[Point]
LINE = 0.45  # mm, width of a line from a 0.4 mm nozzle (common practice, no source)
FILAMENT_AREA = math.pi / 4 * 1.75**2  # mm²
LEAST = 0.6  # mm: no shorter piece of a ring or hatch is drawn


class Draw:
    """Seeded draws; only `Random.random` is used, the one stream Python promises for every version."""

    def __init__(self, seed: int) -> None:
        self.next = random.Random(seed).random

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.next()

    def whole(self, low: int, high: int) -> int:
        """Both included."""
        return low + int(self.next() * (high - low + 1))

    def likely(self, share: float) -> bool:
        return self.next() < share


@dataclass(frozen=True, slots=True)
class Mark:
    """On the front wall, `middle` along it from its centre, `half` to each side, `out` of it (in: negative).

    `through` cuts the wall: its lines end there.
    """

    middle: float
    half: float
    out: float
    through: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """What a body is at one height: how much wider than drawn on every side, its marks, mm between infill lines (0: none)."""

    grow: float = 0.0
    marks: tuple[Mark, ...] = ()
    spacing: float = 0.0


@dataclass(frozen=True, slots=True)
class Body:
    """A rectangle or, with `corners`, a regular polygon as wide as `width`; both about (x, y)."""

    x: float
    y: float
    width: float
    depth: float
    corners: int = 0

    def ring(self, section: Section, inset: float) -> list[Path]:
        """The wall at this inset: one closed path, or an open one where a mark cuts it. Empty where nothing is left."""
        grow = section.grow - inset
        if self.corners:
            return self._round(self.width / 2 + grow, section.marks, inset)
        return self._box(self.width / 2 + grow, self.depth / 2 + grow, section.marks, inset)

    def _box(self, w: float, d: float, marks: tuple[Mark, ...], inset: float) -> list[Path]:
        if min(w, d) < LEAST:
            return []
        front: Path = []
        cut: int | None = None
        for mark in marks:
            half = mark.half + (-inset if mark.out > 0 else inset if not mark.through else 0.0)
            a, b = mark.middle - half, mark.middle + half
            if b - a < LEAST:
                continue
            if mark.through:
                front += [(a, -d), (b, -d)]
                cut = len(front) - 1
            else:
                front += [(a, -d), (a, -d - mark.out), (b, -d - mark.out), (b, -d)]
        path = [(-w, -d), *front, (w, -d), (w, d), (-w, d)]
        if cut is not None:
            path = path[cut + 1 :] + path[: cut + 1]
        else:
            path.append(path[0])
        return [[(self.x + x, self.y + y) for x, y in path]]

    def _round(self, radius: float, marks: tuple[Mark, ...], inset: float) -> list[Path]:
        if radius < LEAST:
            return []
        spots = [(math.tau * n / self.corners, radius) for n in range(self.corners)]
        cut: float | None = None
        for mark in marks:
            half = (mark.half + (-inset if mark.out > 0 else inset if not mark.through else 0.0)) / radius
            if half * radius * 2 < LEAST:
                continue
            middle = math.tau * 0.75 + mark.middle / radius
            a, b = middle - half, middle + half
            inside = [(t, radius + mark.out) for t, _ in spots if a < t < b]
            spots = [spot for spot in spots if not a <= spot[0] <= b]
            if mark.through:
                spots += [(a, radius), (b, radius)]
                cut = b
            else:
                spots += [
                    (a, radius),
                    (a + 1e-6, radius + mark.out),
                    *inside,
                    (b - 1e-6, radius + mark.out),
                    (b, radius),
                ]
        spots.sort()
        if cut is None:
            spots.append(spots[0])
        else:
            at = next(n for n, spot in enumerate(spots) if spot[0] == cut)
            spots = spots[at:] + spots[:at]
        return [[(self.x + r * math.cos(t), self.y + r * math.sin(t)) for t, r in spots]]


def hatch(ring: Path, spacing: float, upright: bool) -> list[Path]:
    """Level or upright lines at places that do not depend on the ring, there and back, each its own path."""
    points = [(y, x) for x, y in ring] if upright else ring
    edges = [(p, q) for p, q in zip(points, [*points[1:], points[0]], strict=True) if p[1] != q[1]]
    low, high = min(y for _, y in points), max(y for _, y in points)
    found: list[Path] = []
    for row in range(math.ceil(low / spacing), math.floor(high / spacing) + 1):
        y = row * spacing + 1e-4  # beside corners on round values
        hits = sorted(p[0] + (y - p[1]) * (q[0] - p[0]) / (q[1] - p[1]) for p, q in edges if (p[1] <= y) != (q[1] <= y))
        for a, b in zip(hits[::2], hits[1::2], strict=False):
            if b - a > LEAST:
                line = [(a, y), (b, y)] if row % 2 else [(b, y), (a, y)]
                found.append([(y, x) for x, y in line] if upright else line)
    return found


@dataclass(frozen=True, slots=True)
class Manner:
    """How a file is written."""

    relative: bool
    zeroed: bool  # G92 E0 in each layer
    pull: float  # mm drawn back before a travel; 0: none
    hop: float  # mm
    arcs: str  # G2, G3 or empty
    word: str  # of a travel: G0 or G1
    comment: str  # in front of each layer, format with n and z; may be empty
    feed: int


@dataclass(slots=True)
class Pen:
    manner: Manner
    piece: float = math.inf  # mm: no longer piece of a line in one block
    lines: list[str] = field(default_factory=list)
    at: Point = (0.0, 0.0)
    z: float = 0.0
    e: float = 0.0
    drawn: float = 0.0  # mm of lines so far

    def filament(self, mm: float) -> str:
        self.e += mm
        return f"E{mm if self.manner.relative else self.e:.5f}"

    def rise(self, z: float, number: int) -> None:
        how = self.manner
        if how.comment:
            self.lines.append(how.comment.format(n=number, z=z))
        if how.zeroed:
            self.lines.append("G92 E0")
            self.e = 0.0
        self.lines.append(f"{how.word} Z{z:.3f} F600")
        self.z = z

    def travel(self, to: Point) -> None:
        how = self.manner
        far = math.dist(self.at, to)
        if far < 1e-3:
            return
        pulled = how.pull > 0 and far > 3  # mm; across less nothing is drawn back
        if pulled:
            self.lines.append(f"G1 {self.filament(-how.pull)} F2100")
            if how.hop:
                self.lines.append(f"{how.word} Z{self.z + how.hop:.3f} F600")
        self.lines.append(f"{how.word} X{to[0]:.3f} Y{to[1]:.3f} F7200")
        if pulled:
            if how.hop:
                self.lines.append(f"{how.word} Z{self.z:.3f} F600")
            self.lines.append(f"G1 {self.filament(how.pull)} F2100")
        self.lines.append(f"G1 F{how.feed}")
        self.at = to

    def path(self, points: Path, height: float, rising: float = 0.0) -> None:
        """A line through the points; with `rising` it gains that much height evenly on its way."""
        self.travel(points[0])
        area = LINE * height / FILAMENT_AREA
        whole = sum(map(math.dist, points, points[1:])) or 1.0
        self.drawn += whole
        for x1, y1 in points[1:]:
            x0, y0 = self.at
            length = math.dist(self.at, (x1, y1))
            pieces = max(1, math.ceil(length / self.piece))
            for n in range(1, pieces + 1):
                x, y = x0 + (x1 - x0) * n / pieces, y0 + (y1 - y0) * n / pieces
                z = ""
                if rising:
                    self.z += rising * length / pieces / whole
                    z = f" Z{self.z:.3f}"
                self.lines.append(f"G1 X{x:.3f} Y{y:.3f}{z} {self.filament(length / pieces * area)}")
            self.at = (x1, y1)

    def circle(self, middle: Point, radius: float, height: float) -> None:
        """A turn in arcs with their centre by I and J (NIST RS274/NGC, 3.5.3)."""
        turn = 1 if self.manner.arcs == "G3" else -1
        pieces = max(3, min(60, math.ceil(math.tau * radius / self.piece)))
        spots = [
            (
                middle[0] + radius * math.cos(math.tau * n / pieces),
                middle[1] + turn * radius * math.sin(math.tau * n / pieces),
            )
            for n in (*range(pieces), 0)
        ]
        self.travel(spots[0])
        self.drawn += math.tau * radius
        filament = math.tau * radius / pieces * LINE * height / FILAMENT_AREA
        for (x0, y0), (x, y) in pairwise(spots):
            i, j = middle[0] - x0, middle[1] - y0
            self.lines.append(f"{self.manner.arcs} X{x:.3f} Y{y:.3f} I{i:.3f} J{j:.3f} {self.filament(filament)}")
        self.at = spots[0]
