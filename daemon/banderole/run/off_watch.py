"""A heater that is off must not climb (alarm heat_while_off). Pure: `now` is monotonic seconds.

A heater cut off at full power climbs for its dead time still, by tens of degrees if it is strong; so for a moment the
level follows the readings up. After that it is held against the lowest reading of the last stretch of time, not of the
day: a room that warms, or a plate under a hot nozzle, is no fault.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from banderole.plan.interlock_settings import HeaterInterlocks as InterlockSettings
from banderole.run.trips import Trip

# Share of rise.within_s for which a heater just cut off may climb: 10 s for a nozzle, 36 s for a bed. That time is
# chosen longer than a dead time "with room to spare"; the room is left out here.
COAST = 0.4
# Readings in a row that make an exceeded level a fact.
CONFIRMED = 2
# Readings of which the highest counts for the lowest level: two running may each have lost a digit on their way.
LATELY = 3


@dataclass(slots=True)
class OffWatch:
    """One stay at setpoint 0, from the reading `start` (°C) at `began` on."""

    heater: str
    settings: InterlockSettings
    start: float
    began: float
    _lowest: float = 0.0
    _before: float = 0.0
    _stretch: float = 0.0
    _above: int = 0
    _lately: deque[float] = field(default_factory=lambda: deque(maxlen=LATELY))

    def __post_init__(self) -> None:
        self._lowest = self._before = self.start
        self._lately.append(self.start)
        self._stretch = self.began

    @property
    def _climb(self) -> float:
        """°C of climb that are no noise and no draught: as far as it may stand above a setpoint."""
        return self.settings.overshoot.degrees

    @property
    def stretch_s(self) -> float:
        """As long as a heater that just passes `rise` takes for the climb, and never so short that it forgets at once."""
        return max(1.0, self._climb / self.settings.rise.degrees) * self.settings.rise.within_s

    def feed(self, measured: float, now: float) -> Trip | None:
        if now - self.began <= COAST * self.settings.rise.within_s:
            self._lowest = self._before = max(self._lowest, measured)
            self._lately.append(measured)
            return None
        self._lately.append(measured)
        self._remember(max(self._lately), now)
        lowest = min(self._lowest, self._before)
        level = lowest + self._climb
        self._above = self._above + 1 if measured > level else 0
        if self._above < CONFIRMED:
            return None
        text = f"{self.heater} is off and climbed from {lowest:.1f} to {measured:.1f} °C: switch off at the mains"
        return Trip("heat_while_off", measured, level, text)

    def _remember(self, measured: float, now: float) -> None:
        """The lowest of this stretch and the one before."""
        if now - self._stretch >= self.stretch_s:
            self._stretch, self._before, self._lowest = now, self._lowest, measured
        self._lowest = min(self._lowest, measured)
