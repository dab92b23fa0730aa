"""Arcs as files have them by the thousand: in the XY plane, with any helix, by their centre, and nothing wrong with them."""

from __future__ import annotations

from functools import lru_cache
from math import atan2, ceil, floor, hypot, inf, pi
from typing import Final

from banderole_protocol.arcs import SAME_MM, WRONG_MM, Box
from banderole_protocol.modal import MOVED_MM

from .bends import Bend

CURVES_MOST: Final = 1024
"""Arcs that are remembered, about a megabyte: a tower has the same ones in many layers."""
_TURN: Final = 2 * pi
_QUARTER: Final = pi / 2


class Curve:
    """An arc: its `length` along any helix, mm, and the `box` that it covers of the bed (x0, y0, x1, y1), mm."""

    __slots__ = ("_bend", "_ends", "_radius", "_rise", "_turn", "box", "length")

    def __init__(
        self, length: float, box: Box, radius: float, turn: float, ends: tuple[float, float, float, float], rise: float
    ) -> None:
        self.length = length
        self.box = box
        self._radius = radius
        self._turn = turn  # rad, clockwise negative
        self._ends = ends  # from the centre, mm: x, y where it begins, x, y where it ends
        self._rise = rise  # in Z, mm
        self._bend: Bend | None = None

    @property
    def bend(self) -> Bend:
        """Reckoned when first asked for, since only the time of motion needs it, and kept, since arcs come again."""
        if self._bend is None:
            rise, flat = self._rise / self.length, self._radius * self._turn / self.length
            ax, ay, bx, by = self._ends
            enters, leaves = flat / (hypot(ax, ay) or inf), flat / (hypot(bx, by) or inf)
            self._bend = Bend(self._radius, (-enters * ay, enters * ax, rise), (-leaves * by, leaves * bx, rise))
        return self._bend


@lru_cache(maxsize=CURVES_MOST)
def curve_of(
    clockwise: bool, x0: float, y0: float, x1: float, y1: float, rise: float, i: float, j: float
) -> Curve | None:
    """An arc, mm; None where it is none, or where machines may take it differently.

    In one go what `arc_of`, `flaw_of` and `box_of` say of it, held to them by a test.
    """
    cx, cy = x0 + i, y0 + j
    ax, ay, bx, by = x0 - cx, y0 - cy, x1 - cx, y1 - cy
    radius, begin = hypot(ax, ay), atan2(ay, ax)
    if not (i or j) or abs(hypot(bx, by) - radius) > WRONG_MM:
        return None
    sweep = _TURN
    if hypot(x1 - x0, y1 - y0) > SAME_MM:
        finish = atan2(by, bx)
        sweep = (begin - finish if clockwise else finish - begin) % _TURN
    length = hypot(radius * sweep, rise)
    if length <= MOVED_MM:
        return None
    left, right = (x0, x1) if x0 < x1 else (x1, x0)
    front, rear = (y0, y1) if y0 < y1 else (y1, y0)
    if clockwise:  # the same way, walked from its end
        begin -= sweep
    for quarter in range(ceil(begin / _QUARTER), floor((begin + sweep) / _QUARTER) + 1):
        match quarter % 4:  # as far as it comes by east, north, west, south of the centre
            case 0:
                right = max(right, cx + radius)
            case 1:
                rear = max(rear, cy + radius)
            case 2:
                left = min(left, cx - radius)
            case _:
                front = min(front, cy - radius)
    turn = -sweep if clockwise else sweep
    return Curve(length, (left, front, right, rear), radius, turn, (ax, ay, bx, by), rise)
