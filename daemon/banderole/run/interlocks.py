"""HeaterInterlocks: the watch over one heater. Each interlock is armed, then tripped for the rest of the run.

Theory of operation. The setpoint decides what is watched:

    off       setpoint 0: the temperature must not climb (`off_watch`)
    changing  setpoint changed, not reached yet: it must go where it should, as fast as it should (`change_watch`)
    settled   within REACHED of the setpoint once, or past it: not further below (heat_runaway) or above
              (heat_overshoot) than the settings say, for longer than they say

and always: readings that a sensor cannot give or that stand still while something should move them (`sensor_checks`),
and more than the machine is permitted. The alarms and what each means are in `register`.

Pure: no clock, no I/O; `now` is monotonic seconds. That readings come at all is the engine's to watch.
"""

from __future__ import annotations

from enum import Enum

from banderole.plan.interlock_settings import HeaterInterlocks as InterlockSettings
from banderole.run.change_watch import CLEAR_BY, ChangeWatch
from banderole.run.off_watch import CONFIRMED, OffWatch
from banderole.run.sensor_checks import Plausible, Stillness
from banderole.run.thermal import HeaterModel
from banderole.run.trips import Caution, Level, Trip

__all__ = ["Caution", "HeaterInterlocks", "InterlockSettings", "Phase", "Trip"]

# °C: a setpoint counts as reached this near to it. Wider than any tolerance in use, narrower than any trip level.
REACHED = 3.0
# °C above the highest permitted setpoint: control overshoots by some degrees at that setpoint too.
OVER_LIMIT = 10.0


class Phase(Enum):
    """What the setpoint asks for at present."""

    OFF = "off"
    CHANGING = "changing"
    SETTLED = "settled"


class HeaterInterlocks:
    """The interlocks of one heater; `limits` are its least and highest permitted setpoints, °C."""

    def __init__(
        self, heater: str, limits: tuple[float, float], settings: InterlockSettings, model: HeaterModel | None
    ) -> None:
        self._heater = heater
        self._limit = limits[1]
        self._settings = settings
        self._model = model
        self._plausible = Plausible(heater, limits[1], settings.jump.degrees_per_s)
        self._still = Stillness(settings.stuck_s)
        self._below = Level(settings.runaway.for_s, CLEAR_BY)
        self._above = Level(settings.overshoot.for_s, CLEAR_BY)
        self._over = 0
        self._setpoint = 0.0
        self._phase = Phase.OFF
        self._change: ChangeWatch | None = None
        self._off: OffWatch | None = None
        self._measured: float | None = None
        self._tripped: dict[str, Trip] = {}

    # -- what the run tells

    def target(self, value: float, now: float) -> None:
        """The setpoint commanded, °C; 0 = off. The same again changes nothing."""
        if value == self._setpoint:
            return
        self._setpoint = value
        self._below.clear()
        self._above.clear()
        self._still.setpoint_changed(now)
        self._change = self._off = None
        self._phase = Phase.CHANGING if value > 0.0 else Phase.OFF
        if self._measured is not None:
            self._begin(self._measured, now)

    def feed(self, measured: float, power: float | None, now: float) -> Trip | Caution | None:
        """One reading, °C, and the power beside it (share of full; None: not reported). Each trip is given once."""
        usable, said = self._plausible.feed(measured, now)
        if not usable:
            return self._once(said)
        self._measured = measured
        self._begin(measured, now)
        self._still.feed(measured, power, now)
        trip = self._over_limit(measured) or self._watch(measured, now) or self._stuck(measured, now)
        return self._once(trip)

    @property
    def phase(self) -> Phase:
        return self._phase

    @property
    def tripped(self) -> tuple[Trip, ...]:
        """The trips that are latched, in the order they came."""
        return tuple(self._tripped.values())

    # -- phases

    def _once(self, said: Trip | Caution | None) -> Trip | Caution | None:
        if isinstance(said, Trip):
            if said.alarm in self._tripped:
                return None
            self._tripped[said.alarm] = said
        return said

    def _begin(self, measured: float, now: float) -> None:
        if self._phase is Phase.OFF and self._off is None:
            self._off = OffWatch(self._heater, self._settings, measured, now)
        if self._phase is Phase.CHANGING and self._change is None:
            self._change = ChangeWatch(self._heater, self._settings, self._expected, self._setpoint, measured, now)

    def _watch(self, measured: float, now: float) -> Trip | None:
        match self._phase:
            case Phase.OFF:
                assert self._off is not None
                return self._off.feed(measured, now)
            case Phase.SETTLED:
                return self._departs(measured, now)
            case Phase.CHANGING:
                assert self._change is not None
                return self._watch_change(self._change, measured, now)

    def _watch_change(self, change: ChangeWatch, measured: float, now: float) -> Trip | None:
        left = self._setpoint - measured
        if abs(left) > REACHED and (left > 0.0) == change.rising:
            return change.feed(measured, self._still.resolution, now)
        self._phase, self._change = Phase.SETTLED, None
        return self._departs(measured, now)

    # -- interlocks

    def _over_limit(self, measured: float) -> Trip | None:
        level = self._limit + OVER_LIMIT
        self._over = self._over + 1 if measured > level else 0
        if self._over < CONFIRMED:
            return None
        text = f"{self._heater} at {measured:.1f} °C, and {self._limit:.0f} °C is the most it may be set to"
        return Trip("heat_over_limit", measured, level, text)

    def _departs(self, measured: float, now: float) -> Trip | None:
        low = self._setpoint - self._settings.runaway.degrees
        high = self._setpoint + self._settings.overshoot.degrees
        if self._below.feed(low - measured, now):
            return Trip("heat_runaway", measured, low, self._away(measured, "below", self._settings.runaway.for_s))
        if self._above.feed(measured - high, now):
            return Trip("heat_overshoot", measured, high, self._away(measured, "above", self._settings.overshoot.for_s))
        return None

    def _away(self, measured: float, side: str, for_s: float) -> str:
        off = abs(measured - self._setpoint)
        return (
            f"{self._heater} at {measured:.1f} °C, {off:.1f} °C {side} its setpoint of {self._setpoint:g} °C, "
            f"too far for {for_s:g} s"
        )

    def _stuck(self, measured: float, now: float) -> Trip | None:
        if not self._still.long_enough(now):
            return None
        reason = self._still.power_says(self._setpoint, now) or self._still.model_says(self._due(measured, now))
        if reason is None:
            return None
        text = (
            f"{self._heater} reads {measured:.1f} °C without any change for {now - self._still.since:.0f} s; {reason}"
        )
        return Trip("sensor_stuck", measured, self._settings.stuck_s, text)

    def _due(self, measured: float, now: float) -> float | None:
        """Where a reading that stands still should be by now; None where standing still can be right.

        A heater too weak for its setpoint stands still short of it: that is for patience, not for this interlock.
        """
        elapsed = now - self._still.since
        change = self._change
        if self._still.without_power(self._setpoint) and self._model is not None:
            return self._model.expected(measured, 0.0, elapsed)
        if change is None or (change.rising and measured != change.start):
            return None
        return self._expected(measured, elapsed)

    def _expected(self, start: float, elapsed: float) -> float | None:
        return None if self._model is None else self._model.expected(start, self._setpoint, elapsed)
