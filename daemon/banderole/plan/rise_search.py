"""Which rises the events of a part speak for: the autocorrelation of each train, as a likelihood. Pure; mm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from .layer_events import Train
from .layer_signature import FEATURES, Layer

GRID_MM: Final = 0.03
"""Heights as bits of an integer: finer than half the thinnest usual layer."""
LEVELS: Final = (1.0, 6.0, 40.0)
"""Strengths from which on events are looked at: weak unrest between strong edges must not hide them."""
MOST_EVENTS: Final = 150
"""A train with more says nothing: something in it is everywhere."""
LEAST_RISE_MM: Final = 2.95
"""Lower steps nobody can judge (common practice, no source); infills repeat at less."""
LEAST_LAYERS: Final = 5
"""A step of fewer layers settles nothing."""
MET: Final = 0.9
"""How often an event of a regular part has its like a rise away: some labels, some seams differ."""
APART: Final = 3.0
"""Of the outline's trains as many are taken to know nothing of each other: the box, what it holds, how many pieces."""
MOST: Final = 5
"""Rises that are looked at further, of the outline's and of all events."""


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise (mm), how many nats the trains of the outline and all trains speak for it, and its chance.

    `whole`: of the events that have their like two rises away, the share that have it one rise away too; a half of the true
    rise has few. `bridges`: nats of what is laid over nothing, less those of what has nothing laid on it: an infill that turns
    has both. `part`: the most that a half or a third of the rise is spoken for, as a share.

    The trains know of each other, so their sum is a measure, not a likelihood. The chance is bounded by Markov: under chance
    the mean of a likelihood ratio is 1, so it is above exp(nats) in at most exp(-nats) of all cases; times all that was tried.
    It is that of the best train, or of the outline's together, where APART of them are taken to be strangers.
    """

    mm: float
    outline: float
    all: float
    chance: float = 1.0
    whole: float = 1.0
    bridges: float = 0.0
    part: float = 0.0


@dataclass(frozen=True, slots=True)
class _Bits:
    name: tuple[int, str]
    outline: bool
    points: int
    wide: int
    chance: float


FINE_MM: Final = 0.01
"""Rises are told apart by this much once they are found: drawn figures are rarely finer."""
NEAR_MM: Final = 0.3
"""How far the finest figure of a rise may lie from its coarse one."""
_OVERHANG: Final = FEATURES.index("overhang")
_ENDED: Final = FEATURES.index("ended")
SURE_OUTLINE: Final = 15.0
"""Nats from which on the outline alone says how high a step is: an infill has its own rhythm."""


def rises_of(layers: Sequence[Layer], trains: Sequence[Train]) -> list[Rise]:
    """The rises most spoken for, at least a third of a millimetre apart; those of the outline first."""
    top = layers[-1].z
    thick = max(layer.height for layer in layers[1:])
    usual = sorted(layer.height for layer in layers)[len(layers) // 2]
    bits = [one for train in trains for one in _bits(train, thick * 0.6 + 0.02, top)]
    step = math.ceil(max(LEAST_RISE_MM, LEAST_LAYERS * usual) / GRID_MM)
    tried = max(1.0, len({one.name for one in bits}) * top / 4 / thick)
    spectrum = []
    while step * GRID_MM < top / 2:
        best: dict[tuple[int, str], tuple[float, bool]] = {}
        for one in bits:
            nats = _nats(one, step)
            if nats > best.get(one.name, (0.0, True))[0]:
                best[one.name] = nats, one.outline
        outline = sum(nats for nats, walls in best.values() if walls)
        most = max((nats for nats, _ in best.values()), default=0.0)
        total = sum(nats for nats, _ in best.values())
        over, ended = (best.get((feature, "edge"), (0.0, False))[0] for feature in (_OVERHANG, _ENDED))
        chance = min(1.0, tried * math.exp(-max(most, outline / APART)))
        spectrum.append(Rise(step * GRID_MM, outline, total, chance, bridges=over - 3 * ended))
        step += 1
    fine = [one for train in trains for one in _bits(train, thick * 0.45 + 0.01, top)]
    by_step = {round(rise.mm / GRID_MM): (rise.outline, rise.all) for rise in spectrum}
    found: list[Rise] = []
    coarse: list[Rise] = []
    for outline in (True, False):
        peaks: list[Rise] = []
        for rise in sorted(spectrum, key=lambda rise: rise.outline if outline else rise.all, reverse=True)[:200]:
            if (rise.outline if outline else rise.all) > 0 and all(abs(rise.mm - other.mm) > 0.35 for other in peaks):
                peaks.append(rise)
                if all(abs(rise.mm - other.mm) > 1e-9 for other in coarse):
                    coarse.append(rise)
                    mm = _fine(rise, fine, top)
                    walls = rise.outline > SURE_OUTLINE
                    found.append(replace(rise, mm=mm, whole=_whole(mm, bits, walls), part=_part(rise, by_step)))
                if len(peaks) == MOST:
                    break
    return found


def _fine(rise: Rise, bits: Sequence[_Bits], top: float) -> float:
    """The middle of where likes a rise, two rises, three … away speak most: the farther, the finer."""
    if rise.outline > SURE_OUTLINE:
        bits = [one for one in bits if one.outline]
    reach = round(NEAR_MM / FINE_MM)
    speak = []
    for by in range(-reach, reach + 1):
        mm = rise.mm + by * FINE_MM
        total = 0.0
        for times in range(1, int(top / mm) + 1):
            total += sum(max(0.0, _nats(one, round(times * mm / GRID_MM))) for one in bits)
        speak.append((total, mm))
    most = max(total for total, _ in speak)
    if not most:
        return rise.mm
    best = [(total - 0.6 * most, mm) for total, mm in speak if total > 0.6 * most]
    return sum(weight * mm for weight, mm in best) / sum(weight for weight, _ in best)


def _part(rise: Rise, by_step: dict[int, tuple[float, float]]) -> float:
    walls = rise.outline > SURE_OUTLINE
    near = [
        by_step.get(round(rise.mm / times / GRID_MM) + by, (0.0, 0.0))[0 if walls else 1]
        for times in (2, 3)
        for by in (-4, -3, -2, -1, 0, 1, 2, 3, 4)
    ]
    most = rise.outline if walls else rise.all
    return max(near) / most if most else 0.0


def _whole(mm: float, bits: Sequence[_Bits], walls: bool) -> float:
    every: dict[tuple[int, str], int] = {}
    for one in bits:
        every[one.name] = every.get(one.name, 0) | one.wide
    far = both = 0.0
    step, leap = round(mm / GRID_MM), round(2 * mm / GRID_MM)
    for one in bits:
        if one.outline or not walls:
            weight = -math.log(one.chance)
            reach = one.points & (one.wide >> leap)
            far += weight * reach.bit_count()
            both += weight * (reach & (every[one.name] >> step)).bit_count()
    return both / far if far else 1.0


def _bits(train: Train, slack: float, top: float) -> list[_Bits]:
    found: list[_Bits] = []
    last = -1
    cells = int(top / GRID_MM) + 1
    for level in LEVELS:
        heights = train.above(level)
        if not 2 <= len(heights) <= MOST_EVENTS or len(heights) == last:
            continue
        last = len(heights)
        points = wide = 0
        for z in heights:
            low, high = max(0, round((z - slack) / GRID_MM)), round((z + slack) / GRID_MM)
            points |= 1 << round(z / GRID_MM)
            wide |= ((1 << (high - low + 1)) - 1) << low
        chance = min(0.95, wide.bit_count() / cells + 0.01)
        if chance <= 0.5:
            found.append(_Bits((train.feature, train.kind), train.outline, points, wide, chance))
    return found


def _nats(bits: _Bits, step: int) -> float:
    """For events that have their like a rise higher or lower; those below the first and above the last are left out."""
    met = missed = 0
    for hits in (bits.points & (bits.wide >> step), bits.points & (bits.wide << step)):
        if hits:
            first, last = (hits & -hits).bit_length() - 1, hits.bit_length()
            within = (bits.points >> first) & ((1 << (last - first)) - 1)
            count = hits.bit_count()
            met += count
            missed += within.bit_count() - count
    return (met * math.log(MET / bits.chance) + missed * math.log((1 - MET) / (1 - bits.chance))) / 2
