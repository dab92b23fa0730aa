"""A heater on its way to a new setpoint: rising it must rise and not fall back, falling it must follow the curve.

Alarms heat_rise, heat_runaway and heat_overshoot. With an identified heater the expected curve counts; without one, or
where it expects too little to be told from rounding, the settings do. Pure: `now` is monotonic seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from banderole.plan.interlock_settings import HeaterInterlocks as InterlockSettings
from banderole.run.off_watch import COAST
from banderole.run.trips import Level, Trip

# °C to go above which a heater is at full power and must be seen to rise.
TO_GO = 10.0
# Share of the rise that the identified heater should show: a fan or a draught leaves more, a failing heater less.
SHARE_OF_RISE = 0.3
# A rise of less than rise.degrees is not told from a draught: a slow heater gets a longer window, so many times at most,
# and then °C that are told from noise and rounding at least.
LONGEST_WINDOW = 4
LEAST_RISE = 1.0
# The same share of its pace for a heater that cools: a hotter part beneath, or a model that errs, leaves more.
SHARE_OF_PACE = 0.3
# °C on the safe side of a level at which its time stops again, so that noise does not restart it.
CLEAR_BY = 2.0

Expected = Callable[[float, float], float | None]
"""(°C at which it starts, s) → °C expected then on the way to the setpoint; None: not known."""


@dataclass(slots=True)
class _Due:
    """From `value` at `since` a rise of `degrees` is due within `within_s`."""

    value: float
    since: float
    degrees: float
    within_s: float


@dataclass(slots=True)
class ChangeWatch:
    """One change to `setpoint`, from the reading `start` (°C) at `began` on."""

    heater: str
    settings: InterlockSettings
    expected: Expected
    setpoint: float
    start: float
    began: float
    rising: bool = False
    _highest: float = 0.0
    _lowest: float = 0.0
    _top_at: float = 0.0
    _due: _Due | None = None
    _level: Level = field(default_factory=lambda: Level(0.0, CLEAR_BY))

    def __post_init__(self) -> None:
        self.rising = self.start < self.setpoint
        self._highest = self._lowest = self.start
        self._top_at = self.began
        self._level = Level(self.settings.runaway.for_s if self.rising else self.settings.overshoot.for_s, CLEAR_BY)

    def feed(self, measured: float, resolution: float, now: float) -> Trip | None:
        """One reading, °C, and the step it comes in."""
        self._highest = max(self._highest, measured)
        self._lowest = min(self._lowest, measured)
        if self.rising:
            return self._rises(measured, resolution, now) or self._falls_back(measured, now)
        self._coasts(measured, now)
        return self._cools(measured, now)

    def _rises(self, measured: float, resolution: float, now: float) -> Trip | None:
        if self.setpoint - measured <= TO_GO:
            self._due = None
            return None
        due = self._due
        if due is None or measured - due.value >= due.degrees:
            self._due = self._next_due(measured, resolution, now)
            return None
        due.value = min(due.value, measured)
        if now - due.since <= due.within_s:
            return None
        text = (
            f"{self.heater} rose {measured - due.value:.1f} °C in {now - due.since:.0f} s on its way to "
            f"{self.setpoint:g} °C; {due.degrees:.1f} °C was due"
        )
        return Trip("heat_rise", measured, due.value + due.degrees, text)

    def _next_due(self, measured: float, resolution: float, now: float) -> _Due:
        """By the settings, or by the identified heater: in the shortest window that shows more than rounding."""
        rise = self.settings.rise
        for times in range(1, LONGEST_WINDOW + 1):
            window = times * rise.within_s
            expected = self.expected(measured, window)
            if expected is None:
                return _Due(measured, now, rise.degrees, rise.within_s)
            if SHARE_OF_RISE * (expected - measured) >= rise.degrees:
                return _Due(measured, now, SHARE_OF_RISE * (expected - measured), window)
        # The model expects hardly anything. It may have learned that from a sensor that came loose: not trusted.
        least = min(rise.degrees, max(LEAST_RISE, 2.0 * resolution))
        return _Due(measured, now, least, LONGEST_WINDOW * rise.within_s)

    def _falls_back(self, measured: float, now: float) -> Trip | None:
        low = self._highest - self.settings.runaway.degrees
        if not self._level.feed(low - measured, now):
            return None
        text = f"{self.heater} fell from {self._highest:.1f} to {measured:.1f} °C on its way up to {self.setpoint:g} °C"
        return Trip("heat_runaway", measured, low, text)

    def _coasts(self, measured: float, now: float) -> None:
        """Cut off on its way up it climbs for its dead time still: the way down begins at the top of that."""
        if measured > self.start and now - self.began <= COAST * self.settings.rise.within_s:
            self.start = self._lowest = measured
            self._top_at = now

    def _cools(self, measured: float, now: float) -> Trip | None:
        degrees = self.settings.overshoot.degrees
        high, due = self._lowest + degrees, self._lowest
        expected = self.expected(self.start, SHARE_OF_PACE * (now - self._top_at))
        if expected is not None and expected < due:
            high, due = expected + degrees, expected
        if not self._level.feed(measured - high, now):
            return None
        text = f"{self.heater} at {measured:.1f} °C on its way down to {self.setpoint:g} °C; {due:.1f} °C was due"
        return Trip("heat_overshoot", measured, high, text)
