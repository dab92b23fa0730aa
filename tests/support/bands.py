"""Which band each deposit of a file is in, reckoned without the project's itinerary: the reference interpreter, and brute force.

The one rule: a layer belongs to the band that holds its middle (Z − height/2), a block of a continuous spiral to the band
that holds the middle of its own path. What a layer lies on is the last thing laid that is lower; where that would make it
thicker than any nozzle lays, the highest thing ever laid that is lower.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from banderole.plan.schedule import Band, Schedule, SettleSettings

from tests.support.reference_interpreter import Machine

SAME = Fraction(1, 10_000)  # mm: heights closer than this are one
FINE = Fraction(1, 200)  # mm: a flat block behind one that rose by no more is still the spiral
SEAM, TURN = (
    Fraction(6, 10),
    Fraction(2, 10),
)  # mm: a slope that is no spiral; how high one turn of a spiral is taken to be
TOUCH, DUST = Fraction(1, 1000), Fraction(1, 10**9)
THICK = Fraction(3, 2)  # mm: no desktop nozzle lays a thicker layer


def schedule(*bands: dict[str, float], heights: tuple[float, ...], channels: tuple[str, ...] = ("nozzle",)) -> Schedule:
    """Bands from the bed, with these upper heights; one more setpoint than heights."""
    lower = (0.0, *heights)
    upper = (*heights, None)
    rows = [Band(n, a, b, s) for n, (a, b, s) in enumerate(zip(lower, upper, bands, strict=True), 1)]
    return Schedule("test", None, tuple(rows), SettleSettings(), (), channels)


def middles(blocks: list[str], joined: bool) -> dict[int, Fraction]:
    """Index of each block that deposits → the height that decides its band."""
    machine = Machine(joined=joined)
    laid: list[Laid] = []  # in order of time
    found: dict[int, Fraction] = {}
    for index, block in enumerate(blocks):
        before = dict(machine.at)
        done = machine.run(block)
        if not done.deposit:
            continue
        z0, z = before["Z"], machine.at["Z"]
        straight_up = all(before[a] == machine.at[a] for a in "XY") and machine.last_motion in ("G0", "G1")
        if not laid and straight_up:
            found[index] = Fraction(0)  # a purge before the first layer
            continue
        laid.append(_one(z0, z, laid))
        found[index] = laid[-1].middle
    return found


class Laid(NamedTuple):
    """One deposit: where it ends, what decides its band, and of a slope where it began and how much this block rose."""

    z: Fraction
    middle: Fraction
    began: Fraction | None
    rose: Fraction


def _one(z0: Fraction, z: Fraction, laid: list[Laid]) -> Laid:
    last = laid[-1] if laid else None
    goes_on = False
    if last is not None and last.began is not None:
        goes_on = abs(z - last.z) <= FINE and (last.rose <= FINE or last.z - last.began > SEAM)
    if z0 != z or goes_on:
        began = last.began if last is not None and z0 >= last.z - SAME else None
        return Laid(z, (z0 + z) / 2, z0 if began is None else began, abs(z - z0))
    if last is not None and last.began is None and abs(last.z - z) <= SAME:
        return Laid(z, last.middle, None, Fraction(0))  # the layer in work goes on
    lower = [height for height in map(_left_behind, laid) if height is not None and height < z - SAME]
    below = lower[-1] if lower else Fraction(0)
    if z - below > THICK:
        below = max(lower, default=Fraction(0))
    return Laid(z, (z + below) / 2, None, Fraction(0))


def _left_behind(one: Laid) -> Fraction | None:
    """The height that is there for a later layer to lie on: of a spiral a turn below, of a tapered seam none."""
    if one.began is None:
        return one.z
    return one.z - TURN if one.z - one.began > SEAM else None


def bands_of(schedule: Schedule, middle: Fraction) -> set[int]:
    """Lower height included, upper excluded, within 1 µm; at the very edge of that, either (floats decide)."""
    return {_band_of(schedule, middle + DUST), _band_of(schedule, middle - DUST)}


def _band_of(schedule: Schedule, middle: Fraction) -> int:
    reached = 1
    for band in schedule.bands:
        if middle >= Fraction(band.from_mm).limit_denominator(10**6) - TOUCH:
            reached = band.number
    return reached
