"""Arcs: centre, radius and sweep from the words of a G2 or G3 (NIST RS274/NGC, NISTIR 6556 v3, §3.5.3).

Centre form (I, J, K, always incremental) and radius form (+R at most 180°, −R more). In centre form an end at the start is a
full circle; in radius form it has no centre. A divergence from NIST: what is an error there is taken as it best can be, since
the file is sent as it stands anyway, and `flaw_of` says so.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

SAME_MM: Final = 1e-6
"""Points closer than this are the same: far below a motor's step, far above the rounding of a sum."""

WRONG_MM: Final = 0.01
"""How far an arc's ends may differ in their distance from its centre. NIST has 0.002 mm; but where a file rounds start, end and
centre to 0.001 mm each, up to 0.003 mm of difference is nobody's fault, and some write 0.01 mm."""

_QUARTER: Final = math.pi / 2

Point = tuple[float, float, float]
Box = tuple[float, float, float, float]

# Plane → its first and second axis, so that a counter-clockwise turn goes from the first to the second.
PLANES: Final = {"G17": (0, 1), "G18": (2, 0), "G19": (1, 2)}


class Arc(NamedTuple):
    """`centre` in the plane (first, second axis) and `radius`, mm; `sweep` rad, `length` with any helix, mm, both ≥ 0."""

    centre: tuple[float, float]
    radius: float
    sweep: float
    length: float


def arc_of(
    clockwise: bool, plane: str, start: Point, end: Point, words: dict[str, float], scale: float = 1.0
) -> Arc | None:
    """The arc from `start` to `end` (mm). `words` may hold I, J, K or R in the file's unit of `scale` mm.

    None where the words give no centre. A radius too small for the chord is taken as half of it.
    """
    first, second = PLANES[plane]
    here, there = (start[first], start[second]), (end[first], end[second])
    if "R" in words:
        centre = _centre(clockwise, here, there, words["R"] * scale)
    else:
        centre = _offset(here, words.get("IJK"[first]), words.get("IJK"[second]), scale)
    if centre is None:
        return None
    radius = math.dist(here, centre)
    sweep = _sweep(clockwise, here, there, centre)
    third = 3 - first - second
    return Arc(centre, radius, sweep, math.hypot(radius * sweep, end[third] - start[third]))


def box_of(arc: Arc, clockwise: bool, plane: str, start: Point, end: Point) -> Box:
    """What an arc covers of the bed: (x0, y0, x1, y1) in mm, as tight as can be."""
    left, right = (start[0], end[0]) if start[0] < end[0] else (end[0], start[0])
    front, rear = (start[1], end[1]) if start[1] < end[1] else (end[1], start[1])
    axes = PLANES[plane]
    begin = math.atan2(start[axes[1]] - arc.centre[1], start[axes[0]] - arc.centre[0])
    if clockwise:  # the same way, walked from its end
        begin -= arc.sweep
    first, last = math.ceil(begin / _QUARTER), math.floor((begin + arc.sweep) / _QUARTER)
    for quarter in range(first, last + 1):  # east, north, west, south of the centre, as far as it comes by there
        axis, at = axes[quarter % 2], arc.centre[quarter % 2] + (1, 1, -1, -1)[quarter % 4] * arc.radius
        if axis == 0:
            left, right = min(left, at), max(right, at)
        elif axis == 1:
            front, rear = min(front, at), max(rear, at)
    return left, front, right, rear


def flaw_of(arc: Arc | None, plane: str, start: Point, end: Point, words: dict[str, float], scale: float = 1.0) -> str:
    """What is wrong with an arc as written, so that machines may take it differently; "" where nothing is."""
    if arc is None:
        return "an arc without a centre"
    if plane != "G17":
        return "an arc out of the XY plane: some firmware knows no other; its height between its ends is not followed"
    if "P" in words:
        return "an arc with P: some firmware makes that many turns"
    if "R" in words:
        short = math.dist(start[:2], end[:2]) / 2 - abs(words["R"] * scale)
        return "an arc with a radius too small for its ends" if short > WRONG_MM else ""
    if abs(math.dist(end[:2], arc.centre) - arc.radius) > WRONG_MM:
        return "an arc whose ends lie at different distances from its centre"
    return ""


def _offset(here: tuple[float, float], i: float | None, j: float | None, scale: float) -> tuple[float, float] | None:
    return None if not i and not j else (here[0] + (i or 0.0) * scale, here[1] + (j or 0.0) * scale)


def _centre(
    clockwise: bool, here: tuple[float, float], there: tuple[float, float], radius: float
) -> tuple[float, float] | None:
    chord = math.dist(here, there)
    if chord <= SAME_MM:
        return None
    height = math.sqrt(max(0.0, radius * radius - chord * chord / 4))
    side = 1.0 if clockwise == (radius < 0) else -1.0
    along = ((there[0] - here[0]) / chord, (there[1] - here[1]) / chord)
    return (
        (here[0] + there[0]) / 2 - side * height * along[1],
        (here[1] + there[1]) / 2 + side * height * along[0],
    )


def _sweep(
    clockwise: bool, here: tuple[float, float], there: tuple[float, float], centre: tuple[float, float]
) -> float:
    if math.dist(here, there) <= SAME_MM:
        return 2 * math.pi
    begin = math.atan2(here[1] - centre[1], here[0] - centre[0])
    finish = math.atan2(there[1] - centre[1], there[0] - centre[0])
    return (begin - finish if clockwise else finish - begin) % (2 * math.pi)
