"""The curve a heater should follow: first order, under the control that a printer's firmware does.

Full power far below the target, none far above, and in between a proportional approach whose band is the distance
below the target at which full power ends. All of it in closed form, so that it costs microseconds.

Sources: lumped capacitance, (T − T∞)/(Ti − T∞) = e^(−t/τ), any heat transfer textbook (Çengel, ch. 4; Incropera,
ch. 5); that the control is of this shape is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Share of full power above which a target counts as out of reach of proportional control: the last bit of an
# exponential takes for ever, and the estimate of the gain is no better than this.
NEARLY_ALL = 0.98


def decay_time(tau: float, start: float, end: float, limit: float) -> float:
    """Seconds from `start` to `end` (°C) on the way to `limit` with time constant `tau` (s); inf if never reached."""
    whole, left = start - limit, end - limit
    if whole == left:
        return 0.0
    if left == 0.0 or whole / left < 1.0:
        return math.inf
    return tau * math.log(whole / left)


@dataclass(frozen=True, slots=True)
class HeatCurve:
    """One heater: `ambient` °C, `gain` °C above ambient that full power would reach, `tau` s, `band` °C."""

    ambient: float
    gain: float
    tau: float
    band: float

    @property
    def ceiling(self) -> float:
        """°C that full power would reach in the end."""
        return self.ambient + self.gain

    def power_at(self, temperature: float) -> float:
        """Share of full power that holds this temperature, 0 to 1."""
        return min(1.0, max(0.0, (temperature - self.ambient) / self.gain))

    def _handover(self, target: float, rising: bool) -> float:
        """°C where the proportional approach takes over; the target itself where there is none."""
        held = self.power_at(target)
        if not 0.0 < held < NEARLY_ALL:
            return target
        return target - self.band if rising else target + self.band * held / (1.0 - held)

    def _approach_tau(self, target: float) -> float:
        """Time constant, s, inside the control band: the loop is faster than the heater by its loop gain."""
        return self.tau / (1.0 + self.gain * (1.0 - self.power_at(target)) / self.band)

    def travel(self, start: float, target: float, tolerance: float) -> float | None:
        """Seconds from `start` until within `tolerance` of `target`, °C; None: never."""
        if abs(start - target) <= tolerance:
            return 0.0
        rising = start < target
        goal = target - tolerance if rising else target + tolerance
        limit = self.ceiling if rising else self.ambient
        handover = self._handover(target, rising)
        change = min(goal, max(start, handover)) if rising else max(goal, min(start, handover))
        seconds = decay_time(self.tau, start, change, limit)
        if change != goal:
            seconds += (
                self._approach_tau(target) * math.log(abs(change - target) / tolerance) if tolerance > 0 else math.inf
            )
        return seconds if math.isfinite(seconds) else None

    def at(self, start: float, target: float, elapsed: float) -> float:
        """°C expected `elapsed` s after the target was set while at `start`."""
        if elapsed <= 0.0 or start == target:
            return start
        rising = start < target
        limit = self.ceiling if rising else self.ambient
        handover = self._handover(target, rising)
        change = max(start, handover) if rising else min(start, handover)
        first = decay_time(self.tau, start, change, limit)
        if elapsed <= first:
            return limit + (start - limit) * math.exp(-elapsed / self.tau)
        return target + (change - target) * math.exp(-(elapsed - first) / self._approach_tau(target))
