"""Figures for steps that were found at layers: the roundest plinth and rise that surely lie where the true ones do.

A part is drawn in figures and cut into layers afterwards, so each edge lies up to half a layer beside its nominal height.
All plinths and rises that fit every edge lie in a polygon; its widths at the first and the last boundary say how well they
are known. Round figures are the likeliest to be meant, but taken only where no figures that fit lie more than half a layer
from them, at either end: a small error of the rise adds up. Pure; mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

STEPS: Final = ((1.0, 0.0), (0.5, 0.3), (0.1, 0.6), (0.05, 1.0), (0.02, 1.3), (0.01, 1.5))
"""How round a multiple of each is: less is rounder."""
GRID_MM: Final = 0.01
FINE_MM: Final = 0.001
"""Where a hundredth a step would add up to too much."""
WIDER: Final = (1.0, 1.5, 2.0, 3.0, 5.0)
"""So many times the slack of edges between, where no figures fit: a ledge may stand a little beside where steps meet. But where
both ends are seen they alone tell."""
LOOSE: Final = 4.0
"""Halves of a layer within which the ends lie, without any edge."""
LEAST_MM: Final = 0.005
"""So far from the middle of all that fits may round figures be, however badly it is known."""

Seen = Sequence[tuple[int, float, float]]


@dataclass(frozen=True, slots=True)
class Figures:
    """Plinth and rise, and how far at most the true boundaries may lie from theirs, as far as edges tell."""

    plinth: float
    rise: float
    off: float


def roundness(mm: float) -> float:
    return next((cost for step, cost in STEPS if abs(mm / step - round(mm / step)) * step < 1e-6), 2.0)


def round_figures(low: float, rise: float, count: int, seen: Seen, half: float) -> Figures:
    """Figures near `low` and `rise`, for `count` steps; `seen`: heights of boundaries by number, and how far off each may be.

    `half`: half a usual layer, by which what is told may be off.
    """
    bed = low == 0
    corners = _corners(low, rise, count, seen, half)
    ends = [sorted(plinth + n * mm for plinth, mm in corners) for n in (0, count)]
    (foot, foot_off), (top, top_off) = [((end[0] + end[-1]) / 2, (end[-1] - end[0]) / 2) for end in ends]
    room = [max(LEAST_MM, half - off) for off in (foot_off, top_off)]
    plinths = [0.0] if bed else _near(foot, room[0])
    best = None
    for plinth in plinths:
        for mm in _near((top - plinth) / count, room[1] / count):
            aside = ((plinth - foot) / room[0]) ** 2 + ((plinth + count * mm - top) / room[1]) ** 2
            cost = 0.5 * roundness(mm) + 0.05 * roundness(plinth) + aside
            if best is None or cost < best[0]:
                best = cost, plinth, mm
    assert best is not None
    _, plinth, mm = best
    off = max(foot_off + abs(plinth - foot), top_off + abs(plinth + count * mm - top))
    return Figures(round(max(0.0, plinth), 3), round(mm, 3), off)


def _near(mm: float, room: float) -> list[float]:
    """Figures within `room`: of hundredths, and where there is none of a thousandth."""
    for grid in (GRID_MM, FINE_MM):
        first, last = round((mm - room) / grid + 0.5 - 1e-6), round((mm + room) / grid - 0.5 + 1e-6)
        if first <= last:
            return [n * grid for n in range(first, last + 1)]
    return [round(mm / FINE_MM) * FINE_MM]


def _corners(low: float, rise: float, count: int, seen: Seen, half: float) -> list[tuple[float, float]]:
    """Corners of all (plinth, rise) that fit what was seen."""
    bed = low == 0
    loose = [(0, low, LOOSE * half), (count, low + count * rise, LOOSE * half)]
    found: list[tuple[float, float]] = []
    both = {0, count} <= {n for n, _, _ in seen}
    for wider in WIDER:
        if both and wider > WIDER[0]:
            seen = [one for one in seen if one[0] in (0, count)]
        wide = [(n, z, slack * (1.0 if n in (0, count) else wider)) for n, z, slack in seen]
        bounds = [bound for bound in (*wide, *loose) if not (bed and bound[0] == 0)]
        lines = [(n, z + way * slack) for n, z, slack in bounds for way in (-1, 1)]
        if bed:
            crossings = [(0.0, z / n) for n, z in lines]
        else:
            crossings = [
                ((one * m - other * n) / (m - n), (other - one) / (m - n))
                for (n, one), (m, other) in combinations(lines, 2)
                if n != m
            ]
        fits = [
            (plinth, mm)
            for plinth, mm in crossings
            if all(abs(plinth + n * mm - z) <= slack + 1e-9 for n, z, slack in bounds)
        ]
        if fits and (found or both or wider == WIDER[0]):
            return fits
        found = fits  # what just fits is a corner of what may be: once more as wide
    return found or [(low, rise)]
