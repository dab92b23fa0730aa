"""Is a sensor's reading one that a heater can give? Impossible values, jumps, and a reading that stands still.

Pure: no clock, no I/O, bounded memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from banderole.run.trips import Caution, Trip

# °C. No room that prints is colder; an open sensor reads lower (some firmware: below −273).
COLDEST = -20.0
# °C above the highest permitted setpoint: no control overshoots so far, a shorted sensor does.
ABOVE_LIMIT = 20.0
# °C. Less is noise or a step of rounding, however short the interval between two readings.
LEAST_JUMP = 10.0
# s, and share: `jump.degrees_per_s` leaves noise and rounding room between two readings, and no heater keeps it up. After a gap
# a sixth of it (10 °C/s: more than the strongest small heaters give, common practice, no source) is room enough; with
# more, a wild sample behind a gap of 3 s would be believed, and the good one behind it taken for a fall.
SUDDEN_S = 1.0
LASTING = 1.0 / 6.0
# s. What comes behind a longer gap may have been held back by the printer for as long as the gap, and a fresh one comes with it.
HELD_BACK_S = 3.0
# The reference itself may be the wild one among so many first readings: a jump there begins anew from its end.
TRUSTED_AFTER = 3
# One wild sample is counted; so many in a row are no accident.
IN_A_ROW = 2

# °C that must have been due before standing still is a fault: three steps of whole degrees, the coarsest readings there
# are. Finer readings get no less, since the expected curve is no better than that either.
MOVES = 3.0
# °C, step of a reading until a smaller one has been seen: whole degrees.
COARSEST = 1.0
# Change of mean power at which the temperature must change: above what a part fan costs (a fifth at most, measured
# nowhere: common practice, no source).
POWER_CHANGE = 0.35
# Power that counts as none.
NO_POWER = 0.03
# °C above the setpoint, and absolutely, from which a heater without power must be seen to cool. Enclosures, and a nozzle
# over a hot bed, stand still at 70 °C and more without any power of their own (common practice, no source).
COOLS_ABOVE = 3.0
COOLS_FROM = 80.0
# Times `stuck_s` for which it may stand still where nothing is known of the heater: a heavy bed near room temperature
# takes that long for one whole degree.
UNMODELLED = 3.0


def may_move(degrees_per_s: float, interval: float, since_good: float) -> float:
    """°C by which a sound sensor may have moved: `interval` s after the last reading, `since_good` after the last usable one."""
    return degrees_per_s * (min(interval, SUDDEN_S) + LASTING * max(0.0, since_good - SUDDEN_S))


class Plausible:
    """Judges single readings: `feed` gives (usable, what to say)."""

    def __init__(self, heater: str, limit: float, degrees_per_s: float) -> None:
        self._heater = heater
        self._highest = limit + ABOVE_LIMIT
        self._rate = degrees_per_s
        self._good: float | None = None
        self._good_at = 0.0
        self._seen = 0
        self._at: float | None = None
        self._bad = 0

    def feed(self, measured: float, now: float) -> tuple[bool, Trip | Caution | None]:
        """One reading, °C. Not usable: nothing else may be concluded from it."""
        interval = 0.0 if self._at is None else now - self._at
        made_at = now if self._at is None or interval <= HELD_BACK_S else self._at  # at the earliest
        self._at = now
        if not COLDEST <= measured <= self._highest:  # a NaN is in no range
            return False, self._count(self._impossible(measured))
        self._seen += 1
        if self._good is not None:
            allowed = max(LEAST_JUMP, may_move(self._rate, interval, now - self._good_at))
            if abs(measured - self._good) > allowed:
                said = self._count(self._jump(measured, self._good, interval, allowed))
                if self._seen <= TRUSTED_AFTER:
                    self._good, self._good_at, self._bad = measured, made_at, 0
                return False, said
        self._good, self._good_at, self._bad = measured, made_at, 0
        return True, None

    def _count(self, caution: Caution) -> Trip | Caution:
        self._bad += 1
        if self._bad < IN_A_ROW:
            return caution
        return Trip(caution.alarm, caution.value, caution.limit, f"{caution.text}, {self._bad} readings in a row")

    def _impossible(self, measured: float) -> Caution:
        value = measured if math.isfinite(measured) else None
        limit = COLDEST if measured < COLDEST else self._highest
        range_text = f"{COLDEST:.0f} to {self._highest:.0f}"
        text = f"{self._heater} reads {measured:.1f} °C, which no working sensor can ({range_text})"
        return Caution("sensor_impossible", value, limit, text)

    def _jump(self, measured: float, before: float, interval: float, allowed: float) -> Caution:
        text = (
            f"{self._heater} went from {before:.1f} to {measured:.1f} °C in {interval:.2f} s, faster than a heater can"
        )
        return Caution("sensor_jump", measured, allowed, text)


@dataclass(slots=True)
class _Mean:
    total: float = 0.0
    seconds: float = 0.0

    def add(self, value: float, seconds: float) -> None:
        self.total += value * seconds
        self.seconds += seconds

    @property
    def value(self) -> float | None:
        return self.total / self.seconds if self.seconds > 0.0 else None


@dataclass(slots=True)
class Stillness:
    """How long one and the same value has been read, and what power did meanwhile.

    A reading that stands still is no fault while nothing should move it: whole-degree readings do so for minutes. It
    is one when, for `stuck_s`, something should have: the setpoint changed, or power did.
    """

    stuck_s: float
    value: float = math.nan
    since: float = 0.0
    resolution: float = COARSEST
    _last: float = 0.0
    _highest_power: float = 0.0
    _before: _Mean = field(default_factory=_Mean)
    _window: _Mean = field(default_factory=_Mean)
    _latest: float | None = None

    def feed(self, measured: float, power: float | None, now: float) -> None:
        """One reading, °C, with the power reported beside it."""
        if measured != self.value:
            self._moved(measured, now)
        elif power is not None:
            self._see_power(power, now - self._last)
        self._last = now

    def _moved(self, measured: float, now: float) -> None:
        step = abs(measured - self.value)
        # Text has hundredths at best; smaller is how binary fractions are.
        if 1e-3 < step < self.resolution:
            self.resolution = step
        self.value, self.since = measured, now
        self._before, self._window, self._latest = _Mean(), _Mean(), None
        self._highest_power = 0.0

    def _see_power(self, power: float, seconds: float) -> None:
        """The first third of `stuck_s` is what later thirds are compared with."""
        self._highest_power = max(self._highest_power, power)
        if self._before.seconds < self.stuck_s / 3.0:
            self._before.add(power, seconds)
            return
        self._window.add(power, seconds)
        if self._window.seconds >= self.stuck_s / 3.0:
            self._latest, self._window = self._window.value, _Mean()

    def setpoint_changed(self, now: float) -> None:
        """From now on a change is due: the time starts again, what power was before stays."""
        self.since = now
        self._window, self._latest = _Mean(), None
        self._highest_power = 0.0

    def long_enough(self, now: float) -> bool:
        """Whether the same value has been read for `stuck_s` in unchanged circumstances."""
        return now - self.since >= self.stuck_s

    def without_power(self, target: float) -> bool:
        """Whether it had no power all the time (by report; where there is none, by being off), where a heater cools."""
        cools = self.value > max(COOLS_FROM, target + COOLS_ABOVE)
        if self._before.seconds > 0.0:
            return cools and self._highest_power <= NO_POWER
        return cools and target <= 0.0

    def power_says(self, target: float, now: float) -> str | None:
        """Why, by reported power alone, the reading should have moved; None: no reason."""
        before, latest = self._before.value, self._latest
        if before is not None and latest is not None and abs(latest - before) > POWER_CHANGE:
            return f"power went from {100 * before:.0f} to {100 * latest:.0f} %"
        if self.without_power(target) and now - self.since >= UNMODELLED * self.stuck_s:
            return "power is off"
        return None

    def model_says(self, expected: float | None) -> str | None:
        """Why, by the expected curve, the reading should have moved; None: no reason."""
        if expected is None or abs(expected - self.value) <= MOVES:
            return None
        return f"{expected:.1f} °C was due"
