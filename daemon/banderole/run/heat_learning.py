"""Learning a first-order heater from ordinary readings.

A heater obeys dT/dt = c·u − k·(T − Ta): u the power as a share of full, c = gain/τ, k = 1/τ. Integrated over a segment
of the run it is linear in c and k,

    ΔT = c·∫u dt − k·∫(T − Ta) dt

and needs no derivative: a reading that is noisy or rounded to whole degrees errs once at each end of a segment, and
neighbouring segments share that error with opposite signs. So segments are cut by how far the temperature went,
and least squares over them (forgetting slowly, since a fan changes the heater) gives c and k with their uncertainty.

Bounded: five sums, one open segment, three readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

# Each segment leaves this share of what was known: some 30 segments of memory, about two climbs of a nozzle.
MEMORY = 0.97
# Segments, by weight, from which the scatter about the fit says how good it is: five for two unknowns leave three.
ENOUGH = 4.5
# °C, the least error a segment is taken to have: readings come in tenths at best, often in whole degrees.
LEAST_ERROR = 0.25
# °C that the temperature must move under a new power before its readings count: by then the dead time is over.
LEAD_IN = 3.0
# °C to a segment: long against rounding, short against a step between bands where that is all there is.
SEGMENT = 4.0
# Power reports that differ by less than this are the same power (one step of 127 is 0.008).
SAME_POWER = 0.03
# A hold counts when this many readings, over this share of τ, stood within HOLD_SPREAD °C.
HOLD_READINGS = 30
HOLD_SHARE = 0.3
HOLD_SPREAD = 3.0


@dataclass(slots=True)
class Regression:
    """Least squares of ΔT = c·U − k·Θ with forgetting, by its normal equations."""

    uu: float = 0.0
    ut: float = 0.0
    tt: float = 0.0
    du: float = 0.0
    dt: float = 0.0
    dd: float = 0.0
    count: float = 0.0

    def add(self, change: float, power_time: float, heat_time: float) -> None:
        """One segment: ΔT (°C), ∫u dt (s), ∫(T − Ta) dt (°C·s)."""
        self.uu = MEMORY * self.uu + power_time * power_time
        self.ut = MEMORY * self.ut - power_time * heat_time
        self.tt = MEMORY * self.tt + heat_time * heat_time
        self.du = MEMORY * self.du + change * power_time
        self.dt = MEMORY * self.dt - change * heat_time
        self.dd = MEMORY * self.dd + change * change
        self.count = MEMORY * self.count + 1.0

    def solve(self) -> tuple[float, float, float, float] | None:
        """(c, k, relative error of c, relative error of k); None: too few segments, or they do not tell the two apart."""
        if self.count < ENOUGH:
            return None
        determinant = self.uu * self.tt - self.ut * self.ut
        if determinant <= 1e-9 * self.uu * self.tt:
            return None
        c = (self.du * self.tt - self.dt * self.ut) / determinant
        k = (self.dt * self.uu - self.du * self.ut) / determinant
        if c <= 0.0 or k <= 0.0:
            return None
        left = max(0.0, self.dd - c * self.du - k * self.dt)
        error = max(LEAST_ERROR**2, left / max(1.0, self.count - 2.0))
        return c, k, math.sqrt(error * self.tt / determinant) / c, math.sqrt(error * self.uu / determinant) / k


@dataclass(slots=True)
class _Segment:
    began: float
    start: float
    power_time: float = 0.0
    heat_time: float = 0.0
    readings: int = 0
    low: float = field(default=math.inf)
    high: float = field(default=-math.inf)


class Segments:
    """Cuts the readings of one heater into segments of constant power and hands each to the regression."""

    def __init__(self, ambient: float) -> None:
        self.ambient = ambient
        self.regression = Regression()
        self._power: float | None = None
        self._open: _Segment | None = None
        self._leading = True
        self._last: tuple[float, float] | None = None

    def feed(self, measured: float, power: float | None, now: float, tau: float | None) -> bool:
        """Take a reading; power None = not known, such readings teach nothing. True when a segment was added."""
        last, self._last = self._last, (now, measured)
        if last is None or now <= last[0]:
            return False
        if power is None or self._power is None or abs(power - self._power) > SAME_POWER:
            self._power, self._open, self._leading = power, None, True
            return False
        if self._open is None:
            self._open = _Segment(now, measured)
            return False
        self._extend(self._open, last, measured, power, now)
        return self._close(self._open, measured, now, tau)

    def _extend(self, segment: _Segment, last: tuple[float, float], measured: float, power: float, now: float) -> None:
        step = now - last[0]
        segment.power_time += power * step
        segment.heat_time += ((measured + last[1]) / 2.0 - self.ambient) * step
        segment.readings += 1
        segment.low = min(segment.low, measured)
        segment.high = max(segment.high, measured)

    def _close(self, segment: _Segment, measured: float, now: float, tau: float | None) -> bool:
        change = measured - segment.start
        if self._leading and abs(change) >= LEAD_IN:
            self._leading = False
            self._open = _Segment(now, measured)
            return False
        if not self._leading and abs(change) >= SEGMENT:
            self.regression.add(change, segment.power_time, segment.heat_time)
            self._open = _Segment(now, measured)
            return True
        if self._is_hold(segment, now, tau):
            # A long hold would outweigh all movement: count it as one segment in which power moved SEGMENT °C.
            scale = SEGMENT * (tau or 1.0) / max(segment.heat_time, 1e-9)
            self.regression.add(change * scale, segment.power_time * scale, segment.heat_time * scale)
            self._open = _Segment(now, measured)
            return True
        return False

    def _is_hold(self, segment: _Segment, now: float, tau: float | None) -> bool:
        """Settled at part of full power: says what gain the heater has, as movement says what τ it has."""
        part = self._power is not None and SAME_POWER < self._power < 1.0 - SAME_POWER
        long_enough = tau is not None and segment.readings >= HOLD_READINGS and now - segment.began >= HOLD_SHARE * tau
        return part and long_enough and segment.high - segment.low <= HOLD_SPREAD and segment.heat_time > 0.0
