"""What a part covers of the bed, and where a nozzle can wait beside it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import compress, pairwise
from typing import Final

from .machine_tables import Volume

CELL_MM: Final = 5.0
"""Edge of a cell. A waiting place keeps one free cell on every side: more than a nozzle's shoulder and what oozes from it."""
COLUMN: Final = 65536.0
"""A cell is one number, its column times this and its row: quicker to keep a million times than a pair."""
FAR_CELLS: Final = 4000
"""A deposit over more cells than any bed has is no deposit: only its ends are kept, and the volume's check tells."""
WAYS_MOST: Final = 16
"""Ways of whole layers that are remembered: often one goes just as one before, infill as two or four before."""
WAY_MOST: Final = 512
"""Motions of such a way: in a longer one a layer costs little for a motion."""
LINES_MOST: Final = 20_000
"""Ways between two cells that are remembered, so that the walls of a thousand layers are walked once."""
AREAS_MOST: Final = 2_000
"""Areas of arcs that are remembered, likewise."""

Box = tuple[float, float, float, float]


@dataclass(slots=True)
class Footprint:
    """Cells of the bed in which something is laid down, and the box around it all (x0, y0, x1, y1 in mm)."""

    cells: set[float] = field(default_factory=set)
    box: Box | None = None
    _lines: set[tuple[float, float]] = field(default_factory=set)
    _areas: set[tuple[float, float]] = field(default_factory=set)
    _boxes: set[Box] = field(default_factory=set)
    _ways: dict[float, tuple[list[float], list[float], bytes | None, Box]] = field(default_factory=dict)  # by its sum

    def add(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A deposit from (x0, y0) to (x1, y1), mm; of an arc, its own box as two corners will do."""
        self._walk((_cell(x0, y0), _cell(x1, y1)))
        self.widen(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))

    def add_row(self, xs: list[float], ys: list[float], laid: list[float]) -> Box | None:
        """Motions from each place to the next, mm; those that lay nothing down leave nothing. The box is for `widen`:

        that around what they lay down, None where that is nothing.
        """
        nothing = laid.count(0.0)
        if nothing == len(laid):
            return None
        travels: bytes | None = None
        if 2 * nothing > len(laid):  # few deposits: their ends will do
            xs, ys = _ends(xs, laid), _ends(ys, laid)
        else:
            travels = bytes(map(bool, laid)) if nothing else b""
        key = sum(xs) + 0.7 * sum(ys)
        way = self._ways.get(key)
        if way is not None and way[0] == xs and way[1] == ys and way[2] == travels:
            return way[3]
        # Only differences between two cells matter, so most of a row is sorted out by sets, not by calls.
        cells = [x // CELL_MM * COLUMN + y // CELL_MM for x, y in zip(xs, ys, strict=True)]
        parted = zip(cells, cells[len(cells) // 2 :], strict=False)
        for line in set(parted if travels is None else compress(pairwise(cells), laid)).difference(self._lines):
            self._walk(line)
        px, py = (_ends(xs, laid), _ends(ys, laid)) if travels else (xs, ys)
        box = (min(px), min(py), max(px), max(py))
        if len(laid) <= WAY_MOST:
            if len(self._ways) >= WAYS_MOST:
                self._ways.clear()
            self._ways[key] = (xs, ys, travels, box)
        return box

    def widen(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """The box comes to hold this one."""
        box = self.box
        if box is None:
            self.box = (x0, y0, x1, y1)
        elif x0 < box[0] or y0 < box[1] or x1 > box[2] or y1 > box[3]:
            self.box = (min(box[0], x0), min(box[1], y0), max(box[2], x1), max(box[3], y1))

    def add_areas(self, boxes: Iterable[Box]) -> None:
        """All cells of these boxes: an arc may come anywhere in its own. The boxes themselves are for `widen`."""
        fresh = set(boxes).difference(self._boxes)
        if len(self._boxes) + len(fresh) > AREAS_MOST:
            self._boxes.clear()
        self._boxes |= fresh
        for box in fresh:
            self._fill(*box)

    def _fill(self, x0: float, y0: float, x1: float, y1: float) -> None:
        area = (_cell(x0, y0), _cell(x1, y1))
        if (y1 - y0) / CELL_MM > FAR_CELLS:
            self._walk(area)
        elif area not in self._areas:
            if len(self._areas) >= AREAS_MOST:
                self._areas.clear()
            self._areas.add(area)
            for y in _steps(y0, y1):
                self._walk((_cell(x0, y), _cell(x1, y)))

    def _walk(self, line: tuple[float, float]) -> None:
        """The cells between two, ends included."""
        if line in self._lines:
            return
        if len(self._lines) >= LINES_MOST:
            self._lines.clear()
        self._lines.add(line)
        self.cells.update(line)
        (column, row), (last_column, last_row) = _place(line[0]), _place(line[1])
        across, up = last_column - column, last_row - row
        steps = max(abs(across), abs(up))
        if steps > FAR_CELLS:
            return
        # From middle to middle; the deposit itself may be a cell off that, so both cells beside it are taken.
        for step in range(1, int(steps)):
            at, on = column + across * step / steps, row + up * step / steps
            near = math.floor(at) * COLUMN + math.floor(on)
            self.cells.update((near, near + (COLUMN if abs(up) > abs(across) else 1.0)))

    def clear(self, x: float, y: float) -> bool:
        """Whether nothing is laid down in the cell of this place and in those around it."""
        here = _cell(x, y)
        return not any(here + a * COLUMN + b in self.cells for a in (-1, 0, 1) for b in (-1, 0, 1))

    def waiting_place(self, volume: Volume) -> tuple[float, float] | None:
        """The place clear of every deposit and of keep_out that is nearest to the part, mm; None if there is none."""
        x0, y0, x1, y1 = self.box or (volume.x[0], volume.y[0], volume.x[0], volume.y[0])
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        free = (
            (x, y) for x in _middles(*volume.x) for y in _middles(*volume.y) if volume.holds(x, y) and self.clear(x, y)
        )
        return min(free, key=lambda place: (math.dist(place, middle), place), default=None)


def around(boxes: Sequence[Box]) -> Box:
    """The box around all these: one at least."""
    x0, y0, x1, y1 = zip(*boxes, strict=True)
    return min(x0), min(y0), max(x1), max(y1)


def _ends(places: list[float], laid: list[float]) -> list[float]:
    """Where each deposit of a row begins, then where each ends."""
    return [*compress(places, laid), *compress(places[1:], laid)]


def _cell(x: float, y: float) -> float:
    return x // CELL_MM * COLUMN + y // CELL_MM


def _place(cell: float) -> tuple[float, float]:
    """Column and row of a cell; rows reach to half of COLUMN on either side."""
    column = math.floor(cell / COLUMN + 0.5)
    return float(column), cell - column * COLUMN


def _middles(least: float, most: float) -> list[float]:
    """Middles of the cells that lie whole within a range."""
    first, last = math.ceil(least / CELL_MM), math.floor(most / CELL_MM)
    return [(cell + 0.5) * CELL_MM for cell in range(first, last)]


def _steps(least: float, most: float) -> list[float]:
    count = max(1, math.ceil((most - least) / (CELL_MM / 2)))
    return [least + (most - least) * step / count for step in range(count + 1)]
