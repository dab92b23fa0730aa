"""What test towers carry, once in every band. A feature changes the slab of a layer, knowing where in its band it lies."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.support.printed_towers.geometry import circle, hole
from tests.support.printed_towers.slab import Slab, strokes


@dataclass(frozen=True, slots=True)
class Spot:
    """Band n from 0, t mm over its foot; its rise in mm. Bare: nothing lies under the first band."""

    n: int
    t: float
    rise: float
    count: int
    bare: bool

    @property
    def share(self) -> float:
        return self.t / self.rise


Feature = Callable[[Slab, Spot], None]


def foot_ledge(out: float, high: float) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        if at.t < high:
            slab.grow(out)

    return work


def top_ledge(out: float, high: float) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        if at.t > at.rise - high:
            slab.grow(out)

    return work


def foot_groove(deep: float, high: float) -> Feature:
    """Not right on the bed."""

    def work(slab: Slab, at: Spot) -> None:
        if at.t < high and not (at.bare and at.n == 0):
            slab.grow(-deep)

    return work


def top_groove(deep: float, high: float) -> Feature:
    """Between bands: not at the top of the last."""

    def work(slab: Slab, at: Spot) -> None:
        if at.t > at.rise - high and at.n < at.count - 1:
            slab.grow(-deep)

    return work


def tab(out: float, wide: float, high: float) -> Feature:
    """A mark on the front at the foot of each band, at the left."""

    def work(slab: Slab, at: Spot) -> None:
        if at.t < high:
            slab.bumps.append((slab.x0, slab.x0 + wide, out))

    return work


def shelf(out: float, high: float) -> Feature:
    """Over the whole front, at the foot of each band."""

    def work(slab: Slab, at: Spot) -> None:
        if at.t < high:
            slab.bumps.append((slab.x0, slab.x1, out))

    return work


def cones(out: float, high: float, number: int, wide: float, share: float) -> Feature:
    """On a shelf: they end in a point at a share of the rise."""

    def work(slab: Slab, at: Spot) -> None:
        shelf(out, high)(slab, at)
        tip = at.rise * share
        if high <= at.t < tip:
            radius = max(0.5, wide * (tip - at.t) / (tip - high))
            for n in range(number):
                x = slab.x0 + (slab.x1 - slab.x0) * (n + 1) / (number + 1)
                slab.islands.append(circle(x, slab.y0 - out / 2 - 0.3, radius, 16))

    return work


def window(form: str, low: float, high: float, wide: float, middle: float = 0.5) -> Feature:
    """From front to back; low, high and middle are shares of the rise and of the width, wide is in mm."""

    def half(up: float, tall: float) -> float:
        if form == "round":
            return wide / 2 * math.sqrt(max(0.0, 1 - (2 * up / tall - 1) ** 2))
        spring = max(0.0, tall - wide / 2) if form == "arch" else tall * 0.5
        if form == "flat" or up < spring:
            return wide / 2
        over = (up - spring) / (tall - spring)
        return wide / 2 * (math.sqrt(max(0.0, 1 - over * over)) if form == "arch" else 1 - over)

    def work(slab: Slab, at: Spot) -> None:
        if low <= at.share < high:
            reach = half(at.t - low * at.rise, (high - low) * at.rise)
            x = slab.x0 + (slab.x1 - slab.x0) * middle
            if reach > 0.15:
                slab.gaps.append((x - reach, x + reach))

    return work


def wedge(out: float, begin: float, back: bool) -> Feature:
    """Grows out of the right or the back from a share of the rise on, and ends flat over the next band."""

    def work(slab: Slab, at: Spot) -> None:
        mm = out * max(0.0, at.share - begin) / (1 - begin)
        if back:
            slab.y1 += mm
        else:
            slab.x1 += mm

    return work


def taper(mm: float) -> Feature:
    """Wider (or, below zero, narrower) towards the top of each band, and back at the next."""

    def work(slab: Slab, at: Spot) -> None:
        slab.grow(mm * at.share)

    return work


def lean(slopes: Sequence[float]) -> Feature:
    """The band leans to the front: mm for a mm, band after band."""

    def work(slab: Slab, at: Spot) -> None:
        mm = at.t * slopes[at.n % len(slopes)]
        slab.y0 -= mm
        slab.y1 -= mm

    return work


def bulge(mm: float) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        slab.grow(mm * math.sin(math.pi * at.share))

    return work


def stairs(mm: float) -> Feature:
    """Each band is narrower than the one under it."""

    def work(slab: Slab, at: Spot) -> None:
        slab.grow(-mm * at.n)

    return work


def every_other(mm: float) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        slab.grow(mm if at.n % 2 else 0.0)

    return work


def terraces(deep: float, high: float) -> Feature:
    """The front of every other band goes in and out in small steps."""

    def work(slab: Slab, at: Spot) -> None:
        if at.n % 2 and int(at.t / high) % 2:
            slab.bumps.append((slab.x0, slab.x1, deep))

    return work


def ribs(deep: float, wide: float) -> Feature:
    """Upright ones on the front of every other band."""

    def work(slab: Slab, at: Spot) -> None:
        x = slab.x0 + wide
        while at.n % 2 and x + wide < slab.x1:
            slab.bumps.append((x, x + wide, deep))
            x += 2 * wide

    return work


def turn(angles: Sequence[float]) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        slab.turn += angles[at.n % len(angles)]

    return work


def density(shares: Sequence[float]) -> Feature:
    def work(slab: Slab, at: Spot) -> None:
        slab.density = shares[at.n % len(shares)]

    return work


def bore(radius: float) -> Feature:
    """Upright, through the middle."""

    def work(slab: Slab, at: Spot) -> None:
        slab.holes.append(hole(circle(*slab.middle, radius, 20)))

    return work


def digits(texts: Sequence[str], cell: float, tall: float, foot: float, deep: float) -> Feature:
    """On the front: raised, or engraved where deep is below zero. Cells in mm across and up, foot over the band's."""

    def work(slab: Slab, at: Spot) -> None:
        row = math.floor((at.t - foot) / tall)
        if 0 <= row < 7:
            text = texts[at.n % len(texts)]
            left = (slab.x0 + slab.x1) / 2 - cell * (6 * len(text) - 1) / 2
            slab.bumps += [(left + a * cell, left + b * cell, deep) for a, b in strokes(text, row)]

    return work
