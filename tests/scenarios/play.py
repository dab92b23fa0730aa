"""Carries a scenario out: a stage, a line, things that happen; then what the next start owes. An `Outcome` has all of it."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from banderole.bench import Manners
from banderole.bench.records import Log as BoardLog
from banderole.cli.run_command import prepare
from banderole.plan.config import Printer
from banderole.rehearsal import Stage
from banderole.rehearsal.stage import REST_S, Marks
from banderole.run.effects import Ended
from banderole.run.runner import Job, Runner

from tests.scenarios.drawing import COMMAND_KINDS
from tests.scenarios.line import Line, ends_the_task
from tests.scenarios.outlets import Outlets
from tests.scenarios.scenario import RISE, Happening, Moment, Scenario
from tests.support.towers import schedule, tower

SAMPLE_S, SELDOM_S = 1.0, 10.0
"""Between two looks at the true temperatures: in short runs, and in long ones."""
REST_AFTER_S: Final = 6.0
"""After the end: is it still as it was left?"""
DEAD_S: Final = 15.0
"""Between a kill and the next start."""
LONGEST_S: Final = 4.1 * 3600.0
"""A short run that has not ended by then never will, and is held to it by `ends`."""
REFUSED: Final = {"hold_requested": "resume", "stopping": "hold", "aborting": "resume"}
"""What a person in a hurry says right behind an event, where states last a moment only: all of it to be refused."""
HURRIED: Final = frozenset(COMMAND_KINDS) - {"long_hold"}
SOON_S: Final = 0.01
MOST_STARTS: Final = 3
"""Makings safe after a kill; a kill may hit these too."""


@dataclass(slots=True)
class Sample:
    """What is true at a moment: °C, and the setpoints in force at the board."""

    at: float
    nozzle: float
    bed: float
    nozzle_target: float
    bed_target: float
    alive: bool  # a run is under way that has not begun to make safe


@dataclass(slots=True)
class Outcome:
    """All that is known of one play."""

    scenario: Scenario
    commands: list[str]  # of the file
    manners: Manners
    events: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    ended: list[Ended | None] = field(default_factory=list)
    """Of the run, then of each making safe; None where it was killed."""
    status: dict[str, Any] = field(default_factory=dict)
    states: list[str] = field(default_factory=list)
    answers: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)
    """Command, state it met, answer."""
    happened: Counter[str] = field(default_factory=Counter)
    taken: list[tuple[float, int]] = field(default_factory=list)
    """Blocks of the file that count as taken, each time that there are more."""
    depths: dict[str, int] = field(default_factory=dict)
    factors: dict[str, float] = field(default_factory=dict)
    own_fault: str | None = None
    lasted: float = 0.0
    trace: str = ""
    line: Line | None = None
    stage: Stage | None = None
    outlets: Outlets | None = None
    job: Job | None = None
    ran: list[Runner] = field(default_factory=list)

    def of(self, kind: str) -> list[tuple[float, dict[str, Any]]]:
        return [(at, event) for at, event in self.events if event["kind"] == kind]

    @property
    def last(self) -> Ended | None:
        return self.ended[-1]


class KeptMarks(Marks):
    """Marks that a killed program no longer makes."""

    line: Line

    def latch(self, trip: dict[str, Any]) -> None:
        if not self.line.dead:
            super().latch(trip)

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        if not self.line.dead:
            super().unfinished(run, prior)

    def finished(self, proven: bool) -> None:
        if not self.line.dead:
            super().finished(proven)


class KeptStage(Stage):
    """A stage that remembers who ran on it."""

    ran: list[Runner]
    states: list[str]

    def _hire(self, job: Job | None) -> Runner:
        runner = super()._hire(job)
        self.ran.append(runner)
        self.states.append(runner.engine.state.value)
        runner.outlets.state.append(self.states.append)
        return runner


class Play:
    """One scenario under way."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        self.scenario = scenario
        self.folder = folder
        self.printer = Printer.model_validate(scenario.printer)
        self.job, commands = _surveyed(scenario, folder, self.printer)
        manners = Manners.from_settings(scenario.board)
        self.outcome = outcome = Outcome(scenario, commands, manners, job=self.job)
        rest_s = REST_S if not scenario.text else 2.0
        self.stage = stage = KeptStage(
            self.printer, manners, seed=scenario.seed, on_record=outcome.rows.append, rest_s=rest_s
        )
        stage.ran, stage.states = outcome.ran, outcome.states
        self.line = line = Line(stage.loop, stage.port, scenario.line, scenario.seed)
        stage.port = line  # type: ignore[assignment]
        outcome.line, outcome.stage = line, stage
        line.after_hearing = self._counts
        marks = stage.marks = KeptMarks()
        marks.line = line
        for name, value in scenario.found.items():
            setattr(stage.board.machine, {"feed": "factor"}.get(name, name), value)
        stage.event.append(self._heard)
        self.outlets = outcome.outlets = Outlets(self)
        self._waiting: list[tuple[Moment, Callable[[], None]]] = []
        self._seen: Counter[str] = Counter()
        self._holds = 0
        self._sample_s = SELDOM_S if scenario.text else SAMPLE_S

    # ---- from end to end

    def go(self) -> Outcome:
        """Plays it all. The outcome's `own_fault` is what was raised where nothing may be."""
        for happening in self.scenario.happenings:
            self._arrange(happening)
        self.stage.loop.call_later(self._sample_s, self._sample)
        if not self.scenario.text:
            self.stage.at(LONGEST_S, self._crash)
        try:
            with self.job.file:
                self._act(lambda: self.stage.run(self.job))
            self._next_starts()
        except Exception as why:
            self.outcome.own_fault = repr(why)
        self.outlets.close()
        self.outcome.trace = self.line.hash.hexdigest()
        self.stage.close()
        return self.outcome

    def _act(self, act: Callable[[], Ended | None]) -> None:
        self.line.dead = False
        try:
            ended = act()
        except asyncio.CancelledError:
            ended = self._last_runner().engine.ended
        self.outcome.ended.append(ended)
        runner = self._last_runner()
        self.outcome.status = runner.status()
        self.outcome.depths["pending"] = max(self.outcome.depths.get("pending", 0), len(runner.engine.window._pending))
        self.outcome.lasted = self.stage.now
        self.stage.pass_time(REST_AFTER_S)
        machine = self.stage.board.machine
        self.outcome.factors = {"flow": machine.flow, "feed": machine.factor, "advance": machine.advance,
                                "retract": machine.retraction[0]}  # fmt: skip

    def _last_runner(self) -> Runner:
        return self.outcome.ran[-1]

    def _next_starts(self) -> None:
        for _ in range(MOST_STARTS):
            if self.outcome.ended[-1] is not None or self.stage.marks.never_ended is None:
                return
            self.line.dead, self.line.kill_at = False, None
            self.stage.pass_time(DEAD_S)
            while not self.line.there:  # without its device a start ends at once, and comes again
                self.stage.pass_time(DEAD_S)
            self._act(self.stage.make_safe)

    # ---- what is heard

    def _heard(self, event: dict[str, Any]) -> None:
        if self.line.dead:
            return
        self.outcome.events.append((self.stage.now, json.loads(json.dumps(event))))
        self.line.note_event(json.dumps(event, sort_keys=True))
        kind = event["kind"]
        self._seen[kind] += 1
        for moment, happens in list(self._waiting):
            if moment.kind == kind and moment.nth == self._seen[kind]:
                self._waiting.remove((moment, happens))
                self.stage.loop.call_later(moment.after_s, happens)
        if kind in REFUSED and HURRIED & set(self.scenario.kinds):
            self.stage.loop.call_later(SOON_S, self.command, REFUSED[kind], {})
        if kind == "held":
            self._holds += 1
            word = "resume" if self._holds <= self.scenario.person.resumes else "stop"
            wait = (
                500.0 if self.outcome.happened["long_hold"] == 1 and self._holds == 1 else self.scenario.person.comes_s
            )
            self.stage.loop.call_later(wait, self._says, word)

    def _counts(self, at: float) -> None:
        runner, taken = self.stage.runner, self.outcome.taken
        if runner is not None and runner is self.outcome.ran[0]:
            blocks = runner.engine.account.blocks
            if blocks and (not taken or taken[-1][1] != blocks):
                taken.append((at, blocks))

    def _says(self, word: str) -> None:
        """The person's word; said again a little later where no fresh reading let it be obeyed."""
        answer = self.command(word, {})
        if answer is not None and not answer["accepted"] and "no fresh reading" in answer["reason"]:
            self.stage.loop.call_later(5.0, self._says, word)

    def _sample(self) -> None:
        board, runner = self.stage.board, self.stage.runner
        now = self.stage.now
        if self.line._board._zero is not None:
            board._live_until(now - self.line._board._zero)
            machine = board.machine
            machine.carry_out(board.clock)  # with nobody at the port no other does, and motions are held against heat
            machine.heat_to(board.clock)
            alive = runner is not None and runner.engine.cause is None and runner.engine.ended is None
            self.outcome.samples.append(
                Sample(now, machine.nozzles[0].temperature, machine.bed.temperature, machine.nozzles[0].target,
                       machine.bed.target, alive and not self.line.dead)
            )  # fmt: skip
        self.stage.loop.call_later(self._sample_s, self._sample)

    # ---- what happens

    def _arrange(self, happening: Happening) -> None:
        make: Callable[..., None] = getattr(self, f"_{happening.what}")

        def happens() -> None:
            self.outcome.happened[happening.what] += 1
            make(*happening.words)

        if happening.when.at_s is not None:
            self.stage.at(happening.when.at_s, happens)
        else:
            self._waiting.append((happening.when, happens))

    def command(self, name: str, words: dict[str, Any]) -> dict[str, Any] | None:
        """As over the local socket. None where no run is under way."""
        runner = self.stage.runner
        if runner is None or self.line.dead:
            return None
        state = runner.engine.state.value
        answer = runner.command({"command": name, **words}, {"via": "local"})
        self.outcome.answers.append((name, state, answer))
        self.line.note_event(json.dumps(answer, sort_keys=True))
        return answer

    def _command(self, name: str, words: dict[str, Any]) -> None:
        self.command(name, words)

    def _long_hold(self) -> None:
        self.command("hold", {})

    def _fault(self, name: str) -> None:
        self.stage.port.befall(f"{name}@0s")

    def _silence(self, seconds: float) -> None:
        self.line.silent_until = self.stage.now + seconds

    def _broker_drops(self, seconds: float) -> None:
        if self.outlets.network is not None:
            self.outlets.network.drop(seconds)

    def _broker_hangs(self, seconds: float) -> None:
        if self.outlets.network is not None:
            self.outlets.network.hang(seconds)

    def _flood(self, each_s: float, count: int, last: str) -> None:
        if self.outlets.network is not None:
            self.outlets.network.flood(each_s, count, last)

    def _replay(self) -> None:
        if self.outlets.network is not None:
            self.outlets.network.replay()

    def _journal_stalls(self, seconds: float) -> None:
        if self.outlets.shelf is not None:
            self.outlets.shelf.stall(seconds)

    def _journal_refuses(self, why: str, seconds: float) -> None:
        if self.outlets.shelf is not None:
            self.outlets.shelf.refuse(why, seconds)

    def _crash(self) -> None:
        self.line.dead = True
        self.stage.crash()

    def _crash_at_write(self, number: int, goes_out: bool) -> None:
        self.line.kill_at = (number, goes_out)
        self.line.killed = self.stage.crash

    def _cancelled(self) -> None:
        if self.stage.runner is not None:
            ends_the_task(self.stage.loop)

    def _outlet_raises(self) -> None:
        runner = self.stage.runner
        if runner is not None:
            runner.outlets.event.append(_raises_once(runner))  # at the next event

    def _engine_raises(self) -> None:
        runner = self.stage.runner
        if runner is not None:
            engine, tick = runner.engine, runner.engine.tick

            def once(now: float) -> Any:
                engine.tick = tick  # type: ignore[method-assign]
                raise ZeroDivisionError("a fault in the engine")

            engine.tick = once  # type: ignore[method-assign]

    def _engine_broken(self) -> None:
        runner = self.stage.runner
        if runner is not None:

            def always(now: float) -> Any:
                raise ZeroDivisionError("a fault in the engine that stays")

            runner.engine.tick = always  # type: ignore[method-assign]

    def _file_shrinks(self) -> None:
        if self.stage.runner is not None and not self.line.dead:
            os.truncate(self.folder / "tower.gcode", 40)


def _raises_once(runner: Runner) -> Callable[[dict[str, Any]], None]:
    def outlet(event: dict[str, Any]) -> None:
        runner.outlets.event.remove(outlet)
        raise RuntimeError("an outlet that raises")

    return outlet


def _surveyed(scenario: Scenario, folder: Path, printer: Printer) -> tuple[Job, list[str]]:
    from tests.support.towers import commands

    file, wanted = folder / "tower.gcode", folder / "schedule.toml"
    text = scenario.text or tower(scenario.how)
    file.write_text(text)
    more = "" if scenario.hold_before is None else f"[[hold_point]]\nbefore_band = {scenario.hold_before}\n"
    stairs = schedule(scenario.channels, **scenario.settle).replace(f"rise_mm = {RISE}", f"rise_mm = {scenario.rise}")
    wanted.write_text(stairs + more)
    return prepare(file, wanted, printer)[0], commands(text.encode())


def play(scenario: Scenario) -> Outcome:
    """One scenario, in a folder of its own that is in memory where it can be."""
    log = logging.getLogger("banderole")
    with ExitStack() as stack:
        stack.callback(log.setLevel, log.level)
        log.setLevel(logging.CRITICAL)  # faults of ours are part of it, and would be told at length
        where = "/dev/shm" if os.path.isdir("/dev/shm") else None
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="banderole-", dir=where)))
        return Play(scenario, folder).go()


__all__ = ["BoardLog", "Outcome", "Play", "Sample", "play"]
