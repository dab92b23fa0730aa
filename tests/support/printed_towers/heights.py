"""The tops of layers in mm: even ones, or such as a slicer lays where it suits the slopes."""

from __future__ import annotations

import math
import random

EVEN = (0.1, 0.12, 0.15, 0.16, 0.18, 0.2, 0.2, 0.2, 0.24, 0.25, 0.28, 0.3, 0.32)
"""mm; common practice for a nozzle of 0.4 mm."""


def even(layer: float, first: float, height: float) -> tuple[float, ...]:
    count = max(1, round((height - first) / layer))
    return tuple(round(first + layer * n, 4) for n in range(count + 1))


def varied(
    thin: float, thick: float, first: float, height: float, rise: float, dice: random.Random
) -> tuple[float, ...]:
    """Thin and thick by turns: with the rise of the tower, with a length of its own, or at random, in steps of 0.02 mm."""
    wave = dice.choice((rise, dice.uniform(6, 40), 0.0))
    phase, share = dice.random(), dice.random()
    tops = [first]
    while tops[-1] < height - thin / 2:
        if wave:
            share = 0.5 + 0.5 * math.sin(math.tau * (tops[-1] / wave + phase))
        else:
            share = min(1.0, max(0.0, share + dice.uniform(-0.15, 0.15)))
        step = thin + (thick - thin) * share
        tops.append(round(tops[-1] + round(step / 0.02) * 0.02, 4))
    return tuple(tops)
