"""Waiting, parts in turn, and what may befall the program itself (K, P), on the simulation."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from banderole.cli.live import LiveView
from banderole.cli.output import Output
from banderole.link.service import Rounds
from banderole.plan.interlock_settings import Interlocks
from banderole.rehearsal.stage import REST_S
from banderole.run.engine import Engine

from tests.faults.ends import finishes, heat_is_off, printer, trips
from tests.rehearsal.acts import Act, act, moment
from tests.support.towers import How

PRINTING_S = 146.0
HEAT_OFF_S = 0.5
"""From an order to its bytes on the wire."""


# ---- K: waiting, and parts in turn


@pytest.mark.parametrize("release_s", [60])
@pytest.mark.fault("K1", on="simulation")
def test_k1_motors_are_never_let_go_while_we_wait(tmp_path: Path, release_s: int) -> None:
    """Held for five minutes, and settling for minutes; the same board, left alone afterwards, does let them go."""
    own = printer(firmware__idle_release_s=release_s)
    with act(tmp_path, printer=own, settings=("nozzle.tau=400",), patience_s=1000) as play:
        held_at: list[float] = []

        def hold(event: dict[str, Any]) -> None:
            if event["kind"] == "band_entered" and not held_at:
                held_at.append(play.stage.now)
                play.stage.command(play.stage.now + 1.0, "hold")
                play.stage.command(play.stage.now + 300.0, "resume")

        play.stage.event.append(hold)
        finishes(play)
        assert play.events[-1]["inserted"]["nudge"] >= 300 / release_s
        released = [row for row in play.rows if row.get("kind") == "motors_released" and "idle" in row["detail"]]
        assert released == []
        own_end = play.stage.now
        play.stage.board.machine.motors_on = True  # the file's own M84 has let them go
        play.stage.pass_time(release_s + 5.0)
        play.stage.board.advance(own_end + release_s + 5.0)
        assert play.stage.board.log.kinds()[-1] == "motors_released"


@pytest.mark.parametrize("x", [60.0, 200.0])
@pytest.mark.fault("K2", on="simulation")
def test_k2_aside_on_the_far_side_of_a_finished_part(tmp_path: Path, x: float) -> None:
    """Parts at x 110 and 140; aside at 60 lies behind the first for the second, at 200 behind the second for the first."""
    own = printer(aside__at=[x, 110.0])
    with act(tmp_path, printer=own, how=How(parts=2)) as play:
        finishes(play)
        over = [
            move
            for move, top in play.verdict().split[1]
            if top >= 2.7 and min(move["x0"], move["x1"]) < 115 and max(move["x0"], move["x1"]) > 130
        ]
        assert over or x > 140, "no way of ours led over the finished part"
        assert all(min(move["z0"], move["z1"]) > 2.7 for move in over)


# ---- P2, P3: a loop that is stuck, a task that dies


@pytest.mark.fault("P2", on="simulation")
def test_p2_a_loop_that_is_stuck_is_fed_no_more_and_the_next_start_makes_safe(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        rounds = Rounds()
        fed: list[float] = []

        def hire() -> None:
            assert play.stage.runner is not None
            play.stage.runner.outlets.beat.append(rounds.expect("run"))

        def manager() -> None:
            """The service manager's watchdog: fed when all have come round, else the program is killed after 30 s."""
            if rounds.complete():
                fed.append(play.stage.now)
            if fed and play.stage.now - fed[-1] > 30.0:
                play.stage.crash()
            else:
                play.stage.at(play.stage.now + 1.0, manager)

        def stuck() -> None:
            """Neither a look nor a byte any more: as when a callback never returns."""
            runner = play.stage.runner
            assert runner is not None
            assert runner._look is not None
            runner._look.cancel()
            runner._guarded = lambda fed: None  # type: ignore[method-assign]

        play.stage.at(1.0, hire)
        play.stage.at(2.0, manager)
        play.stage.at(PRINTING_S, stuck)
        assert play.stage.run(play.job) is None, "it was not killed"
        assert play.stage.board.machine.nozzle.target > 0.0
        assert PRINTING_S - 2.0 <= fed[-1] <= PRINTING_S + 1.0
        again(play)


def again(play: Act) -> None:
    """What the next start owes: heat off before anything else, and proven."""
    since = play.stage.now
    assert play.stage.marks.never_ended is not None
    ended = play.stage.make_safe()
    assert ended is not None
    assert (ended.exit, ended.proven) == (0, True)
    assert play.stage.marks.never_ended is None
    heat_is_off(play)
    codes = [data for at, data in play.wire if at >= since]
    first = next(data for data in codes if b"M110" not in data and b"M115" not in data and data.strip())
    assert b"M104 S0" in first or b"M105" in first


@pytest.mark.parametrize("where", ["looks", "bytes", "the file"])
@pytest.mark.fault("P3", on="simulation")
def test_p3_the_runs_own_task_dies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    """A fault of ours, wherever it is: heat is off and proven, and the run is over."""
    with act(tmp_path) as play:
        name = {"looks": "tick", "bytes": "receive", "the file": "give"}[where]
        plain: Callable[..., Any] = getattr(Engine, name)
        died: list[float] = []

        def dies(engine: Engine, *words: Any) -> Any:
            if play.stage.now > PRINTING_S and not died:
                died.append(play.stage.now)
                raise RuntimeError("a fault of ours")
            return plain(engine, *words)

        monkeypatch.setattr(Engine, name, dies)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Aborted", 70, True), ended.reason
        assert play.written(b"M104 S0", died[0])[0] - died[0] <= HEAT_OFF_S
        assert [event["alarm"] for event in play.of("trip")] == ["own_fault"]
        assert play.stage.marks.latched is not None
        assert play.stage.marks.latched["alarm"] == "own_fault"
        heat_is_off(play)


@pytest.mark.parametrize("which", ["event", "thermal"])
@pytest.mark.fault("P3", on="simulation")
def test_p3_an_outlet_dies(tmp_path: Path, which: str) -> None:
    """For good: it does not stand in the way of making safe either."""
    with act(tmp_path) as play:

        def outlet(said: dict[str, Any]) -> None:
            if play.stage.now > PRINTING_S:
                raise RuntimeError("a fault of ours")

        getattr(play.stage, which).append(outlet)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (70, True), ended.reason
        heat_is_off(play)


@pytest.mark.fault("P3", on="simulation")
def test_p3_an_outlet_dies_of_the_last_event(tmp_path: Path) -> None:
    """The run has ended by then, and its end is told all the same."""
    with act(tmp_path) as play:

        def outlet(event: dict[str, Any]) -> None:
            if event["kind"] == "run_ended":
                raise RuntimeError("a fault of ours")

        play.stage.event.insert(0, outlet)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Complete", 0, True), ended.reason
        assert len(play.of("run_ended")) == 1
        heat_is_off(play)


# ---- P4: it is asked to end


@pytest.mark.parametrize("moment_of", ["a move", "M109", "the wait before it", "a crossing", "held"])
@pytest.mark.fault("P4", on="simulation")
def test_p4_an_abort_is_on_the_wire_within_half_a_second(tmp_path: Path, moment_of: str) -> None:
    """What a signal asks for. Read at once in a move of 26 s; in a wait of the printer's own behind that, and told."""
    inside = ((3, "G1 X20 Y20 F300"),) if moment_of == "a move" else ()
    settings = ("wait_dwell_s=40",) if moment_of == "M109" else ()
    with act(tmp_path, how=How(waits=True, inside=inside), settings=settings) as play:
        asked: list[float] = []

        def ask() -> None:
            asked.append(play.stage.now)
            assert play.stage.runner is not None
            play.stage.runner.command({"command": "abort"}, {"via": "signal"})

        def on(event: dict[str, Any]) -> None:
            begins = {"a crossing": ("crossing_begun", 2), "the wait before it": ("setpoint_confirmed", 1)}
            kind, count = begins.get(moment_of, ("", 0))
            if event["kind"] == kind and len(play.of(kind)) == count and not asked:
                play.stage.at(play.stage.now + 0.4, ask)

        play.stage.event.append(on)
        if moment_of in ("a move", "M109"):
            watch_for(play, b"X20 Y20" if moment_of == "a move" else b"M109", ask)
        if moment_of == "held":
            play.stage.command(PRINTING_S + 20.0, "hold")
            play.stage.at(PRINTING_S + 60.0, ask)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Aborted", 4, True), ended.reason
        written = play.written(b"M104 S0", asked[0])[0]
        assert written - asked[0] <= HEAT_OFF_S
        read = next(row["at"] for row in play.log.commands if row["at"] >= asked[0] and row["text"] == "M104 S0")
        if moment_of == "M109":
            assert read - written > 5.0, "nothing stood before it"
            assert [event["alarm"] for event in play.of("caution")] == ["queued"]
        else:
            assert read - written <= HEAT_OFF_S
        heat_is_off(play)
        play.verdict(whole=False).same_part()


def watch_for(play: Act, text: bytes, then: Callable[[], None]) -> None:
    """A moment after this was written, it is being carried out."""
    if play.written(text):
        play.stage.at(play.stage.now + 3.0, then)
    else:
        play.stage.at(play.stage.now + 0.1, lambda: watch_for(play, text, then))


# ---- P5, P6: it stands still; nobody reads it


@pytest.mark.parametrize(("settings", "at"), [((), 60.0), ((), 172.5), (("auto_report=false",), 172.5)])
@pytest.mark.fault("P5", on="simulation")
def test_p5_frozen_for_half_a_minute(tmp_path: Path, settings: tuple[str, ...], at: float) -> None:
    """The printer has reported all the while; what it said is read on waking, and is no fresh reading."""
    with act(tmp_path, settings=settings, patience_s=600) as play:
        play.stage.at(at, lambda: stand_still(play, 30.0))
        trip = trips(play, "stale")
        assert at + 30.0 <= moment(trip) <= at + 30.0 + REST_S + 0.1
        assert "stood still for 30" in trip["text"]


@pytest.mark.parametrize("seconds", [1.0, 4.0])
@pytest.mark.fault("P5", on="simulation")
def test_p5_frozen_for_less_than_readings_may_be_old(tmp_path: Path, seconds: float) -> None:
    assert seconds + 1.0 + REST_S < Interlocks().stale_s
    with act(tmp_path, settings=("receive_bytes=512",)) as play:
        play.stage.at(60.0, lambda: stand_still(play, seconds))
        finishes(play)


def stand_still(play: Act, seconds: float) -> None:
    """The clock goes on and nothing of ours does."""
    play.stage.loop._jumping.clock += seconds


@pytest.mark.fault("P6", on="simulation")
def test_p6_nobody_reads_what_it_says(tmp_path: Path) -> None:
    """A pipe that is full, then closed: not one byte on the wire is another."""
    (tmp_path / "read").mkdir()
    (tmp_path / "unread").mkdir()
    with act(tmp_path / "read") as alone:
        finishes(alone)
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, 4096)
    try:
        with act(tmp_path / "unread") as play:
            view = LiveView(json=True, output=Output(write))
            play.stage.event.append(view.event)
            play.stage.thermal.append(lambda reading: view.event({"kind": "reading", **reading}))
            play.stage.at(PRINTING_S + 30.0, lambda: os.close(read))
            finishes(play)
            assert play.wire == alone.wire
    finally:
        os.close(write)
