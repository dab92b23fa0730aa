"""The lead of a change without a stop (`stance = "moving"`): the nozzle is set so long before a boundary as halfway takes.

**What a lead can save.** Let a step be D and the tolerance t, D > 2t. Whenever the change is sent, the nozzle needs the same
time from t away from the old setpoint to t away from the new; nothing in between is in tolerance of either. Sent at the
boundary, the first t of the way is lost on top. Of the time outside, a lead saves at best what that first t takes: on an
exponential approach (excess falls as e^(−s/τ)) 1 − ln((D−t)/t)/ln(D/t), on a straight one (full power, or none)
t/(D−t). For 6 °C and 1.5 °C 0.21 and 0.33. It is all had as long as the boundary comes while the nozzle is between the two
tolerances; the middle of the step is the aim, so that errors of the lead have as much room on either side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from banderole.plan.survey import BandRow
from banderole.run.state import State
from banderole.run.steps import Procedure, set_heat

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

UNKNOWN: Final = "the heater is not known yet: its change was not led, but set at the boundary"
NEARLY_S: Final = 0.1
"""Motion left that is as good as none: the drain takes as long."""
HIDDEN_MOST_S: Final = 30.0
"""Motion that a printer's planner may hide from the clock: 32 motions of a second."""
HIDES: Final = 1.5
"""Leads so many times shorter than what is hidden cannot be timed: sent by then, the change would cost more than it saves."""
HIDDEN: Final = "the printer takes motion so far ahead that the change could not be led: it was set at the boundary"
LOOK_S: Final = 0.05
"""Between two looks: a run hears thousands of replies a second, and no lead need be truer than this."""
HEATER: Final = "nozzle"
"""Only the nozzle is led: a plate is slow, and nothing is judged by it."""


def most_saved(step: float, tolerance: float, straight: bool = False) -> float:
    """Share of the time outside tolerance that a lead can save at best; both in °C, `straight` at full power or none."""
    step = abs(step)
    if step <= tolerance:
        return 0.0
    if step <= 2 * tolerance:
        return 1.0
    if straight:
        return tolerance / (step - tolerance)
    return 1.0 - math.log((step - tolerance) / tolerance) / math.log(step / tolerance)


@dataclass(slots=True)
class Led:
    """One change under way ahead of its boundary: to which band, °C, sent when (s), so long before it (s)."""

    band: int
    value: float
    sent_at: float
    lead_s: float
    start: float
    left_s: float  # foreseen until the boundary, as it was sent
    proven: bool = False


class Lead:
    """Looked at whenever something is heard while the part is laid down. One change at most is under way."""

    def __init__(self) -> None:
        self.led: Led | None = None
        self._procedure: Procedure | None = None
        self._next_look = 0.0
        self._hidden_s = 0.0  # by how much later than foreseen the last boundaries came
        self._looked: int | None = None  # the band ahead that was seen when its lead was not due yet

    def shows(self, e: Engine, heater: str) -> bool:
        """Does the printer show the setpoint that was sent ahead, or is that still to be proven? Its own is then not lost."""
        if self.led is None or heater != HEATER:
            return False
        return self._procedure is not None or e.watch.shows(heater, self.led.value) is not False

    def step(self, e: Engine, heard: Any) -> None:
        """Go on with the proof of what was sent, or send what is due."""
        if self._procedure is not None:
            self.prove(heard)
        elif e.now >= self._next_look and (due := self._due(e)) is not None:
            self._begin(e, due)

    def _begin(self, e: Engine, due: Led) -> None:
        self.led = due
        e.notify("lead_begun", band=due.band, value=due.value, lead_s=round(due.lead_s, 2), line=e.line)
        self._procedure = self._send(e, due)
        self.prove(None)

    def prove(self, heard: Any) -> None:
        """Go on with the proof of what was sent, if there is any under way."""
        if self._procedure is not None:
            try:
                self._procedure.send(heard)
            except StopIteration:
                self._procedure = None

    def last_call(self, e: Engine) -> None:
        """The clock knows of no more motion: what the planner hides is all that is left to send the change in."""
        wanted = self._wanted(e) if self.led is None else None
        if wanted is None:
            return
        row, lead_s, left_s = wanted
        if left_s > HIDES * lead_s:
            e.caution_in(row.band, HIDDEN)
        else:
            self._begin(e, Led(row.band, row.setpoints[HEATER], e.now, lead_s, e.watch.measured[HEATER], left_s))

    def open(self, e: Engine) -> bool:
        """All up to the boundary has been sent: is there still a change to be sent, or to be proven, while motion goes on?"""
        if e.window.motion_left_s(e.now) <= NEARLY_S or e.state is not State.RUNNING:
            return False
        return self._procedure is not None or (self.led is None and self._wanted(e) is not None)

    def file_sets(self, channel: str) -> None:
        """The file has a setpoint of its own here, after which the band's counts again."""
        if channel == HEATER:
            self.forget()

    def forget(self) -> None:
        """For where something comes between and the band's own setpoint is set again: the lead is then due anew."""
        if self._procedure is not None:
            self._procedure.close()
        self._procedure = self.led = None

    def arrive(self, e: Engine, band: int) -> dict[str, Any] | None:
        """At the boundary: what the record says of a change that was led into this band; None where it was not."""
        led = self.led
        if led is None or led.band != band:
            self.forget()
            return None
        proven = led.proven
        self.forget()
        came_late_s = e.now - led.sent_at - led.left_s
        self._hidden_s = min(HIDDEN_MOST_S, max(0.0, self._hidden_s + came_late_s))
        measured = e.watch.measured.get(HEATER)
        way = led.value - led.start
        done = None if measured is None or not way else round((measured - led.start) / way, 3)
        return {
            "planned_s": round(led.lead_s, 2),
            "lead_s": round(e.now - led.sent_at, 2),
            "measured": measured,
            "done": done,
            "proven": proven,
        }

    def _send(self, e: Engine, led: Led) -> Procedure:
        yield from set_heat(e, {HEATER: led.value}, "lead")
        led.proven = True

    def _wanted(self, e: Engine) -> tuple[BandRow, float, float] | None:
        """The next boundary that the nozzle is to be led over, how long before it (s), and until when (s)."""
        if e.state is not State.RUNNING or e.schedule.settle.stance != "moving":
            return None
        row, start = self._ahead(e), e.watch.measured.get(HEATER)
        if row is None or start is None or row.setpoints[HEATER] == e.current.get(HEATER):
            return None
        lead_s = e.watch.models[HEATER].halfway_s(start, row.setpoints[HEATER])
        left_s = self._left_s(e, row)
        if left_s is not None:
            left_s += self._hidden_s
        return None if lead_s is None or left_s is None else (row, lead_s, left_s)

    def _due(self, e: Engine) -> Led | None:
        self._next_look = e.now + LOOK_S
        wanted = self._wanted(e) if self.led is None else None
        if wanted is None:
            return None
        row, lead_s, left_s = wanted
        if left_s > lead_s:
            self._looked = row.band
            return None
        if self._looked != row.band:
            e.caution_in(row.band, "the band before is shorter than the lead: the change was sent as that band began")
        return Led(row.band, row.setpoints[HEATER], e.now, lead_s, e.watch.measured[HEATER], left_s)

    def _ahead(self, e: Engine) -> BandRow | None:
        """The boundary that comes next, if the nozzle is to be led over it: not where a hold stands before it."""
        if e.survey is None or e.band is None or e.band not in e.account.bands:
            return None
        ahead = [row for row in e.survey.rows if row.block - 1 >= e.account.blocks and row.band != e.band]
        row = min(ahead, key=lambda one: one.block, default=None)
        if row is None or HEATER not in row.setpoints or HEATER not in e.current:
            return None
        stops = any(point.before_band == row.band for point in e.schedule.hold_points)
        return None if stops or e.holds.wanted in (f"band:{row.band}", "layer") else row

    @staticmethod
    def _left_s(e: Engine, row: BandRow) -> float | None:
        """Until the boundary: what was taken and is still to be carried out, and what the survey foresaw from there."""
        if e.foresight is None:
            return None
        foreseen = e.foresight.done_s(row.block - 1) - e.foresight.done_s(e.account.blocks)
        return e.window.motion_left_s(e.now) + foreseen * e.foresight.pace(e.account, e.now)
