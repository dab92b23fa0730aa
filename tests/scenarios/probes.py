"""Probes of the interlocks, each just inside its level or time and just beyond it, through the whole of a simulated run.

The emulated sensor is a puppet here: from a moment on it reads what the probe says. A probe that is inside must trip nothing; one
that is beyond must trip that alarm, within its time. Levels and times are those of a printer file that says nothing of them.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from banderole.bench.heater import Heater

from tests.scenarios.play import Play
from tests.scenarios.scenario import Happening, Moment, Person, Scenario
from tests.support.towers import How, tower

Script = Callable[[float, float], float]
"""(s since it began, what is true) → what is read, °C."""
LATE_S: Final = 2.6
"""Two readings, and what an answer takes: within so long behind its time a trip must come."""
NEVER_S: Final = 1e7

BOARD: Final = (
    "baud=115200", "receive_bytes=127", "e_mode=apart", "protection=false", "restart_on_open=false", "fan_synced=true",
    "nozzle.tau=60", "bed.tau=150", "home_s=3", "log_limit=0", "seed=1", "idle_release_s=60",
)  # fmt: skip
PRINTER: Final[dict[str, Any]] = {
    "name": "simulated",
    "serial": {"port": "emulated", "window_bytes": 96},
    "firmware": {"e_mode": "apart"},
    "volume": {"x": [0, 220], "y": [0, 220], "z": [0, 250]},
    "limits": {"nozzle": [0, 250], "bed": [0, 110]},
    "hold": {"nozzle_off_after_s": 80000.0, "bed_off_after_s": 80000.0},
}
BASE: Final = Scenario(
    seed=1,
    how=How(),
    channels=(("nozzle", 220.0, 0.0),),
    settle={"stance": "aside", "tolerance": 1.5, "dwell_s": 5, "patience_s": 80000, "when_late": "hold"},
    hold_before=None,
    printer=PRINTER,
    board=BOARD,
    found={},
    person=Person(NEVER_S, 9),
)
HELD: Final = replace(BASE, happenings=(Happening("command", Moment(kind="band_entered", after_s=1.0), ("hold", {})),))
COOLING: Final = replace(BASE, channels=(("nozzle", 220.0, -25.0),))
HEATING: Final = replace(BASE, channels=(("nozzle", 195.0, 25.0),))
OFF: Final = replace(HELD, printer={**PRINTER, "hold": {"nozzle_off_after_s": 5.0, "bed_off_after_s": 80000.0}})
PRINTING: Final = replace(BASE, board=(*BOARD, "motion_speed=0.2"))
COOL_PRINTING: Final = replace(PRINTING, channels=(("nozzle", 170.0, 0.0),), how=How(nozzle=170, spiral=True))
PROBING: Final = replace(
    BASE, text=tower().replace("G28", "G28\nG29"), board=(*BOARD, "probe_s=400", "busy_s=0", "reports_while_slow=false")
)
WAITING: Final = replace(BASE, how=How(waits=True), board=(*BOARD, "busy_s=0", "wait_window=1"))
HEAVY: Final = replace(OFF, board=(*BOARD, "nozzle.tau=2500", "nozzle.gain=1000"))
DEAF_LATER: Final = replace(
    BASE,
    text=tower(How(waits=True)).replace("M109 S220", "M109 S220\nG28"),
    board=(*BOARD, "home_s=40", "busy_s=0", "reports_while_slow=false"),
)
BED: Final = replace(HELD, how=How(bed=60))


def _deaf(head: str, seconds: float) -> Scenario:
    """A file with such a command in it, which lasts so long and lets nothing be heard meanwhile."""
    board = (*BOARD, f"probe_s={seconds:g}", "busy_s=0", "reports_while_slow=false")
    return replace(BASE, text=tower().replace("G28", f"G28\n{head}"), board=board)


PROBES_S: Final = {"G30": 60.0, "G32": 600.0, "G33": 600.0, "G34": 600.0, "G425": 600.0}
"""Longest that these may last and nothing be heard, s."""


class Puppet(Heater):
    """A heater whose sensor, and whose shown power, are played."""

    __slots__ = ("clock", "script", "shown")
    clock: Callable[[], float]
    script: Script | None
    shown: Callable[[float], float] | None

    def read(self) -> float:
        value = super().read()
        return value if self.script is None else self.script(self.clock(), value)

    @property
    def power(self) -> float:
        duty = Heater.power.fget(self)  # type: ignore[attr-defined]
        return float(duty if self.shown is None else self.shown(self.clock()))


@dataclass(frozen=True)
class Probe:
    """From `at` on `script` is read, for `lasts_s`; `alarm` must trip `within` (s, from and to), or nothing may."""

    name: str
    scenario: Scenario
    at: Moment
    script: Script | None
    alarm: str | None = None
    within: tuple[float, float] = (0.0, 0.0)
    lasts_s: float = 60.0
    heater: str = "nozzle"
    caution: str | None = None
    shown: Callable[[float], float] | None = None
    act: Callable[[Play], None] | None = field(default=None)


def steps(base: float, *parts: tuple[float, float]) -> Script:
    """`base` and so many °C more for so many s each; then what is true."""

    def script(t: float, true: float) -> float:
        for seconds, more in parts:
            if t < seconds:
                return base + more
            t -= seconds
        return true

    return script


def from_there(per_s: float, more: float = 0.0) -> Script:
    """From what was true as it began, and so much more, so many °C a second."""
    first: list[float] = []

    def script(t: float, true: float) -> float:
        if not first or t < 1e-6:
            first[:] = [true]
        return first[0] + more + per_s * t

    return script


def capped(most: float) -> Script:
    """What is true, up to a value about which it then wavers a little."""
    return lambda t, true: true if true < most else most + 0.1 * (int(t) % 2)


def dips(at: float, to: float, for_s: float) -> Script:
    """What is true, until it comes to `at` °C; then `to` for so many s; then what is true."""
    since: list[float] = []

    def script(t: float, true: float) -> float:
        if true >= at and not since:
            since.append(t)
        return to if since and t - since[0] < for_s else true

    return script


def line(start: float, per_s: float) -> Script:
    return lambda t, true: start + per_s * t


def after(*parts: tuple[float, Script]) -> Script:
    """One script after the other; each counts from its own beginning."""

    def script(t: float, true: float) -> float:
        for seconds, one in parts[:-1]:
            if t < seconds:
                return one(t, true)
            t -= seconds
        return parts[-1][1](t, true)

    return script


def _true(t: float, true: float) -> float:
    return true


def _mute(seconds: float) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        board = play.stage.board
        board.readings_muted = True
        play.stage.loop.call_later(seconds, lambda: setattr(board, "readings_muted", False))

    return act


def _silence(seconds: float) -> Callable[[Play], None]:
    return lambda play: setattr(play.line, "silent_until", play.stage.now + seconds)


def _stands_still(seconds: float) -> Callable[[Play], None]:
    """The program is stopped for so long: the clock goes on, and nothing of ours is carried out meanwhile."""

    def act(play: Play) -> None:
        play.stage.loop._jumping.clock += seconds

    return act


def _panel(value: float, seconds: float) -> Callable[[Play], None]:
    """Somebody sets another nozzle temperature at the panel, and back again."""

    def act(play: Play) -> None:
        machine, board = play.stage.board.machine, play.stage.board
        before = machine.nozzle.target
        machine.set_target(machine.nozzle, value, board.clock)
        play.stage.loop.call_later(seconds, lambda: machine.set_target(machine.nozzle, before, board.clock))

    return act


_H = Moment(kind="held", after_s=3.0)
_UP = Moment(kind="setpoint_confirmed", nth=1)
_DOWN = Moment(kind="setpoint_confirmed", nth=2)
_OFF = Moment(kind="caution", nth=1, after_s=1.5)
_P = Moment(kind="band_entered", nth=1, after_s=1.0)
RUNAWAY, OVERSHOOT = (15.0, 15.0 + LATE_S), (8.0, 8.0 + LATE_S)
SOON: Final = (0.5, 1.0 + LATE_S)

PROBES: Final = (
    # settled, too low and too high: level, time, what clears it
    Probe("low, inside", HELD, _H, steps(220, (60, -11.8))),
    Probe("low, beyond", HELD, _H, steps(220, (60, -12.3)), "heat_runaway", RUNAWAY),
    Probe("low, too short", HELD, _H, steps(220, (13.5, -12.3))),
    Probe("low, cleared between", HELD, _H, steps(220, (12, -12.3), (3, -9.5), (12, -12.3))),
    Probe("low, not cleared between", HELD, _H, steps(220, (9, -12.3), (3, -10.6), (60, -12.3)), "heat_runaway", RUNAWAY),
    Probe("high, inside", HELD, _H, steps(220, (60, 11.8))),
    Probe("high, beyond", HELD, _H, steps(220, (60, 12.3)), "heat_overshoot", OVERSHOOT),
    Probe("high, too short", HELD, _H, steps(220, (6.5, 12.3))),
    Probe("high, cleared between", HELD, _H, steps(220, (5, 12.3), (3, 9.5), (5, 12.3))),
    Probe("high, not cleared between", HELD, _H, steps(220, (4, 12.3), (2, 10.6), (60, 12.3)), "heat_overshoot", OVERSHOOT),
    Probe("over the limit, inside", HELD, _H, steps(220, (60, 39.7)), "heat_overshoot", OVERSHOOT),
    Probe("over the limit, beyond", HELD, _H, steps(220, (60, 40.4)), "heat_over_limit", SOON),
    # the sensor
    Probe("one drop, no faster than a heater", HELD, _H, steps(220, (1.0, -40.0)), lasts_s=20),
    Probe("one jump", HELD, _H, steps(220, (1.0, -80.0)), caution="sensor_jump", lasts_s=20),
    Probe("jumps", HELD, _H, steps(220, (9, -80.0)), "sensor_jump", (0.5, 2 + LATE_S)),
    Probe("one impossible", HELD, _H, steps(220, (1.0, 60.0)), caution="sensor_impossible", lasts_s=20),
    Probe("impossible", HELD, _H, steps(220, (9, 60.0)), "sensor_impossible", SOON),
    Probe("not a number", HELD, _H, lambda t, true: float("nan"), "sensor_impossible", SOON),
    Probe("cold, just possible", HELD, _H, steps(0, (1.0, -19.0)), heater="bed", lasts_s=20),
    Probe("cold, impossible", HELD, _H, steps(0, (9, -21.0)), "sensor_impossible", SOON, heater="bed"),
    Probe("frozen, power changed", HELD, _H, steps(220, (400, 0.0)), "sensor_stuck", (50.0, 75.0), 120.0,
          shown=lambda t: 0.5 if t < 30.0 else 0.92),
    Probe("frozen, power hardly changed", HELD, _H, steps(220, (400, 0.0)), lasts_s=120.0,
          shown=lambda t: 0.5 if t < 30 else 0.8),
    Probe("frozen, power changed for a moment", HELD, _H, steps(220, (400, 0.0)), lasts_s=100.0,
          shown=lambda t: 0.95 if 70.0 < t < 73.0 else 0.5),
    Probe("plate off and still, as plates may be", replace(BED, printer={**PRINTER, "hold": {"nozzle_off_after_s": 80000.0,
          "bed_off_after_s": 5.0}}), _OFF, steps(60, (400, 0.0)), lasts_s=330.0, heater="bed"),
    # on the way up
    Probe("frozen while heating", BASE, _UP, from_there(0.0), "heat_rise", (25.0, 25.0 + 1 + LATE_S)),
    Probe("frozen, the heater known by now", HEATING, _DOWN, from_there(0.0), "heat_rise", (25.0, 25.0 + 1 + LATE_S)),
    Probe("rises too slowly", BASE, _UP, from_there(0.1), "heat_rise", (25.0, 55.0)),
    Probe("rises slowly", BASE, _UP, from_there(0.16), lasts_s=75.0),
    Probe("stands still, little to go", BASE, _UP, capped(210.9), lasts_s=150.0),
    Probe("stands still, more to go", BASE, _UP, capped(209.0), "heat_rise", (25.0, 140.0), 150.0),
    Probe("dips when it is nearly there", BASE, _UP, dips(214.5, 206.5, 18.0), lasts_s=150.0),
    Probe("falls back", BASE, _UP, after((25.0, _true), (NEVER_S, from_there(0.0, -17.5))), "heat_runaway", (38.0, 44.0), 90.0),
    # on the way down
    Probe("stays up", COOLING, _DOWN, lambda t, true: 220.0 + 0.1 * (int(t) % 2), "heat_overshoot", (10.0, 60.0), 70.0),
    Probe("climbs on its way down", COOLING, _DOWN, after((9.0, _true), (NEVER_S, line(205.0, 1.5))), "heat_overshoot",
          (15.0, 32.0)),
    Probe("climbs on its way down, later than a dead time lasts", COOLING, _DOWN,
          after((11.0, line(219.0, -0.5)), (NEVER_S, line(213.5, 3.0))), "heat_overshoot", (18.0, 25.0), 32.0),
    # off
    Probe("off, climbs a little", OFF, _OFF, after((14.0, lambda t, true: 200.0), (NEVER_S, lambda t, true: 211.6)),
          lasts_s=30.0),
    Probe("off, climbs", OFF, _OFF, after((14.0, lambda t, true: 200.0), (NEVER_S, lambda t, true: 212.6)), "heat_while_off",
          (14.5, 15.0 + LATE_S)),
    Probe("off, one reading climbs", OFF, _OFF, after((14.0, lambda t, true: 200.0), (1.0, lambda t, true: 214.0),
          (NEVER_S, lambda t, true: 200.0)), lasts_s=30.0),
    Probe("off, one reading is low", OFF, _OFF, after((14.0, lambda t, true: 200.0), (1.0, lambda t, true: 165.0),
          (NEVER_S, lambda t, true: 200.0)), lasts_s=30.0),
    Probe("off, coasts", OFF, _OFF, after((4.0, line(220.0, 4.0)), (NEVER_S, line(236.0, -1.0))), lasts_s=30.0),
    Probe("off, frozen", OFF, _OFF, lambda t, true: 200.0, "sensor_stuck", (55.0, 60.0 + LATE_S), 80.0),
    Probe("off, frozen, next to no power", OFF, _OFF, lambda t, true: 200.0, "sensor_stuck", (55.0, 60.0 + LATE_S), 80.0,
          shown=lambda t: 0.02),
    Probe("off, still for a while", OFF, _OFF, after((54.0, lambda t, true: 200.0), (NEVER_S, line(200.0, -1.0))), lasts_s=75.0),
    # silence, setpoints, cold deposits
    Probe("no readings for a moment", HELD, _H, None, lasts_s=20.0, act=_mute(4.0)),
    Probe("no readings", HELD, _H, None, "stale", (5.0, 8.0), 20.0, act=_mute(9.0)),
    Probe("silent for a moment", HELD, _H, None, lasts_s=20.0, act=_silence(4.0)),
    Probe("silent", HELD, _H, None, "silence", (5.0, 8.0), 20.0, act=_silence(9.0)),
    Probe("other target for a moment", PRINTING, _P, None, lasts_s=8.0, act=_panel(217.0, 1.4)),
    Probe("other target", PRINTING, _P, None, "setpoint_lost", (1.0, 3.0 + LATE_S), 12.0, act=_panel(217.0, 11.0)),
    Probe("hardly warm enough", COOL_PRINTING, _P, steps(160.4, (30, 0.0)), lasts_s=8.0),
    Probe("too cold to lay down", COOL_PRINTING, _P, steps(159.5, (30, 0.0)), "deposit_below", (0.0, 1.0 + LATE_S), 12.0),
    Probe("deaf while homing", replace(BASE, board=(*BOARD, "home_s=55", "busy_s=0", "reports_while_slow=false")),
          Moment(kind="run_started"), None, lasts_s=75.0),
    Probe("deaf for too long", replace(BASE, board=(*BOARD, "home_s=90", "busy_s=0", "reports_while_slow=false")),
          Moment(kind="run_started"), None, "silence", (57.0, 68.0), 100.0),
    Probe("stood still for a moment", HELD, _H, None, lasts_s=20.0, act=_stands_still(3.0)),
    Probe("stood still", HELD, _H, None, "stale", (29.0, 32.0), 50.0, act=_stands_still(30.0)),
    Probe("stood still while deaf", replace(BASE, board=(*BOARD, "home_s=90", "busy_s=0", "reports_while_slow=false")),
          Moment(kind="run_started", after_s=20.0), None, "silence", (35.0, 48.0), 80.0, act=_stands_still(25.0)),
    Probe("deaf while probing", PROBING, Moment(kind="run_started"), None, lasts_s=420.0),
    # the plate, which is slower
    Probe("plate low", BED, _H, steps(60, (200, -8.3)), "heat_runaway", (60.0, 60.0 + LATE_S), 100.0, heater="bed"),
    Probe("plate low, inside", BED, _H, steps(60, (200, -7.8)), lasts_s=100.0, heater="bed"),
    Probe("plate high", BED, _H, steps(60, (200, 12.3)), "heat_overshoot", (30.0, 30.0 + LATE_S), 60.0, heater="bed"),
)  # fmt: skip


SELDOM: Final = (
    Probe("deaf while probing for too long", replace(PROBING, board=(*PROBING.board, "probe_s=700")), Moment(kind="run_started"),
          None, "silence", (600.0, 615.0), 650.0),
    *(Probe(f"deaf in {head}", _deaf(head, 0.8 * most), Moment(kind="run_started"), None, lasts_s=0.8 * most + 20.0)
      for head, most in PROBES_S.items()),
    *(Probe(f"deaf in {head} for too long", _deaf(head, 1.2 * most), Moment(kind="run_started"), None, "silence",
            (most, most + 15.0), 1.2 * most + 20.0) for head, most in PROBES_S.items()),
    # a file's own wait, which the printer may take longer for than we do
    Probe("deaf in M109", WAITING, Moment(kind="pre_wait"), steps(217.2, (45.0, 0.0)), lasts_s=60.0, act=_silence(40.0)),
    Probe("deaf in M109 for too long", WAITING, Moment(kind="pre_wait"), steps(217.2, (80.0, 0.0)), "silence",
          (60.0, 66.0), 90.0, act=_silence(75.0)),
    # a nozzle so heavy that it moves three degrees in two minutes: standing still says nothing before
    Probe("off, frozen, hardly anything due", HEAVY, _OFF, after((26.0, line(218.0, -5.0)), (NEVER_S, lambda t, true: 90.0)),
          "sensor_stuck", (140.0, 149.0), 160.0),
    # this program is stopped just behind a command that the printer is long deaf over
    Probe("stood still as it went deaf", DEAF_LATER, Moment(kind="pre_wait", after_s=1.0), None, lasts_s=60.0,
          act=_stands_still(10.0)),
    # the first readings of all
    Probe("the first reading is wild", BASE, Moment(at_s=0.0), steps(140, (2.553, 0.0)), caution="sensor_jump", lasts_s=20.0),
)  # fmt: skip
"""Those that take longer, or seldom change: against planted bugs only."""


def tried(probe: Probe) -> str:
    """What is wrong with how it came out; "" if nothing."""
    where = "/dev/shm" if os.path.isdir("/dev/shm") else None
    with tempfile.TemporaryDirectory(prefix="banderole-", dir=where) as folder:
        play = Play(probe.scenario, Path(folder))
        machine, began = play.stage.board.machine, [0.0]
        real = machine.bed if probe.heater == "bed" else machine.nozzle
        puppet = Puppet(real.build, real._rng)
        puppet.script = puppet.shown = None
        puppet.clock = lambda: play.stage.now - began[0]
        if probe.heater == "bed":
            machine.bed = puppet
        else:
            machine.nozzles[0] = puppet

        def begins() -> None:
            began[0] = play.stage.now
            puppet.script, puppet.shown = probe.script, probe.shown
            if probe.act is not None:
                probe.act(play)
            play.stage.loop.call_later(probe.lasts_s, play._crash)

        if probe.at.at_s is None:
            play._waiting.append((probe.at, begins))
        else:
            play.stage.at(probe.at.at_s, begins)
        play.stage.at(3600.0, play._crash)
        outcome = play.go()
    if outcome.own_fault is not None:
        return f"{probe.name}: {outcome.own_fault}"
    return _judged(probe, outcome.events, began[0])


def _judged(probe: Probe, events: list[tuple[float, dict[str, Any]]], began: float) -> str:
    if not began and probe.at.at_s is None:
        return f"{probe.name}: it never came to that; {events[-1][1] if events else 'no events'}"
    first = next(
        (
            (at - began, event)
            for at, event in events
            if at >= began and event["kind"] in ("trip", "link_lost", "aborting")
        ),
        None,
    )
    if probe.alarm is None:
        cautions = [event["alarm"] for at, event in events if at >= began and event["kind"] == "caution"]
        if first is not None:
            return f"{probe.name}: {first[1].get('alarm') or first[1]} after {first[0]:.1f} s"
        if probe.caution is not None and probe.caution not in cautions:
            return f"{probe.name}: no caution {probe.caution}, but {cautions}"
        if probe.caution is None and any(alarm.startswith("sensor") for alarm in cautions):
            return f"{probe.name}: {cautions}"
        return ""
    if first is None:
        return f"{probe.name}: nothing tripped within {probe.lasts_s:g} s"
    alarm = first[1].get("alarm") or ("silence" if first[1]["kind"] == "link_lost" else first[1]["reason"])
    low, high = probe.within
    if alarm != probe.alarm or not low - 1e-6 <= first[0] <= high:
        return f"{probe.name}: {alarm} after {first[0]:.1f} s, not {probe.alarm} within {low:g} to {high:g} s"
    return ""


def wrong(probes: Iterable[Probe] = PROBES) -> Iterator[str]:
    """Every probe that comes out otherwise."""
    yield from filter(None, map(tried, probes))
