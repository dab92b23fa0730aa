"""Vases: a solid foot, then one line that rises all the way around. Lengths mm."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .chance import Chance
from .layout import Steps
from .outlines import Point, Radial

POINTS = 40
"""Of one turn."""


@dataclass(frozen=True, slots=True)
class Vase:
    """`radius` by (step, height above its foot, height); `lobes` swell it by `swell` mm around."""

    spot: Point
    radius: Callable[[int, float, float], float]
    steps: Steps
    lobes: int
    swell: float

    def size(self, angle: float, z: float) -> float:
        z = min(z, self.steps.last - 1e-6)  # the last turn ends on the last step
        return self.radius(*self.steps.where(z), z) + self.swell * math.cos(self.lobes * angle)

    def outline(self, z: float) -> Radial:
        return Radial(*self.spot, lambda angle: self.size(angle, z), POINTS)


def _dressed(chance: Chance, spot: Point, steps: Steps, radius: Callable[[int, float, float], float]) -> Vase:
    return Vase(spot, radius, steps, chance.whole(3, 8), chance.one_of([0.0, 0.0, 0.6, 1.0]))


def bulges(chance: Chance, steps: Steps, spot: Point) -> Vase:
    """A bulge in each step; the waists between them are sharp."""
    waist, out = chance.between(8.0, 20.0), chance.between(1.2, 4.0)
    out = min(out, steps.rise * 0.45)
    return _dressed(
        chance, spot, steps, lambda step, above, z: waist + out * abs(math.sin(math.pi * above / steps.rise))
    )


def flares(chance: Chance, steps: Steps, spot: Point) -> Vase:
    """Each step flares, or narrows, and the next begins anew."""
    size, out = chance.between(9.0, 20.0), min(chance.between(1.0, 2.5), steps.rise * 0.5) * chance.sign()
    return _dressed(chance, spot, steps, lambda step, above, z: size + out * above / steps.rise)


def smooth(chance: Chance, steps: Steps, spot: Point) -> Vase:
    """One belly, or none: nothing repeats."""
    size, out = chance.between(9.0, 16.0), chance.between(1.0, 6.0)
    at, extent = chance.between(0.2, 0.8), chance.between(0.2, 0.5)
    lean = chance.between(-0.2, 0.3)

    def radius(step: int, above: float, z: float) -> float:
        part = (z - steps.first) / (steps.top - steps.first)
        return size * (1 + lean * part) + out * math.exp(-(((part - at) / extent) ** 2))

    return _dressed(chance, spot, steps, radius)
