"""What a part covers of the bed, and where a nozzle can wait beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from .machine_tables import Volume

CELL_MM: Final = 5.0
"""Edge of a cell. A waiting place keeps one free cell on every side: more than a nozzle's shoulder and what oozes from it."""

Box = tuple[float, float, float, float]


@dataclass(slots=True)
class Footprint:
    """Cells of the bed in which something is laid down, and the box around it all (x0, y0, x1, y1 in mm)."""

    cells: set[tuple[int, int]] = field(default_factory=set)
    box: Box | None = None

    def add(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A deposit from (x0, y0) to (x1, y1), mm; of an arc, its own box as two corners will do."""
        cells = self.cells
        cells.add((int(x1 // CELL_MM), int(y1 // CELL_MM)))
        reach = max(abs(x1 - x0), abs(y1 - y0))
        if reach > CELL_MM / 2:
            steps = math.ceil(2 * reach / CELL_MM)
            for step in range(steps):
                share = step / steps
                cells.add((int((x0 + (x1 - x0) * share) // CELL_MM), int((y0 + (y1 - y0) * share) // CELL_MM)))
        box = self.box
        if box is None:
            self.box = (min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
        elif not (
            box[0] <= x0 <= box[2] and box[0] <= x1 <= box[2] and box[1] <= y0 <= box[3] and box[1] <= y1 <= box[3]
        ):
            self.box = (min(box[0], x0, x1), min(box[1], y0, y1), max(box[2], x0, x1), max(box[3], y0, y1))

    def add_area(self, box: Box) -> None:
        """All cells of a box: an arc may come anywhere in its own."""
        x0, y0, x1, y1 = box
        for y in _steps(y0, y1):
            self.add(x0, y, x1, y)

    def clear(self, x: float, y: float) -> bool:
        """Whether nothing is laid down in the cell of this place and in those around it."""
        column, row = int(x // CELL_MM), int(y // CELL_MM)
        return not any((column + a, row + b) in self.cells for a in (-1, 0, 1) for b in (-1, 0, 1))

    def waiting_place(self, volume: Volume) -> tuple[float, float] | None:
        """The place clear of every deposit and of keep_out that is nearest to the part, mm; None if there is none."""
        x0, y0, x1, y1 = self.box or (volume.x[0], volume.y[0], volume.x[0], volume.y[0])
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        free = (
            (x, y) for x in _middles(*volume.x) for y in _middles(*volume.y) if volume.holds(x, y) and self.clear(x, y)
        )
        return min(free, key=lambda place: (math.dist(place, middle), place), default=None)


def _middles(least: float, most: float) -> list[float]:
    """Middles of the cells that lie whole within a range."""
    first, last = math.ceil(least / CELL_MM), math.floor(most / CELL_MM)
    return [(cell + 0.5) * CELL_MM for cell in range(first, last)]


def _steps(least: float, most: float) -> list[float]:
    count = max(1, math.ceil((most - least) / (CELL_MM / 2)))
    return [least + (most - least) * step / count for step in range(count + 1)]
