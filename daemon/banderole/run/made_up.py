"""Made-up readings, one story for each interlock: does this engine, with these settings, decide a trip?

Each story is told to a scratch engine of its own, as the lines a printer would send, in a time of its own: nothing reaches
the printer, and nothing is latched. A story counts only if its engine keeps quiet until the fault in it begins, and then
gives the alarm that the fault is meant for. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from banderole_protocol.modal import Modal

from banderole.plan.blocks import Block
from banderole.plan.interlock_settings import HeaterInterlocks as InterlockSettings
from banderole.plan.itinerary import Stretch
from banderole.plan.schedule import Schedule
from banderole.run.effects import Effect, Notify
from banderole.run.heat_watch import HEATERS, WARM
from banderole.run.interlocks import OVER_LIMIT
from banderole.run.off_watch import COAST
from banderole.run.sensor_checks import ABOVE_LIMIT, COLDEST, LASTING, LEAST_JUMP, SUDDEN_S
from banderole.run.steps import Procedure, drain

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

ROOM: Final = 20.0
"""°C, of the heaters in a story before it begins."""
PAST: Final = 4.0
"""°C past a level: more than what a level needs to be sure, less than what would be another fault."""
FULL: Final = 127
"""Reported power; `SOME` is what holds a setpoint."""
SOME: Final = 25


class Untold(Exception):
    """These settings leave no room for the fault: another interlock or a limit comes first."""


class Story:
    """A scratch engine of the same make as `like`, told of one heater while the other rests at room temperature."""

    def __init__(self, like: Engine, heater: str) -> None:
        self.engine = type(like)(like.printer, Schedule.empty(), None)
        self.heater = heater
        self.settings: InterlockSettings = (
            like.printer.interlocks if heater == "nozzle" else like.printer.interlocks.bed
        )
        self.limit: float = getattr(like.printer.limits, heater)[1]
        self.setpoint = min(0.75 * self.limit, 200.0)
        self.now = 0.0
        self.begun: float | None = None  # the fault
        self.told: list[tuple[float, str]] = []
        self.engine.answered = True
        self._hear(self.engine.start(0.0, _idle))
        self.engine.phase = "printing"

    def read(self, measured: float, target: float = 0.0, power: int = 0, after: float = 1.0) -> None:
        """The printer reports."""
        self.now += after
        rest = f"{ROOM:.2f} /0.00"
        ours = f"{measured:.2f} /{target:.2f}"
        nozzle, bed = (ours, rest) if self.heater == "nozzle" else (rest, ours)
        at = (power, 0) if self.heater == "nozzle" else (0, power)
        self.say(f"T:{nozzle} B:{bed} @:{at[0]} B@:{at[1]}")

    def say(self, line: str) -> None:
        self._hear(self.engine.receive(line.encode() + b"\n", self.now))

    def wait(self, seconds: float) -> None:
        """Nothing is heard."""
        self.now += seconds
        self._hear(self.engine.tick(self.now))

    def fault(self) -> None:
        """From here on something is wrong."""
        self.begun = self.now

    def far(self, degrees: float) -> float:
        """Seconds in which a sound sensor may go so far."""
        sudden = 1.01 * degrees / self.settings.jump.degrees_per_s
        return max(1.0, SUDDEN_S + (sudden - SUDDEN_S) / LASTING)

    def needs(self, possible: bool) -> None:
        if not possible:
            raise Untold

    def heated(self) -> None:
        """At its setpoint."""
        self.needs(self.setpoint > WARM)
        for _ in range(4):
            self.read(self.setpoint, self.setpoint, SOME)

    def _hear(self, effects: Sequence[Effect]) -> None:
        for effect in effects:
            match effect:
                case Notify("trip", fields):
                    self.told.append((self.now, str(fields["alarm"])))
                case Notify("link_lost"):
                    self.told.append((self.now, "silence"))

    def decided(self, alarm: str) -> bool:
        """Was it quiet until the fault, and this alarm the first thing after it?"""
        return bool(self.told) and self.begun is not None and self.told[0][0] > self.begun and self.told[0][1] == alarm


def _idle(e: Engine) -> Procedure:
    del e
    while True:
        yield


# ---- the heaters' own


def _rise(s: Story) -> None:
    s.needs(s.setpoint > ROOM + 15.0)
    s.read(ROOM, 0.0)
    s.fault()
    within = s.settings.rise.within_s
    for turn in range(14):
        s.read(ROOM + 0.01 * (turn % 2), s.setpoint, FULL, within / 10.0)


def _runaway(s: Story) -> None:
    low = s.setpoint - s.settings.runaway.degrees - PAST
    s.needs(low > COLDEST)
    s.heated()
    s.fault()
    step = max(s.far(s.setpoint - low), 0.4 * s.settings.runaway.for_s)
    for turn in range(4):
        s.read(low + 0.01 * (turn % 2), s.setpoint, SOME, step)


def _overshoot(s: Story) -> None:
    over = s.settings.overshoot
    s.setpoint = min(s.setpoint, s.limit + OVER_LIMIT - over.degrees - 2.0 * PAST)
    s.heated()
    s.fault()
    for turn in range(4):
        step = max(s.far(over.degrees + PAST), 0.4 * over.for_s)
        s.read(s.setpoint + over.degrees + PAST + 0.01 * (turn % 2), s.setpoint, SOME, step)


def _while_off(s: Story) -> None:
    climb = s.settings.overshoot.degrees + PAST
    within = s.settings.rise.within_s
    s.needs(ROOM + climb < s.limit + OVER_LIMIT and s.far(climb) < 0.5 * within)
    s.read(ROOM)
    s.read(ROOM, after=1.01 * COAST * within)
    s.fault()
    s.read(ROOM + climb, after=s.far(climb))
    s.read(ROOM + climb)


def _over_limit(s: Story) -> None:
    s.fault()
    for _ in range(2):
        s.read(s.limit + 0.5 * (OVER_LIMIT + ABOVE_LIMIT))


def _impossible(s: Story) -> None:
    s.read(ROOM)
    s.fault()
    for _ in range(2):
        s.read(COLDEST - PAST)


def _jump(s: Story) -> None:
    every = 0.05
    most = max(LEAST_JUMP, s.settings.jump.degrees_per_s * every) + PAST
    s.needs(ROOM + most < s.limit + ABOVE_LIMIT)
    for _ in range(4):
        s.read(ROOM, after=every)
    s.fault()
    for _ in range(2):
        s.read(ROOM + most, after=every)


def _stuck(s: Story) -> None:
    s.heated()
    s.fault()
    step = s.settings.stuck_s / 12.0
    for turn in range(36):
        s.read(s.setpoint, s.setpoint, SOME if turn < 6 else FULL, step)


# ---- the run's


def _stale(s: Story) -> None:
    s.heated()
    s.fault()
    for _ in range(12):
        s.now += s.settings.stale_s / 8.0
        s.say("echo:nothing of heat")
        s.wait(0.0)


def _silence(s: Story) -> None:
    s.heated()
    s.fault()
    for _ in range(12):
        s.wait(s.settings.stale_s / 8.0)


def _setpoint_lost(s: Story) -> None:
    s.heated()
    s.engine.current = {s.heater: s.setpoint}
    s.fault()
    for _ in range(3):
        s.read(s.setpoint, s.setpoint - 5.0, SOME)


def _deposit_below(s: Story) -> None:
    least = s.engine.printer.limits.deposit_above
    s.needs(least - PAST > ROOM and s.limit > least)
    s.read(least + PAST)
    s.engine.feeder.load(Stretch([Block(1, b"G1 X1 E1", 0.0, 1.0)], Modal("joined")))
    s.fault()
    s.read(least - PAST)


def _fatal(s: Story) -> None:
    s.read(ROOM)
    s.fault()
    s.now += 1.0
    s.say("Error:Printer halted. kill() called!")


def _audit(s: Story) -> None:
    where = Modal("joined")
    for block in (b"G28", b"G90", b"G1 X10 Y10 Z10"):
        where.apply(block)
    s.read(ROOM)
    s.fault()
    s.engine._begin(drain(s.engine, where))
    for _ in range(8):
        s.now += 0.1
        for line in s.engine.data_to_send(s.now).splitlines():
            if b"M114" in line:
                s.say("X:13.00 Y:10.00 Z:10.00 E:0.00 Count X:0 Y:0 Z:0")
            s.say("ok")


@dataclass(frozen=True, slots=True)
class Proof:
    """One interlock, and the story that must trip it."""

    alarm: str
    story: Callable[[Story], None]
    heaters: tuple[str, ...] = HEATERS


PROOFS: Final = (
    Proof("heat_rise", _rise),
    Proof("heat_runaway", _runaway),
    Proof("heat_overshoot", _overshoot),
    Proof("heat_while_off", _while_off),
    Proof("heat_over_limit", _over_limit),
    Proof("sensor_impossible", _impossible),
    Proof("sensor_jump", _jump),
    Proof("sensor_stuck", _stuck),
    Proof("stale", _stale),
    Proof("silence", _silence),
    Proof("setpoint_lost", _setpoint_lost),
    Proof("deposit_below", _deposit_below, ("nozzle",)),
    Proof("printer_fatal", _fatal, ("nozzle",)),
    Proof("position_audit", _audit, ("nozzle",)),
)


@dataclass(frozen=True, slots=True)
class Proven:
    """What came of the stories: how many tripped, which could not be told, and (alarm, heater) of those that did not trip."""

    tripped: int
    untold: tuple[tuple[str, str], ...]
    failed: tuple[tuple[str, str], ...]


def prove(like: Engine) -> Proven:
    """Tell each story to a scratch engine with the settings of `like`, which itself is left alone."""
    tripped, untold, failed = 0, [], []
    for proof in PROOFS:
        for heater in proof.heaters:
            try:
                story = Story(like, heater)
                proof.story(story)
            except Untold:
                untold.append((proof.alarm, heater))
                continue
            if story.decided(proof.alarm):
                tripped += 1
            else:
                failed.append((proof.alarm, heater))
    return Proven(tripped, tuple(untold), tuple(failed))
