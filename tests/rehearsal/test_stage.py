"""The stage: whole runs in virtual time, and what is made to happen at moments of its clock."""

from __future__ import annotations

from pathlib import Path

import pytest
from banderole.bench.faults import NAMES
from banderole.plan.config import Printer
from banderole.rehearsal import StandIn, some_printer
from banderole.rehearsal.stage import REST_S
from banderole.run.clockwork import TICK_S

from tests.rehearsal.acts import act
from tests.support.towers import BANDS, LAYER, STEPS, TOLERANCE, How

HEATED_S = 150.0
"""By then the small tower is printing in its first band: its nozzle has gone from 25 to 220 °C."""


def test_a_whole_run_lays_down_the_same_part_in_the_right_bands(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Complete", 0, True), ended.reason
        play.verdict().all_of_it(LAYER, STEPS, BANDS, TOLERANCE)
        assert play.stage.marks.never_ended is None
        assert play.stage.marks.bed == play.events[0]["run"]


@pytest.mark.parametrize("how", [How(), How(relative_e=False, waits=True, bed=60), How(spiral=True), How(parts=2)])
def test_crossings_come_where_the_survey_has_them(tmp_path: Path, how: How) -> None:
    with act(tmp_path, how=how) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0, ended.reason
        crossed = [(event["band"], event["line"], event["why_here"]) for event in play.of("crossing_begun")]
        rows = [(row.band, row.line, row.why_here) for row in play.job.survey.rows]
        assert crossed[: len(rows)] == rows
        assert len(crossed) == sum(row.entered for row in play.job.survey.rows)
        told = play.events[-1]
        assert told["blocks_sha256"] == {"file": play.job.survey.digest, "acknowledged": play.job.survey.digest}
        assert told["blocks"] == play.job.survey.blocks


@pytest.mark.parametrize("fault", [(), ("S1@60", "S3@80"), ("T3@150s",)])
def test_it_goes_as_at_the_beat_of_a_run(tmp_path: Path, fault: tuple[str, ...]) -> None:
    """Looking twice a second and not twenty times changes nothing but when what only time ends is seen."""
    told = []
    for rest_s in (TICK_S, REST_S):
        with act(tmp_path, *fault, rest_s=rest_s, more="[[hold_point]]\nbefore_band = 3\n") as play:
            StandIn(play.stage)
            ended = play.stage.run(play.job)
            assert ended is not None
            told.append((ended.state, ended.exit, play.events, play.stage.now))
    (as_run, code_of_run, often, early), (state, code, seldom, late) = told
    assert (state, code) == (as_run, code_of_run)
    assert [event["kind"] for event in seldom] == [event["kind"] for event in often]
    assert late == pytest.approx(early, abs=5.0)
    for mine, theirs in zip(seldom[-1]["bands"], often[-1]["bands"], strict=True):
        assert mine["proof"] == theirs["proof"]
        assert mine["filament_mm"] == theirs["filament_mm"]


def test_the_time_of_day_is_the_clocks_from_the_year_2000_on(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.run(play.job)
        assert play.events[0]["at"].startswith("2000-01-01T00:00:0")
        minutes, seconds = divmod(int(play.stage.now), 60)
        assert play.events[-1]["at"].startswith(f"2000-01-01T00:{minutes:02d}:{seconds:02d}.")


def test_a_hold_at_a_moment_lasts_until_its_resume(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.command(HEATED_S, "hold")
        play.stage.command(HEATED_S + 300.0, "resume")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0, ended.reason
        assert [answer["accepted"] for answer in play.stage.answers] == [True, True]
        (held,), (back,) = play.of("held"), play.of("resumed")
        assert f"2000-01-01T00:{int(HEATED_S // 60):02d}" <= held["at"] < f"2000-01-01T00:{int(HEATED_S // 60) + 1:02d}"
        assert back["at"] > "2000-01-01T00:07:30"
        play.verdict().all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def test_a_command_outside_a_run_is_answered(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.command(1.0, "hold")
        play.stage.pass_time(2.0)
        assert play.stage.answers == [{"accepted": False, "reason": "no run is under way", "exit": 3}]


def test_a_fault_at_a_moment_trips_and_is_latched_in_memory(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.fault(HEATED_S, "T3")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (5, True)
        assert play.stage.now > HEATED_S
        assert play.stage.marks.latched is not None
        assert play.stage.marks.latched["alarm"] == "heat_runaway"
        assert play.stage.board.machine.nozzle.target == 0.0
        with pytest.raises(ValueError, match="there is no T99; known are"):
            play.stage.fault(1.0, "T99")


def test_at_a_trip_heat_off_is_written_before_anybody_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with act(tmp_path) as play:
        plain, written = play.stage.port.write, bytearray()

        def write(data: bytes) -> None:
            written.extend(data)
            plain(data)

        monkeypatch.setattr(play.stage.port, "write", write)
        before: list[bool] = []
        play.stage.event.append(
            lambda event: before.append(b"M104 S0*" in written) if event["kind"] == "trip" else None
        )
        play.stage.fault(HEATED_S, "T1")
        play.stage.run(play.job)
        assert before == [True]


@pytest.mark.fault("P1", on="simulation")
@pytest.mark.parametrize("moment", [30.0, HEATED_S, HEATED_S + 20.03])
def test_a_crash_leaves_the_board_alone_and_the_next_start_makes_it_safe(tmp_path: Path, moment: float) -> None:
    with act(tmp_path) as play:
        play.stage.at(moment, play.stage.crash)
        assert play.stage.run(play.job) is None
        assert play.stage.now == pytest.approx(moment)
        assert "run_ended" not in play.kinds()
        heard = len(play.stage.board.log.lines)
        assert play.stage.board.machine.nozzle.target > 0.0
        play.stage.pass_time(20.0)
        assert len(play.stage.board.log.lines) - heard <= 4, "only what was on the wire is heard after it"
        assert play.stage.marks.never_ended is not None
        ended = play.stage.make_safe()
        assert ended is not None
        assert (ended.exit, ended.proven) == (0, True)
        assert play.stage.board.machine.nozzle.target == 0.0
        assert play.stage.marks.never_ended is None
        play.verdict(whole=False).same_part()


def test_killed_while_it_homes_for_long_it_is_made_safe_as_soon_as_it_listens(tmp_path: Path) -> None:
    """The board reads nothing meanwhile, says nothing by itself, and no restart helps it; that is said."""
    deaf = ("home_s=30", "restart_on_open=false", "auto_report=false", "dtr_resets=false")
    with act(tmp_path, settings=deaf) as play:
        play.stage.at(6.0, play.stage.crash)
        assert play.stage.run(play.job) is None
        board = play.stage.board
        assert board.log.commands[-1].text == "G28"
        assert board.machine.nozzle.target > 0.0
        heard = len(play.events)
        ended = play.stage.make_safe()
        assert ended is not None
        assert (ended.exit, ended.proven) == (0, True), ended.reason
        assert any("homing or probing" in event.get("text", "") for event in play.events[heard:])
        homed = next(move.end for move in board.log.moves if move.kind == "home")
        off = next(row.at for row in board.log.setpoints if row.channel == "nozzle" and row.at > homed)
        assert off - homed < 1.0
        assert "M112" not in [line.raw for line in board.log.lines]


@pytest.mark.parametrize(
    ("more", "patience_s", "word", "code"),
    [
        ("[[hold_point]]\nbefore_band = 2\n", 240, "resumed", 0),
        ("", 20, "settle_late", 4),  # from cold it takes longer, and nobody decides what then
    ],
)
def test_who_stands_in_resumes_what_was_planned_and_stops_the_rest(
    tmp_path: Path, more: str, patience_s: int, word: str, code: int
) -> None:
    with act(tmp_path, more=more, patience_s=patience_s) as play:
        StandIn(play.stage)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (code, True), ended.reason
        assert word in play.kinds()


FINISHED = ("S1", "S2", "S2b", "S3", "S4", "S5", "S7", "S9", "T6", "T7")
"""S2b as well: one vertex of one layer is wrong, and the next block sets it right before anybody asks."""
LOST = ("S10", "S11", "S12")
UNPROVEN = ("S10", "S10b", "T1c", "T4")
"""Nothing is heard any more, or no number; or the heater stays on whatever it is told."""


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("when", ["100s", "45"])
def test_every_fault_of_the_emulated_printer_has_its_end(tmp_path: Path, name: str, when: str) -> None:
    with act(tmp_path, f"{name}@{when}") as play:
        StandIn(play.stage)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == (0 if name in FINISHED else 6 if name in LOST else 5), ended.reason
        assert ended.proven is (name not in UNPROVEN), ended.reason
        assert (play.stage.marks.latched is not None) is (ended.exit == 5)
        assert play.stage.now < 1800.0


def with_shutdown(**firmware: float) -> Printer:
    plain = some_printer()
    return plain.model_copy(update={"firmware": plain.firmware.model_copy(update={"inactivity_s": 90.0, **firmware})})


def test_the_boards_own_shutdown_is_armed_for_the_run_and_turns_heat_off_where_the_program_is_gone(
    tmp_path: Path,
) -> None:
    with act(tmp_path, printer=with_shutdown()) as play:
        play.stage.at(HEATED_S, play.stage.crash)
        assert play.stage.run(play.job) is None
        assert play.stage.board.machine.nozzle.target > 0.0
        board = play.stage.board
        board.advance(board.clock + 100.0)
        assert (board.machine.nozzle.target, board.machine.bed.target) == (0.0, 0.0)


def test_the_boards_own_shutdown_never_acts_in_a_run_and_is_disarmed_at_its_end(tmp_path: Path) -> None:
    """Not in a hold of eight minutes either: the nudges see to that, on a board that never lets its motors go."""
    with act(tmp_path, printer=with_shutdown(idle_release_s=0.0), more="\n[[hold_point]]\nbefore_band = 2\n") as play:
        play.stage.event.append(
            lambda event: play.stage.command(play.stage.now + 500.0, "resume") if event["kind"] == "held" else None
        )
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit) == ("Complete", 0), ended.reason
        sent = [row["text"] for row in play.rows if row["row"] == "command" and row["text"].startswith("M85")]
        assert sent == ["M85 S90", "M85 S0"]
        play.stage.board.advance(play.stage.board.clock + 1000.0)
        assert play.stage.board.state == "alive"


def test_on_a_line_that_damages_a_wait_spent_aside_is_no_wrong_place(tmp_path: Path) -> None:
    """From the first refused line on each block is asked after; the file's own wait goes out while we are aside."""
    with act(tmp_path, "S1@20", how=How(inside=((4, "M109 S224"), (7, "G4 S40")))) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert play.of("link_resent")
        assert len(play.of("pre_wait")) == 1
        assert ended.exit == 0, ended.reason


def test_a_printer_that_waits_for_a_person_and_says_nothing_is_borne(tmp_path: Path) -> None:
    """Asked by a reminder it says that it has the line; it is not through with it before it is heard again."""
    silent = ("busy_s=0", "auto_report=false", "reports_while_slow=false", "person_s=40")
    with act(tmp_path, how=How(inside=((5, "M0"),)), settings=silent) as play:
        StandIn(play.stage)
        ended = play.stage.run(play.job)
        assert ended is not None
        assert play.written(b"N0*126\n")
        assert ended.exit == 0, ended.reason
