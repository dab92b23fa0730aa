"""HeaterInterlocks: the watch over one heater. Each interlock is armed, then tripped until `reset`.

Theory of operation. The setpoint decides what is watched:

    off       setpoint 0: the temperature must not climb (heats_while_off)
    changing  setpoint changed, not reached yet: it must rise when it should (heat_rise), not fall while it should
              rise (runaway), not stand above the expected curve or climb while it should fall (overshoot)
    settled   within REACHED of the setpoint once, or past it: not further below (runaway) or above (overshoot) than
              the settings say, for longer than they say

and always: readings that a sensor cannot give (sensor_impossible, sensor_jump), one that stands still while something
should move it (sensor_stuck), and more than the machine is permitted (over_limit).

Pure: no clock, no I/O; `now` is monotonic seconds. That readings come at all is the engine's to watch.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from banderole.run.sensor_checks import Plausible, Stillness
from banderole.run.thermal import HeaterModel
from banderole.run.trips import Caution, Level, Trip

__all__ = ["Caution", "HeaterInterlocks", "InterlockSettings", "Phase", "Trip"]

# °C: a setpoint counts as reached this near to it. Wider than any tolerance in use, narrower than any trip level.
REACHED = 3.0
# °C to go above which a heater is at full power and must be seen to rise.
TO_GO = 10.0
# Share of the rise that the identified heater should show: a fan or a draught leaves more, a failing heater less.
SHARE_OF_RISE = 0.3
# °C, the least rise that is told from noise and rounding; a slow heater gets a longer window, at most so many times.
LEAST_RISE = 1.0
LONGEST_WINDOW = 4
# Share of the way cooled by which the expected curve may be wrong (a fan, another part beneath).
CURVE_ERROR = 0.3
# °C past the level at which a time stops again, so that noise does not restart it.
CLEAR_BY = 2.0
# °C above the highest permitted setpoint: control overshoots by some degrees at that setpoint too.
OVER_LIMIT = 10.0
# Readings in a row that make an exceeded level a fact where no time is asked for.
CONFIRMED = 2
# °C by which a heater that was cut off at full power may climb still, at most, by what is stored in it.
MOST_INERTIA = 30.0


class _Rise(Protocol):
    @property
    def degrees(self) -> float: ...
    @property
    def within_s(self) -> float: ...


class _For(Protocol):
    @property
    def degrees(self) -> float: ...
    @property
    def for_s(self) -> float: ...


class _Jump(Protocol):
    @property
    def degrees_per_s(self) -> float: ...


class InterlockSettings(Protocol):
    """The printer file's `[interlocks]`, or `[interlocks.bed]`."""

    @property
    def rise(self) -> _Rise: ...
    @property
    def runaway(self) -> _For: ...
    @property
    def overshoot(self) -> _For: ...
    @property
    def jump(self) -> _Jump: ...
    @property
    def stuck_s(self) -> float: ...


class Phase(Enum):
    """What the setpoint asks for at present."""

    OFF = "off"
    CHANGING = "changing"
    SETTLED = "settled"


@dataclass(slots=True)
class _Change:
    """One change of setpoint under way."""

    start: float
    began: float
    rising: bool
    highest: float
    lowest: float
    mark: tuple[float, float] | None = None
    due: float = 0.0
    window: float = 0.0


@dataclass(slots=True)
class _Off:
    """Lowest readings of this and the last stretch of time with the heater off: its own climb, not the day's."""

    began: float
    lowest: float
    before: float
    above: int = 0


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
        self._pending: float | None = None
        self._phase = Phase.OFF
        self._change: _Change | None = None
        self._off: _Off | None = None
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

    def reset(self) -> None:
        """A person has reset the trips: armed again, from the next reading on."""
        self._tripped.clear()
        self._below.clear()
        self._above.clear()
        self._over = 0
        self._change = self._off = None
        self._phase = Phase.CHANGING if self._setpoint > 0.0 else Phase.OFF

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
            self._off = _Off(now, measured, measured)
        if self._phase is Phase.CHANGING and self._change is None:
            self._change = _Change(measured, now, measured < self._setpoint, measured, measured)

    def _watch(self, measured: float, now: float) -> Trip | None:
        match self._phase:
            case Phase.OFF:
                assert self._off is not None
                return self._heats_while_off(self._off, measured, now)
            case Phase.SETTLED:
                return self._departs(measured, now)
            case Phase.CHANGING:
                assert self._change is not None
                return self._watch_change(self._change, measured, now)

    def _watch_change(self, change: _Change, measured: float, now: float) -> Trip | None:
        left = self._setpoint - measured
        if abs(left) <= REACHED or (left < 0.0) == change.rising:
            self._phase, self._change = Phase.SETTLED, None
            self._below.clear()
            self._above.clear()
            return self._departs(measured, now)
        change.highest = max(change.highest, measured)
        change.lowest = min(change.lowest, measured)
        if change.rising:
            return self._rises(change, measured, now) or self._falls_back(change, measured, now)
        return self._cools(change, measured, now)

    # -- interlocks

    def _over_limit(self, measured: float) -> Trip | None:
        level = self._limit + OVER_LIMIT
        self._over = self._over + 1 if measured > level else 0
        if self._over < CONFIRMED:
            return None
        text = f"{self._heater} at {measured:.1f} °C, and {self._limit:.0f} °C is the most it may be set to"
        return Trip("over_limit", measured, level, text)

    def _departs(self, measured: float, now: float) -> Trip | None:
        low = self._setpoint - self._settings.runaway.degrees
        high = self._setpoint + self._settings.overshoot.degrees
        if self._below.feed(low - measured, now):
            return Trip("runaway", measured, low, self._away(measured, "below", self._settings.runaway.for_s))
        if self._above.feed(measured - high, now):
            return Trip("overshoot", measured, high, self._away(measured, "above", self._settings.overshoot.for_s))
        return None

    def _away(self, measured: float, side: str, for_s: float) -> str:
        off = abs(measured - self._setpoint)
        return (
            f"{self._heater} at {measured:.1f} °C, {off:.1f} °C {side} its setpoint of {self._setpoint:g} °C, "
            f"too far for {for_s:g} s"
        )

    def _rises(self, change: _Change, measured: float, now: float) -> Trip | None:
        if self._setpoint - measured <= TO_GO:
            change.mark = None
            return None
        if change.mark is None or measured - change.mark[0] >= change.due:
            self._mark(change, measured, now)
            return None
        value, at = change.mark
        if measured < value:
            change.mark = (measured, at)
        if now - at <= change.window:
            return None
        text = (
            f"{self._heater} rose {measured - value:.1f} °C in {now - at:.0f} s on its way to {self._setpoint:g} °C; "
            f"{change.due:.1f} °C was due"
        )
        return Trip("heat_rise", measured, value + change.due, text)

    def _mark(self, change: _Change, measured: float, now: float) -> None:
        """From here the next rise is due; by the settings, or by the identified heater."""
        rise = self._settings.rise
        change.mark, change.due, change.window = (measured, now), rise.degrees, rise.within_s
        least = max(LEAST_RISE, 2.0 * self._still.resolution)
        for times in range(1, LONGEST_WINDOW + 1):
            window = times * rise.within_s
            expected = self._expected(measured, window)
            if expected is None:
                return
            due = SHARE_OF_RISE * (expected - measured)
            if due >= least:
                change.due, change.window = due, window
                return
        change.window = LONGEST_WINDOW * rise.within_s
        change.due = min(rise.degrees, least)

    def _falls_back(self, change: _Change, measured: float, now: float) -> Trip | None:
        low = change.highest - self._settings.runaway.degrees
        if not self._below.feed(low - measured, now):
            return None
        text = (
            f"{self._heater} fell from {change.highest:.1f} to {measured:.1f} °C on its way up to {self._setpoint:g} °C"
        )
        return Trip("runaway", measured, low, text)

    def _cools(self, change: _Change, measured: float, now: float) -> Trip | None:
        degrees = self._settings.overshoot.degrees
        high, due = change.lowest + degrees, change.lowest
        expected = self._expected(change.start, now - change.began)
        if expected is not None:
            curve = expected + degrees + CURVE_ERROR * (change.start - expected)
            if curve < high:
                high, due = curve, expected
        if not self._above.feed(measured - high, now):
            return None
        text = f"{self._heater} at {measured:.1f} °C on its way down to {self._setpoint:g} °C; {due:.1f} °C was due"
        return Trip("overshoot", measured, high, text)

    def _heats_while_off(self, off: _Off, measured: float, now: float) -> Trip | None:
        rise, climb = self._settings.rise, self._settings.overshoot.degrees
        # As long as a heater that just passes the rise interlock needs for that climb.
        if now - off.began >= climb / rise.degrees * rise.within_s:
            off.began, off.before, off.lowest = now, off.lowest, measured
        off.lowest = min(off.lowest, measured)
        lowest = min(off.lowest, off.before)
        level = lowest + climb + self._inertia()
        off.above = off.above + 1 if measured > level else 0
        if off.above < CONFIRMED:
            return None
        text = f"{self._heater} is off and climbed from {lowest:.1f} to {measured:.1f} °C: switch off at the mains"
        return Trip("heats_while_off", measured, level, text)

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
