"""The start proof: the way to safety is walked before anything is heated, quickly, and leaves nothing behind."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from banderole.bench.heater import Heater
from banderole.run import start_proof
from banderole.run.made_up import Proven

from tests.rehearsal.acts import Act, act


def heats(play: Act) -> list[tuple[str, float]]:
    return [(row["channel"], row["value"]) for row in play.rows if row["row"] == "setpoint"]


def test_a_low_target_is_seen_and_taken_back_before_the_run_begins(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.run(play.job)
        told = play.of("run_started")[0]["start_proof"]
        assert told["walked"] == ["nozzle", "bed"]
        assert (told["interlocks"], told["left_out"]) == (25, [])
        assert told["seconds"] < 3.0
        assert heats(play)[:4] == [("nozzle", 5.0), ("bed", 5.0), ("nozzle", 0.0), ("bed", 0.0)]
        assert play.events[-1]["inserted"]["start_proof"] >= 4
        assert play.stage.marks.latched is None


@pytest.mark.parametrize("settings", [("auto_report=false",), ("busy_s=0",), ("noise_in=0.002",)])
def test_whatever_the_printer_is_like_it_is_quick(tmp_path: Path, settings: tuple[str, ...]) -> None:
    with act(tmp_path, settings=settings) as play:
        play.stage.run(play.job)
        assert play.of("run_started")[0]["start_proof"]["seconds"] < 3.0


def refused(play: Act) -> Any:
    ended = play.stage.run(play.job)
    assert ended is not None
    assert (ended.state, ended.exit) == ("Aborted", 3)
    assert "run_started" not in play.kinds()
    assert play.stage.marks.latched is None
    assert max([value for _, value in heats(play)], default=0.0) <= 5.0
    return ended


def test_a_printer_that_does_not_take_its_target_back_is_made_safe_and_not_heated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with act(tmp_path) as play:
        plain = play.stage.board.machine.set_target

        def hot_only(heater: Heater, value: float, now: float) -> None:
            if value > 0.0:
                plain(heater, value, now)

        monkeypatch.setattr(play.stage.board.machine, "set_target", hot_only)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit) == ("Aborted", 5)
        assert "restart" in [event["rung"] for event in play.of("make_safe") if "rung" in event]
        assert play.stage.marks.latched is not None
        assert play.stage.marks.latched["alarm"] == "heat_off_unproven"
        assert max(value for _, value in heats(play)) == 5.0


def test_a_printer_that_shows_no_target_it_is_given_is_not_heated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with act(tmp_path) as play:
        monkeypatch.setattr(play.stage.board.machine, "set_target", lambda *_: None)
        assert "does not show a target" in refused(play).reason


def test_an_interlock_that_does_not_decide_is_named_and_nothing_is_heated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with act(tmp_path) as play:
        monkeypatch.setattr(start_proof, "prove", lambda e: Proven(24, (), (("heat_rise", "bed"),)))
        assert "heat_rise of the bed" in refused(play).reason


def test_a_heater_that_is_on_already_is_left_on_and_that_is_said(tmp_path: Path) -> None:
    with act(tmp_path, settings=("restart_on_open=false",)) as play:
        board = play.stage.board
        board.machine.set_target(board.machine.bed, 50.0, board.clock)
        play.stage.run(play.job)
        assert play.of("run_started")[0]["start_proof"]["walked"] == []
        assert "heat_off_untried" in {event["alarm"] for event in play.of("caution")}
        assert 5.0 not in {target for _, target in heats(play)}
