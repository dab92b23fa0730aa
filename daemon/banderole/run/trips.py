"""What an interlock says, and the level with hysteresis and time that most of them are made of.

Two grades (ISA-18.2 speaks of alarm and of what is merely told): a trip makes the machine safe and stays until a person
resets it; a caution is told and recorded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HEATER_ALARMS: Final = {
    "heat_rise": "heating, more than 10 °C to go, and the temperature does not rise as it should",
    "heat_runaway": "too far below where it should stay: under the setpoint, or fallen back on the way up",
    "heat_overshoot": "too far above the setpoint, or above where it should be on the way down",
    "heat_while_off": "the setpoint is 0 and the temperature climbs",
    "heat_over_limit": "hotter than the machine may ever be set to, by 10 °C",
    "sensor_impossible": "a reading that no working sensor gives; one is a caution, two in a row trip",
    "sensor_jump": "a reading that moved faster than a heater can; one is a caution, two in a row trip",
    "sensor_stuck": "a reading that stands still while power or the expected curve says that it should move",
}
"""Every alarm that the interlocks of a heater can give, and what it means. All are trips but where it says caution."""


@dataclass(frozen=True, slots=True)
class Trip:
    """An interlock tripped: its name, what was measured, the level it went past, and why, for a person."""

    alarm: str
    value: float | None
    limit: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to be told and counted that does not end the run; fields as of `Trip`."""

    alarm: str
    value: float | None
    limit: float | None
    text: str


@dataclass(slots=True)
class Level:
    """A level that must be exceeded for a time: trips at `for_s` beyond it, clears `clear_by` °C on the safe side.

    Between the two the time runs on, so that noise about the level does not start it again with each reading.
    """

    for_s: float
    clear_by: float
    since: float | None = None

    def feed(self, beyond: float, now: float) -> bool:
        """`beyond`: °C past the trip level (negative: short of it). True: beyond it, and has been for `for_s`."""
        if beyond > 0.0 and self.since is None:
            self.since = now
        elif beyond <= -self.clear_by:
            self.since = None
        return beyond > 0.0 and self.since is not None and now - self.since >= self.for_s

    def clear(self) -> None:
        """Start again: the setpoint the level belongs to has changed."""
        self.since = None
