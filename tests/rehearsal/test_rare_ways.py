"""Ways of a run that are seldom gone, in virtual time: printers that leave things out, faults upon faults, late commands."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from banderole.rehearsal import StandIn
from banderole.run import runner
from banderole.run.emergency import emergency_only
from banderole.run.engine import HELD_BACK, Engine
from banderole.run.runner import LAST_RESORT

from tests.faults.ends import finishes, heat_is_off, printer, trips
from tests.rehearsal.acts import Act, act
from tests.support.towers import NOZZLE, How, schedule

HEATED_S = 150.0
"""By then the small tower is printing in its first band."""
FLOWS = schedule((*NOZZLE, ("flow", 96.0, 2.0)), tolerance=1.5, dwell_s=8, patience_s=240)


def says(play: Act, change: Callable[[str], str | None]) -> None:
    """From now on the board's lines are changed on their way; None: lost."""
    plain = play.stage.board.voice.say

    def say(text: str, now: float) -> None:
        if (changed := change(text)) is not None:
            plain(changed, now)

    play.stage.board.voice.say = say  # type: ignore[method-assign]


def without(*beginnings: str) -> Callable[[str], str | None]:
    return lambda text: None if text.startswith(beginnings) else text


# ---- faults of ours


def test_where_the_ladder_itself_fails_heat_off_and_the_stop_go_out_past_all_numbering(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("invented")

    with act(tmp_path) as play:
        play.stage.at(HEATED_S, lambda: monkeypatch.setattr(Engine, "tick", broken))
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (70, False)
        assert "not proven" in ended.reason
        assert play.written(LAST_RESORT)
        assert any(event.get("alarm") == "mains" for event in play.of("caution"))
        heat_is_off(play)
        assert play.stage.marks.never_ended is not None, "the next start makes it safe once more"


def test_a_run_that_is_cancelled_makes_safe_before_it_goes(tmp_path: Path) -> None:
    with act(tmp_path) as play:

        def cancel() -> None:
            for task in asyncio.all_tasks(play.stage.loop):
                task.cancel()

        play.stage.at(HEATED_S, cancel)
        with pytest.raises(asyncio.CancelledError):
            play.stage.run(play.job)
        heat_is_off(play)
        assert any(event.get("proven") for event in play.of("make_safe"))


def test_a_run_that_is_cancelled_while_it_is_made_safe_makes_safe_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tick = Engine.tick

    def once(*_: object) -> None:
        monkeypatch.setattr(Engine, "tick", tick)
        raise RuntimeError("invented")

    with act(tmp_path) as play:
        run: list[asyncio.Task[Any]] = []
        play.stage.at(HEATED_S - 1.0, lambda: run.extend(asyncio.all_tasks(play.stage.loop)))
        play.stage.at(HEATED_S, lambda: monkeypatch.setattr(Engine, "tick", once))
        for after_s in (1.0, 1.5):
            play.stage.at(HEATED_S + after_s, lambda: [task.cancel() for task in run])
        with pytest.raises(asyncio.CancelledError):
            play.stage.run(play.job)
        heat_is_off(play)
        assert any(event.get("proven") for event in play.of("make_safe"))
        assert play.of("make_safe")[-1]["reason"].startswith("own_fault")


# ---- the file


class Torn:
    """A file of which a disk gives the first bytes only."""

    def __init__(self, file: Any, least: int) -> None:
        self._file, self._left = file, least

    def read(self, size: int = -1) -> bytes:
        if self._left <= 0:
            raise OSError(5, "Input/output error")
        self._left -= size
        data: bytes = self._file.read(size)
        return data

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


def test_a_file_that_can_no_longer_be_read_trips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with act(tmp_path) as play:
        monkeypatch.setattr("banderole.plan.blocks.CHUNK_BYTES", 1024)
        play.job = replace(play.job, file=Torn(play.job.file, 2048))  # type: ignore[arg-type]
        trip = trips(play, "file_changed")
        assert "Input/output error" in trip["text"]


def test_where_nobody_tells_how_long_the_file_is_the_run_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_: object) -> int:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(runner, "_size", refused)
    with act(tmp_path) as play:
        finishes(play)


@pytest.mark.parametrize(
    ("how", "word"),
    [
        (How(inside=((3, "M0"),)), "held"),
        (How(inside=((3, "G4 S5"),)), "resumed"),
        (How(inside=((5, "M109 S235"),)), "pre_wait"),
        (How(inside=((5, "M109 R190"),)), "pre_wait"),
        (How(inside=((5, "M104 S235"),)), "file_setpoint_reasserted"),
    ],
)
def test_what_the_file_itself_waits_for(tmp_path: Path, how: How, word: str) -> None:
    with act(tmp_path, how=how) as play:
        StandIn(play.stage)
        finishes(play)
        assert (word in play.kinds()) is (word != "resumed")


def test_a_bed_that_the_file_waits_for_and_that_never_gets_there_trips(tmp_path: Path) -> None:
    with act(tmp_path, "T5-bed@1s", how=How(bed=90, waits=True)) as play:
        trips(play, "pre_wait", "heat_rise")


# ---- printers that leave things out


@pytest.mark.parametrize("left_out", [("FIRMWARE_NAME", "Cap:"), ("X:",)])
def test_what_a_printer_need_not_say(tmp_path: Path, left_out: tuple[str, ...]) -> None:
    with act(tmp_path, settings=("dtr_resets=false",)) as play:
        says(play, without(*left_out))
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (0, True), ended.reason


def test_no_word_of_the_nozzle_refuses_the_start(tmp_path: Path) -> None:
    with act(tmp_path, "S10b@0") as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 3
        assert "nothing was heated" in ended.reason
        heat_is_off(play)


def test_targets_that_are_not_reported_are_taken_as_set_and_said_to_be(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        says(play, lambda text: re.sub(r" /\d+\.\d", "", text))
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0, ended.reason
        assert {event["proof"] for event in play.of("setpoint_confirmed")} == {"accepted"}
        assert "heat_off_unseen" in [event["alarm"] for event in play.of("caution")]


def test_a_heater_that_is_on_already_is_left_on_by_the_start_proof(tmp_path: Path) -> None:
    with act(tmp_path, settings=("restart_on_open=false",)) as play:
        machine = play.stage.board.machine
        machine.set_target(machine.bed, 40.0, 0.0)
        finishes(play)
        assert "heat_off_untried" in [event["alarm"] for event in play.of("caution")]


def test_a_feed_factor_that_somebody_left_is_told(tmp_path: Path) -> None:
    with act(tmp_path, settings=("restart_on_open=false",)) as play:
        play.stage.board.machine.factor = 80.0
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0
        assert "feed" in [event["alarm"] for event in play.of("caution")]


@pytest.mark.parametrize("inside", [(), ((1, "M221 S98"),)])
def test_what_a_factor_was_comes_from_the_file_or_from_the_printer_file(tmp_path: Path, inside: Any) -> None:
    """Where the board does not answer."""
    with act(tmp_path, how=How(inside=inside), plan=FLOWS, settings=("answers=",)) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0, ended.reason
        assert play.of("run_started")[0]["prior"] == {"flow": 98.0 if inside else 100.0}


def test_what_nobody_tells_could_not_be_put_back_and_refuses_the_start(tmp_path: Path) -> None:
    plan = schedule((*NOZZLE, ("advance", 0.02, 0.02)))
    with act(tmp_path, plan=plan, settings=("answers=",)) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 3
        assert "restore.advance" in ended.reason


def test_a_printer_that_holds_filament_back_as_too_cold_is_told_once_a_band(tmp_path: Path) -> None:
    """Its own bound lies above the printer file's `deposit_above`: it moves on over air, and says so at each line."""
    with act(tmp_path, settings=("cold_below=235",)) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        said = [event["text"] for event in play.of("caution") if event["alarm"] == "held_back"]
        assert [text.partition(":")[0] for text in said] == ["band 1", "band 2", "band 3"]
        bands = play.of("run_ended")[-1]["bands"]
        assert all(HELD_BACK in band["cautions"] for band in bands)


# ---- making safe


@pytest.mark.parametrize("after_s", [0.0, 0.001, 0.5, 1.5])
def test_unplugged_while_it_is_made_safe(tmp_path: Path, after_s: float) -> None:
    with act(tmp_path) as play:
        play.stage.command(HEATED_S, "abort")
        play.stage.fault(HEATED_S + after_s, "S12")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (4, True), ended.reason
        heat_is_off(play)


def test_unplugged_for_good_is_unproven_and_the_mains_are_named(tmp_path: Path) -> None:
    with act(tmp_path, settings=("replug_s=1000",)) as play:
        play.stage.command(HEATED_S, "abort")
        play.stage.fault(HEATED_S + 0.5, "S12")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (4, False)
        assert "mains" in [event["alarm"] for event in play.of("caution")]


def test_an_emergency_stop_while_the_port_is_opened_anew(tmp_path: Path) -> None:
    with act(tmp_path, settings=("replug_s=5",)) as play:
        play.stage.fault(HEATED_S, "S12")
        play.stage.command(HEATED_S + 0.6, "estop")
        play.stage.command(HEATED_S + 2.1, "estop")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (6, True), ended.reason
        heat_is_off(play)


def test_a_printer_that_breaks_off_in_the_middle_of_the_ladder(tmp_path: Path) -> None:
    """Silent, so it is restarted; then unplugged while it is greeted anew."""
    with act(tmp_path, settings=("boot_s=3",)) as play:
        play.stage.fault(HEATED_S, "S10")
        play.stage.command(HEATED_S + 1.0, "abort")
        play.stage.fault(HEATED_S + 10.0, "S12")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (4, False), ended.reason


def test_a_digit_lost_from_the_reading_at_the_heat_off_is_not_what_later_ones_are_held_against(tmp_path: Path) -> None:
    """The plate is cold at 21 °C and reads 1 as the ladder begins: by that reading it would have climbed 20 °C since."""
    lost: list[str] = []

    def without_a_digit(text: str) -> str:
        if play.stage.now < HEATED_S or lost or "B:2" not in text:
            return text
        lost.append(text)
        play.stage.command(play.stage.now + 0.1, "abort")
        return text.replace("B:2", "B:")

    with act(tmp_path) as play:
        says(play, without_a_digit)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert lost
        assert (ended.exit, ended.proven) == (4, True), ended.reason
        heat_is_off(play)


def test_every_tool_that_was_heard_of_and_the_chamber_are_turned_off(tmp_path: Path) -> None:
    with act(tmp_path, settings=("tools=2",)) as play:
        says(play, lambda text: f"{text} C:35.0 /0.0" if "T:" in text and "@" in text else text)
        play.stage.command(HEATED_S, "abort")
        play.stage.run(play.job)
        assert play.written(b"M104 T1 S0", HEATED_S)
        assert play.written(b"M141 S0", HEATED_S)


def test_a_fan_that_was_on_cools_the_nozzle_after_the_proof(tmp_path: Path) -> None:
    with act(tmp_path, how=How(inside=((2, "M106 S255"),))) as play:
        play.stage.command(HEATED_S + 10.0, "abort")
        doing: list[str] = []
        play.stage.at(
            HEATED_S + 30.0, lambda: doing.append(str(play.stage.runner and play.stage.runner.status()["doing"]))
        )
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (4, True)
        assert "the part fan cools the nozzle" in doing[0]
        assert play.written(b"M106 S0", HEATED_S + 10.0)


def test_a_factor_that_never_shows_trips_and_what_cannot_be_put_back_is_said(tmp_path: Path) -> None:
    with act(tmp_path, plan=FLOWS) as play:
        play.stage.at(HEATED_S, lambda: says(play, lambda text: re.sub(r"(?i)(flow\D*)\d+", r"\g<1>50", text)))
        trips(play, "setpoint_unproven")
        assert "restore" in [event["alarm"] for event in play.of("caution")]


@pytest.mark.parametrize(("faults", "code"), [((), 0), (("S10@0s",), 5)])
def test_an_emergency_stop_where_nothing_runs(tmp_path: Path, faults: tuple[str, ...], code: int) -> None:
    with act(tmp_path, *faults, settings=("restart_on_open=false",)) as play:
        machine = play.stage.board.machine
        machine.set_target(machine.nozzle, 200.0, 0.0)
        ended = play.stage._carry_out(play.stage._hire(None), emergency_only)
        assert ended is not None
        assert (ended.exit, ended.proven) == (code, code == 0), ended.reason
        assert play.written(b"M112")
        heat_is_off(play)


@pytest.mark.parametrize("word", ["abort", "estop"])
def test_what_is_asked_while_a_printer_left_hot_is_greeted_does_not_leave_it_hot(tmp_path: Path, word: str) -> None:
    """It says nothing for the first seconds of a make-safe: nobody knows yet that it listens."""
    with act(tmp_path, settings=("restart_on_open=false", "auto_report=false")) as play:
        machine = play.stage.board.machine
        machine.set_target(machine.nozzle, 200.0, 0.0)
        says(play, lambda text: None if play.stage.now < 5.0 else text)
        play.stage.command(3.0, word)
        ended = play.stage.make_safe()
        assert ended is not None
        assert (ended.exit, ended.proven) == (0, True), ended.reason
        assert bool(play.written(b"M112")) is (word == "estop")
        heat_is_off(play)


def test_a_heater_that_comes_on_by_itself_after_the_proof_is_not_called_off(tmp_path: Path) -> None:
    """While the part fan still cools the nozzle, what switches the heater fails: the ladder is climbed again, to its end."""
    with act(tmp_path, how=How(inside=((2, "M106 S255"),))) as play:
        play.stage.command(HEATED_S, "abort")
        play.stage.fault(HEATED_S + 30.0, "T4")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (4, False), ended.reason
        assert [event["proven"] for event in play.of("make_safe") if "proven" in event] == [True, False]
        assert "mains" in [event["alarm"] for event in play.of("caution")]


# ---- late commands


def test_what_is_asked_too_late_or_wrongly_is_answered(tmp_path: Path) -> None:
    with act(tmp_path) as plain:
        plain.stage.run(plain.job)
        ends_s, moves = plain.stage.now, [row for row in plain.rows if row["row"] == "move"]
    with act(tmp_path) as play:
        asked = [
            (HEATED_S + 0.1, "acknowledge", {}, "there is nothing to acknowledge"),
            (HEATED_S + 0.2, "start", {}, None),
            (HEATED_S + 0.3, "dance", {}, "dance is not a command of a run"),
            (HEATED_S + 0.4, "hold", {"withdraw": True}, "no hold is pending"),
            (HEATED_S + 0.5, "hold", {"at": "layer 7"}, "say now, layer or band:N"),
            (HEATED_S + 0.6, "hold", {"at": "band:1"}, "has begun already"),
            (HEATED_S + 0.7, "hold", {"at": "band:3"}, "will hold before band 3"),
            (HEATED_S + 0.8, "hold", {"withdraw": True}, "is withdrawn"),
            (ends_s - 1.0, "hold", {}, "there is nothing left to hold"),
        ]
        for at, command, words, _ in asked:
            play.stage.command(at, command, **words)
        finishes(play)
        for (_, _, _, reason), answer in zip(asked, play.stage.answers, strict=True):
            assert reason is None or reason in answer["reason"], answer
    with act(tmp_path) as last:
        last.stage.command(moves[-1]["start"], "stop")
        ended = last.stage.run(last.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Stopped", 4, True), ended.reason
        assert "at the end of the file" in ended.reason


def test_hold_at_a_layer_is_for_a_run_under_way(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.command(HEATED_S, "hold")
        play.stage.command(HEATED_S + 60.0, "resume")
        play.stage.command(HEATED_S + 60.1, "hold", at="layer")
        play.stage.command(HEATED_S + 60.2, "hold")
        play.stage.command(HEATED_S + 120.0, "resume")
        finishes(play)
        assert [answer["accepted"] for answer in play.stage.answers] == [True, True, False, True, True]


def test_a_printer_that_reports_and_answers_nothing_is_lost_at_last(tmp_path: Path) -> None:
    with act(tmp_path, printer=printer(thermal__report_s=1)) as play:
        play.stage.at(HEATED_S, lambda: says(play, lambda text: text if text.startswith("T:") else None))
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 6, ended.reason
        assert "though the printer reports" in ended.reason
