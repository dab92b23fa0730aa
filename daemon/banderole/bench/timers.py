"""The board's own clockwork: reports, `busy`, motors let go, its shutdown when nobody speaks, its protection."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from banderole.bench import reports
from banderole.bench.manners import Manners

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter

# s between the board's own looks at its sensors where it protects itself.
PROTECT_LOOK_S = 0.5
# °C outside which a reading is no heater's.
PROTECT_LEAST, PROTECT_MOST = 0.0, 320.0


class Timers:
    """Made anew at each restart. Times are those of the printer's clock, in s."""

    def __init__(self, manners: Manners, now: float) -> None:
        self.busy_every = manners.busy_s
        self.idle_release = manners.idle_release_s
        self.inactivity = 0.0  # s without a line after which it shuts down (M85); 0 = never
        self.heard_at = now
        self._idle_from = now
        self._report_every = 0
        self._report_at = self._busy_at = math.inf
        self._protect_at = now + PROTECT_LOOK_S if manners.protection else math.inf

    def report_each(self, seconds: int, now: float) -> None:
        """Temperatures each so many seconds from now; 0 ends them."""
        self._report_every = max(0, seconds)
        self._report_at = now + seconds if seconds > 0 else math.inf

    def command_begun(self, now: float) -> None:
        """A command that takes time is under way."""
        self._busy_at = now + self.busy_every if self.busy_every > 0.0 else math.inf

    def command_ended(self, now: float) -> None:
        self._busy_at = math.inf
        self._idle_from = now

    def next(self, p: EmulatedPrinter) -> float:
        at = self._report_at if self._report_at < self._busy_at else self._busy_at
        if self._protect_at < at:
            at = self._protect_at
        if self.inactivity:
            at = min(at, self._inactive_at(p))
        if p.under_way or not (self.idle_release and p.machine.motors_on):
            return at
        return min(at, self._release_at(p))

    def strike(self, p: EmulatedPrinter) -> None:
        """Does the one thing that is due."""
        clock = p.clock
        if self._report_at <= clock:
            self._report_at = max(self._report_at + self._report_every, clock)
            if not (p.deaf or p.heating):  # a board that waits for heat reports by itself
                p.say_reading(reports.temperatures(p.machine, clock))
        elif self._busy_at <= clock:
            self._busy_at = clock + self.busy_every if self.busy_every > 0.0 else math.inf
            if not p.heating or p.manners.busy_while_heating:
                p.say(f"echo:busy: {p.busy_reason}")
        elif self._inactive_at(p) <= clock:
            p.halt(f"killed after {self.inactivity:g} s without a command")
        elif self._protect_at <= clock:
            self._protect_at = clock + PROTECT_LOOK_S
            _protect(p)
        elif self._release_at(p) <= clock:
            p.let_motors_go("idle")
        else:
            raise RuntimeError(f"no timer is due at {clock}")

    def _release_at(self, p: EmulatedPrinter) -> float:
        if not (p.machine.motors_on and self.idle_release) or p.under_way:
            return math.inf
        return max(self._idle_from, p.machine.planner.rest_at) + self.idle_release

    def _inactive_at(self, p: EmulatedPrinter) -> float:
        if not self.inactivity:
            return math.inf
        return max(self.heard_at, self._idle_from, p.machine.planner.rest_at) + self.inactivity


def _protect(p: EmulatedPrinter) -> None:
    p.machine.heat_to(p.clock)
    for name, heater in [*(("nozzle", heater) for heater in p.machine.nozzles), ("bed", p.machine.bed)]:
        if heater.target > 0.0 and not PROTECT_LEAST <= heater.read() <= PROTECT_MOST:
            p.halt(f"thermal failure at the {name}: its sensor reads what no heater can")
            return
