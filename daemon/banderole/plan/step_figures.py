"""Figures for steps that were found at layers: the roundest plinth and rise that put every edge where it was seen.

A part is drawn in round figures and cut into layers afterwards, so each edge lies up to half a layer beside its nominal
height. Of all figures that fit, the roundest are the likeliest to be meant. Pure; mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

STEPS: Final = ((1.0, 0.0), (0.5, 0.3), (0.1, 0.6), (0.05, 1.0), (0.02, 1.3), (0.01, 1.5))
"""How round a multiple of each is: less is rounder."""
GRID_MM: Final = 0.01


def roundness(mm: float) -> float:
    return next((cost for step, cost in STEPS if abs(mm / step - round(mm / step)) * step < 1e-6), 2.0)


def round_figures(
    low: float, rise: float, seen: Sequence[tuple[int, float, float]], half: float
) -> tuple[float, float]:
    """Plinth and rise near `low` and `rise`; `seen` are heights of boundaries by number, and how far off each may be."""
    reach = round(0.12 / GRID_MM)
    feet = [slack for n, _, slack in seen if n == 0]
    if feet:  # the end of a foot that was seen is as near as can be known, unless thinner layers above tell it finer
        half = max(0.0, feet[0] - min(slack for _, _, slack in seen))
    last = max((n for n, _, _ in seen), default=0)
    best = None
    for up in range(-reach, reach + 1):
        mm = round(rise / GRID_MM) * GRID_MM + up * GRID_MM
        for by in range(-round(half / GRID_MM), round(half / GRID_MM) + 1):
            plinth = 0.0 if low == 0 else round(low / GRID_MM) * GRID_MM + by * GRID_MM
            cost = 0.5 * roundness(mm) + 0.05 * roundness(plinth) + ((mm - rise) / 0.04) ** 2 / 2
            for n, z, slack in seen:
                off = abs(plinth + n * mm - z) / (slack - 0.01)
                cost += (off * off + (20 if n in (0, last) else 3) * max(0.0, off - 1)) / len(seen)
            if best is None or cost < best[0]:
                best = cost, plinth, mm
            if low == 0:
                break
    assert best is not None
    return round(max(0.0, best[1]), 2), round(best[2], 2)
