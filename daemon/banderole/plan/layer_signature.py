"""What each layer of a part looks like, as a few numbers: the material from which regular steps are found.

Gathered beside the itinerary, block by block, in constant memory: the cells of the layer in work and of the two below
it, and one compact row a layer. Nothing but geometry goes in: no comment of the file, no feedrate, no setpoint.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from banderole_protocol.modal import DEPOSIT, TRAVEL, Modal

from .heights import FLAT_MM, SEAM_MM, SLOPE_MM, THICK_MM

CELL_MM: Final = 0.5
"""Edge of a cell: about the width of a line, so that a line more or less shows, and the same line twice does not."""
_ROW: Final = 1 << 16
"""Cells in a row of the plane, more than any bed has: a cell is one integer, and a line along X a range of them."""
_ODD_MM: Final = 4096.137
"""Takes the edges of the cells away from the round numbers at which walls stand, and cells away from zero."""
MOST_ROWS: Final = 20_000
"""Layers kept: 4 m of layers of 0.2 mm. What comes later is not looked at."""
MOST_PARTS: Final = 64
"""Parts in turn that are told apart: more do not fit on a bed."""
CHORD_RAD: Final = 0.2
"""Arcs are followed by chords this far apart: of a circle of 10 mm one cuts off less than a twentieth of a millimetre."""
ROUND_RAD: Final = 0.05
"""So much less than a whole turn is one: coordinates are rounded, and a turn that ends a chord late makes another row."""
TURN_MM: Final = 1.0
"""A spiral whose path never turns round once (a figure of eight) is cut into rows this high."""

CLOSED_MM: Final = 0.6
WIDE_MM: Final = 0.6

FEATURES: Final = (
    "length", "section", "runs", "overhang", "ended", "left", "front", "right", "rear", "middle x", "middle y",
    "spread x", "spread y", "skew", "along", "across", "diagonal", "area", "walls", "loops",
)  # fmt: skip
"""Of one layer: mm of path; mm of filament per mm of height; pieces between travels; cells with nothing below or beside
them below, and cells of the layer below with nothing above; box; middle of the path (mm); second moments about it (mm²);
which way the path runs: mm along X less mm along Y, the same at 45°, and along the axes less along the diagonals."""
SMALLEST: Final = (
    0.4, 0.02, 0.5, 1.5, 1.5, 0.04, 0.04, 0.04, 0.04, 0.02, 0.02, 0.15, 0.15, 0.15, 0.5, 0.5, 0.5, 0.5, 0.4, 0.5,
)  # fmt: skip
"""What differs by less in one of FEATURES is the same: rounding of coordinates to 0.01 mm and of E to 0.001 mm over the
some hundred blocks of a layer."""

OUTLINE: Final = frozenset(
    FEATURES.index(name) for name in ("left", "front", "right", "rear", "area", "walls", "loops")
)
"""Those that tell of walls alone, whatever the infill does."""
CHANGES: Final = frozenset((FEATURES.index("overhang"), FEATURES.index("ended")))
"""Those that hold a layer against the one below already."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer, or one turn of a spiral: its top and its height, mm, and its FEATURES."""

    z: float
    height: float
    values: tuple[float, ...]


@dataclass(slots=True)
class Part:
    """Layers from the bed upwards. Parts printed in turn are several of these."""

    layers: list[Layer] = field(default_factory=list)
    turns: int = 0

    @property
    def spiral(self) -> bool:
        """Are most of its rows turns of a spiral?"""
        return self.turns > len(self.layers) / 2


class LayerSignatures:
    """An observer of an itinerary (`on_block`); after its end `parts()` has the layers, each part from the bed upwards."""

    def __init__(self) -> None:
        self._parts: list[Part] = [Part()]
        self._rows = 0
        self.cut_short = False  # more layers, or parts, than are kept
        self._apart = True  # a travel lies between the last deposit and the next
        self._ax = self._ay = self._way = self._swept = 0.0
        self._z = 0.0  # top of the row in work
        self._from = 0.0  # where a sloping row began
        self._sloping = False
        self._heading = self._turned = 0.0
        self._below: set[int] = set()
        self._before: set[int] = set()
        self._clear()

    def _clear(self) -> None:
        self._cells: set[int] = set()
        self._length = self._filament = 0.0
        self._runs = 0
        self._x0 = self._y0 = math.inf
        self._x1 = self._y1 = -math.inf
        self._sx = self._sy = self._sxx = self._syy = self._sxy = 0.0
        self._c2 = self._s2 = self._c4 = 0.0
        self._area = self._walls = 0.0
        self._loops = 0

    @property
    def observer(self) -> Callable[[Modal, int, int], None]:
        return self._on_block

    def parts(self) -> list[Part]:
        """All parts with at least one layer. To be called once, at the end."""
        self._close()
        return [part for part in self._parts if part.layers]

    # ---- block by block

    def _on_block(self, modal: Modal, kind: int, line: int) -> None:
        if kind != DEPOSIT:
            if kind == TRAVEL and (modal.x != modal.x0 or modal.y != modal.y0):
                self._apart = True
            return
        z = modal.z
        if abs(z - modal.z0) > SLOPE_MM:
            self._slope(modal)
        elif self._sloping or abs(z - self._z) > FLAT_MM:
            self._flat(z)
        if self._apart:
            self._runs += 1
            self._apart = False
            self._ax, self._ay, self._way, self._swept = modal.x0, modal.y0, 0.0, 0.0
        self._filament += modal.net
        if modal.arc_box is None:
            self._line(modal.x0, modal.y0, modal.x, modal.y)
        else:
            self._arc(modal)

    def _line(self, x0: float, y0: float, x1: float, y1: float) -> None:
        dx, dy = x1 - x0, y1 - y0
        squares = dx * dx + dy * dy
        if not squares:
            return
        length = math.sqrt(squares)
        self._length += length
        self._sx += length * (x0 + x1)
        self._sy += length * (y0 + y1)
        self._sxx += length * (x0 * x0 + x0 * x1 + x1 * x1)
        self._syy += length * (y0 * y0 + y0 * y1 + y1 * y1)
        self._sxy += length * (2 * (x0 * y0 + x1 * y1) + x0 * y1 + x1 * y0)
        ax, ay = self._ax, self._ay
        self._way += length
        self._swept += (x0 - ax) * (y1 - ay) - (x1 - ax) * (y0 - ay)
        if abs(x1 - ax) < CLOSED_MM and abs(y1 - ay) < CLOSED_MM and abs(self._swept) > self._way * WIDE_MM:
            self._area += abs(self._swept) / 2
            self._walls += self._way
            self._loops += 1
            self._ax, self._ay, self._way, self._swept = x1, y1, 0.0, 0.0
        two, twice = dx * dx - dy * dy, 2 * dx * dy
        self._c2 += two / length
        self._s2 += twice / length
        self._c4 += (two * two - twice * twice) / (squares * length)
        if x0 < x1:
            low, high = x0, x1
        else:
            low, high = x1, x0
        if low < self._x0:
            self._x0 = low
        if high > self._x1:
            self._x1 = high
        if y0 < y1:
            low, high = y0, y1
        else:
            low, high = y1, y0
        if low < self._y0:
            self._y0 = low
        if high > self._y1:
            self._y1 = high
        a, b = int((x0 + _ODD_MM) / CELL_MM), int((y0 + _ODD_MM) / CELL_MM)
        c, d = int((x1 + _ODD_MM) / CELL_MM), int((y1 + _ODD_MM) / CELL_MM)
        if b == d:
            self._cells.update(range(b * _ROW + min(a, c), b * _ROW + max(a, c) + 1))
        elif a == c:
            self._cells.update(range(min(b, d) * _ROW + a, max(b, d) * _ROW + a + 1, _ROW))
        else:
            steps = max(abs(c - a), abs(d - b))
            across, up = (c - a) / steps, (d - b) / steps
            self._cells.update([int(b + up * n + 0.5) * _ROW + int(a + across * n + 0.5) for n in range(steps + 1)])

    def _arc(self, modal: Modal) -> None:
        """By chords along the circle, known from its ends, its length and its turn; without a feedrate, its own chord."""
        length = modal.seconds * modal.feed / 60
        x, y, radius, sweep = _circle(modal, length)
        if not radius or modal.plane != "G17":
            return self._line(modal.x0, modal.y0, modal.x, modal.y)
        begin = math.atan2(modal.y0 - y, modal.x0 - x)
        turn = -sweep if modal.head == "G2" else sweep
        count = max(2, math.ceil(sweep / CHORD_RAD))
        at = (modal.x0, modal.y0)
        for step in range(1, count + 1):
            angle = begin + turn * step / count
            to = (x + radius * math.cos(angle), y + radius * math.sin(angle))
            self._line(*at, *to)
            at = to

    # ---- row by row

    def _flat(self, z: float) -> None:
        """A level deposit at another height, or the first one behind a slope."""
        if self._sloping:
            self._sloping = False
            if z - self._from <= SEAM_MM and abs(z - self._z) <= FLAT_MM:
                return  # the tapered seam of the layer that now begins
            if abs(z - self._z) <= FLAT_MM and self._length:
                self._close()
        else:
            self._close()
        self._z = z

    def _slope(self, modal: Modal) -> None:
        """A row of a spiral goes once round: until the path has turned by a whole turn, or has risen by much."""
        if not self._sloping or abs(modal.z0 - self._z) > FLAT_MM:
            self._close()
            self._sloping, self._from, self._turned = True, modal.z0, 0.0
            self._heading = math.atan2(modal.y - modal.y0, modal.x - modal.x0)
        heading = math.atan2(modal.y - modal.y0, modal.x - modal.x0)
        self._turned += (heading - self._heading + math.pi) % math.tau - math.pi
        self._heading = heading
        if abs(self._turned) >= math.tau - ROUND_RAD or modal.z - self._from > TURN_MM:
            self._close()
            self._turned -= math.copysign(math.tau, self._turned) if abs(self._turned) > math.pi else 0.0
            self._from = modal.z0
        self._z = modal.z

    def _close(self) -> None:
        """The row in work is complete."""
        if not self._length:
            return self._clear()
        layers = self._parts[-1].layers
        if layers and self._z <= layers[-1].z + FLAT_MM:
            if len(self._parts) >= MOST_PARTS:
                self.cut_short = True
            else:
                self._parts.append(Part())
                layers = self._parts[-1].layers
            self._below, self._before = set(), set()
        height = self._z - (layers[-1].z if layers else 0.0)
        if not 0.0 < height <= THICK_MM:  # it lies on something finished earlier, or on nothing
            height = layers[-1].height if layers else 0.2
        if self._rows >= MOST_ROWS:
            self.cut_short = True
        elif not layers or self._z > layers[-1].z:
            layers.append(Layer(self._z, height, self._values(height)))
            self._rows += 1
            self._parts[-1].turns += self._sloping
        self._before, self._below = self._below, self._cells
        self._apart = True  # a layer has a first piece, even where it begins above the last one's end
        self._clear()

    def _values(self, height: float) -> tuple[float, ...]:
        length = self._length
        x, y = self._sx / length / 2, self._sy / length / 2
        return (
            length,
            self._filament / height,
            float(self._runs),
            float(_beyond(self._cells, self._below | self._before)) if self._below else 0.0,
            float(_beyond(self._below & self._before, self._cells)) if self._below else 0.0,
            self._x0,
            self._y0,
            self._x1,
            self._y1,
            x,
            y,
            self._sxx / length / 3 - x * x,
            self._syy / length / 3 - y * y,
            self._sxy / length / 6 - x * y,
            self._c2,
            self._s2,
            self._c4,
            self._area,
            self._walls,
            float(self._loops),
        )


def _circle(modal: Modal, length: float) -> tuple[float, float, float, float]:
    """Centre, radius and sweep (rad) of the arc that was the last motion; radius 0 where it is next to straight."""
    box = modal.arc_box
    assert box is not None
    dx, dy = modal.x - modal.x0, modal.y - modal.y0
    chord = math.hypot(dx, dy)
    if chord < FLAT_MM:  # a full circle: its box has its middle
        radius = length / math.tau
        return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2, radius, math.tau if radius else 0.0
    if length < chord * (1 + 1e-6):
        return 0.0, 0.0, 0.0, 0.0
    least, most = 0.0, math.tau  # chord / length falls from 1 to 0 as the sweep grows
    for _ in range(32):
        sweep = (least + most) / 2
        if 2 * math.sin(sweep / 2) * length > chord * sweep:
            least = sweep
        else:
            most = sweep
    radius = length / sweep
    off = radius * math.cos(sweep / 2) / chord * (-1 if modal.head == "G2" else 1)
    return (modal.x0 + modal.x) / 2 - dy * off, (modal.y0 + modal.y) / 2 + dx * off, radius, sweep


def _beyond(cells: set[int], others: set[int]) -> int:
    """How many cells have none of `others` in their place or beside it: a wall that leans a little crosses none."""
    beside = (-1, 1, -_ROW, _ROW, -_ROW - 1, -_ROW + 1, _ROW - 1, _ROW + 1)
    return sum(1 for cell in cells - others if not any(cell + by in others for by in beside))
