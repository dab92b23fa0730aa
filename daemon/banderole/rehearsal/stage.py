"""The stage: one emulated printer, one virtual clock, and whoever runs on it, one run after another.

    stage = Stage(printer, board_for(printer, ["T3@300s"]), seed=7)
    stage.event.append(print)
    stage.command(1200.0, "hold")
    stage.at(1500.0, stage.crash)
    ended = stage.run(job)  # None: the program was killed
    ended = stage.make_safe()  # what the next start owes
    stage.close()

Everything happens in one event loop in one thread, at moments of the virtual clock. What a run would keep on disk is kept
in `marks`, what it would tell goes to the outlets here. Each name and each time of day comes from the seed and the clock.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any, Final

from banderole.bench import EmulatedPrinter, Manners, MemoryPort
from banderole.bench.faults import Fault
from banderole.bench.records import OnRecord
from banderole.plan.config import Printer
from banderole.plan.schedule import Schedule
from banderole.rehearsal.virtual_time import VirtualLoop
from banderole.run import whole_run
from banderole.run.clockwork import Clockwork
from banderole.run.effects import Ended
from banderole.run.engine import Engine
from banderole.run.runner import Job, Runner
from banderole.run.steps import Procedure

BEGINS: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""The time of day at the clock's zero: none that anybody would take for today."""
REST_S: Final = 0.5
"""Between two looks while nothing falls due on the line. A run looks ten times as often; only what ends by mere lapse of
time (patience, a nudge) may so come half a second later."""
LONGEST_S: Final = 14 * 86400.0
"""Of one run: what has not ended by then never will."""

Outlet = Callable[[dict[str, Any]], None]


class Endless(RuntimeError):
    """A run that does not end in virtual time: a fault of ours."""


@dataclass(slots=True)
class Marks:
    """What outlives a program, in memory: the latched trip, the part on the bed, the run that never ended."""

    latched: dict[str, Any] | None = None
    bed: str | None = None
    never_ended: str | None = None
    prior: dict[str, float] = field(default_factory=dict)

    def latch(self, trip: dict[str, Any]) -> None:
        self.latched = trip

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        self.bed = self.never_ended = run
        self.prior = dict(prior)

    def finished(self, proven: bool) -> None:
        if proven:
            self.never_ended = None


class Stage:
    """Build it, arrange what is to happen, then `run`. `board.log` and `on_record` tell what the printer really did."""

    def __init__(
        self,
        printer: Printer,
        manners: Manners,
        *,
        seed: int = 1,
        on_record: OnRecord | None = None,
        rest_s: float = REST_S,
    ) -> None:
        self.printer = printer
        self.loop = VirtualLoop()
        self.board = EmulatedPrinter(manners, on_record)
        self.port = MemoryPort(self.board)
        self.marks = Marks()
        self.event: list[Outlet] = []
        self.thermal: list[Outlet] = []
        self.answers: list[dict[str, Any]] = []  # to the commands, in order
        self.runner: Runner | None = None
        self._crashed = False
        self._names = Random(f"{seed} names")
        self._clockwork = Clockwork(self._wall, self._name, rest_s)

    @property
    def now(self) -> float:
        """Virtual seconds since the stage was built."""
        return self.loop.time()

    def close(self) -> None:
        self.loop.close()

    # ---- what is to happen, and when

    def at(self, seconds: float, happens: Callable[[], object]) -> None:
        """At a moment of the clock, or at once where that is over."""
        self.loop.call_at(seconds, happens)

    def command(self, seconds: float, name: str, **words: Any) -> None:
        """A command to the run that is under way at that moment; what it is answered goes to `answers`."""
        self.at(seconds, lambda: self._obey({"command": name, **words}))

    def fault(self, seconds: float, name: str) -> None:
        """A fault of the emulated printer (`T3`, `T3-bed`, …) at that moment. Raises ValueError for an unknown name."""
        spec = f"{name}@0s"
        Fault.parse(spec)
        self.at(seconds, lambda: self.port.befall(spec))

    def crash(self) -> None:
        """At this moment the program is killed: nothing more is written, told or kept. The board lives on."""
        runner = self.runner
        if runner is None:
            return
        self._crashed = True
        self.port.close()
        runner.marks = Marks()  # another's: what a dead program would keep is nowhere
        for outlets in (runner.outlets.event, runner.outlets.thermal):
            outlets.clear()
        runner.leave()

    def pass_time(self, seconds: float) -> None:
        """Nobody is there for so long."""
        self.loop.run_until_complete(asyncio.sleep(seconds))

    # ---- runs

    def run(self, job: Job) -> Ended | None:
        """One run to its end; None where it was killed. Raises Endless."""
        return self._carry_out(self._hire(job), whole_run.run)

    def make_safe(self) -> Ended | None:
        """Heat off and proven, the values of a run that never ended put back: what the next start does first."""
        runner = self._hire(None)
        runner.engine.prior = dict(self.marks.prior)
        return self._carry_out(runner, whole_run.make_safe_only)

    def _hire(self, job: Job | None) -> Runner:
        schedule = Schedule.empty() if job is None else job.schedule
        runner = Runner(self.printer, schedule, job, self.port, self.marks, self._clockwork)
        runner.outlets.event.extend(self.event)
        runner.outlets.thermal.extend(self.thermal)
        return runner

    def _carry_out(self, runner: Runner, procedure: Callable[[Engine], Procedure]) -> Ended | None:
        self.runner, self._crashed = runner, False
        bound = self.loop.call_later(LONGEST_S, self.crash)
        begun = self.now
        try:
            ended = self.loop.run_until_complete(runner.run(procedure))
        finally:
            bound.cancel()
            self.runner = None
        if self._crashed and self.now - begun >= LONGEST_S:
            raise Endless(f"the run has not ended after {LONGEST_S / 86400:g} days of the printer's time")
        return None if self._crashed else ended

    def _obey(self, request: dict[str, Any]) -> None:
        if self.runner is None:
            self.answers.append({"accepted": False, "reason": "no run is under way", "exit": 3})
        else:
            self.answers.append(self.runner.command(request, {"via": "rehearsal"}))

    # ---- the world

    def _wall(self) -> datetime:
        return BEGINS + timedelta(seconds=self.now)

    def _name(self, count: int) -> str:
        return self._names.randbytes(count).hex()
