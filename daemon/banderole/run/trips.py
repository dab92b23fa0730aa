"""What an interlock says, and the level with hysteresis and time that most of them are made of.

Two grades (ISA-18.2 speaks of alarm and of what is merely told): a trip makes the machine safe and stays until a person
resets it; a caution is told and recorded.
"""

from __future__ import annotations

from dataclasses import dataclass


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
