"""The alarms of a run that are not normal, the first cause marked (ISA-18.2: an alarm stands once, whatever repeats it)."""

from __future__ import annotations

from typing import Any, Final

from banderole.run.register import what_to_do

MOST: Final = 20
"""More than one root cause ever brings; cautions beyond are in the record only."""

STANDING: Final = frozenset({"mains", "queued", "noisy_line", "restore", "heat_off_unseen", "heat_off_untried"})
"""Cautions whose cause goes on; the others tell of a moment."""


class Alarms:
    """A bounded list, one entry an alarm; a trip always has a place in it."""

    def __init__(self) -> None:
        self._alarms: list[dict[str, Any]] = []
        self.first_out: str | None = None

    def take(self, alarm: str, grade: str, text: str, value: float | None, limit: float | None) -> None:
        """An alarm has come, or come again. `grade` is trip or caution; the first trip is the first cause."""
        for one in self._alarms:
            if one["alarm"] == alarm and (grade == "caution" or one["grade"] == "trip"):
                one.update(text=text, value=value)
                return
        first = grade == "trip" and self.first_out is None
        if first:  # what was a caution of the same name is a trip now
            self.first_out = alarm
            self._alarms = [one for one in self._alarms if one["alarm"] != alarm][: MOST - 1]
        if len(self._alarms) < MOST:
            self._alarms.append({"alarm": alarm, "grade": grade, "state": "unacknowledged", "first_out": first,
                                 "value": value, "limit": limit, "text": text, "do": what_to_do(alarm)})  # fmt: skip

    def acknowledge(self) -> int:
        """A person has seen all of them. What stands stays, marked so; what came and went is normal again. How many."""
        fresh = len([one for one in self._alarms if one["state"] == "unacknowledged"])
        self._alarms = [one for one in self._alarms if one["grade"] == "trip" or one["alarm"] in STANDING]
        for one in self._alarms:
            one["state"] = "acknowledged"
        return fresh

    def as_json(self) -> list[dict[str, Any]]:
        """As published."""
        return [dict(one) for one in self._alarms]
