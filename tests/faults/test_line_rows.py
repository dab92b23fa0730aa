"""Damage on the line (S1 to S8), on the simulation: what the printer did, held to what the row expects."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from banderole_protocol.probes import PROBE_S

from tests.faults.ends import finishes, printer, trips
from tests.rehearsal.acts import Act, act, moment
from tests.support.towers import BANDS, schedule

WINDOWS = (0, 96)
"""Bytes that may be unacknowledged: one line at a time, and what a small board takes."""
LATER_S = 0.6
"""A stage looks twice a second."""


def lines(play: Act, verdict: str) -> list[dict[str, Any]]:
    """Lines that the board refused, by its reason: checksum wrong, number is not the next in turn."""
    return [row for row in play.rows if row["row"] == "line" and verdict in row["refused"]]


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.fault("S1", on="simulation")
def test_s1_a_bit_flips(tmp_path: Path, window: int) -> None:
    with act(tmp_path, "S1@40", "S1@75", "S1@76", "S1@110", printer=printer(window)) as play:
        finishes(play)
        assert len(lines(play, "checksum") + lines(play, "number")) >= 4
        assert len(play.of("link_resent")) >= 3


@pytest.mark.parametrize(("channel", "code"), [("nozzle", "M104"), ("flow", "M221")])
@pytest.mark.fault("S2", on="simulation")
def test_s2_a_setpoint_falsified_is_set_again(tmp_path: Path, channel: str, code: str) -> None:
    """In the crossing to band 2: nothing is laid down before the right value is there."""
    rows = (("nozzle", 220.0, -8.0), ("flow", 90.0, 10.0))
    wanted = schedule(rows, tolerance=1.5, dwell_s=8, patience_s=240)
    with act(tmp_path, plan=wanted) as play:
        finishes(play)
        crossing = moment(play.of("crossing_begun")[1])
        sent = next(at for at in play.written(code.encode() + b" S", crossing))
    with act(tmp_path, plan=wanted) as play:
        play.stage.at(sent - 0.01, lambda: setattr(play.stage.board.hearing, "setpoints_to_falsify", 1))
        finishes(play)
        by_time = [row for row in play.rows if row["row"] == "setpoint" and row["channel"] == channel]
        values = [row["value"] for row in by_time if row["at"] > sent - 0.05]
        right = {"nozzle": 212.0, "flow": 100.0}[channel]
        assert values[0] not in (right, *BANDS["nozzle"]), "nothing was falsified"
        assert values[1] == right


@pytest.mark.fault("S2", on="simulation")
def test_s2_a_setpoint_that_never_arrives_right_trips(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.at(1.0, lambda: setattr(play.stage.board.hearing, "setpoints_to_falsify", 100))
        trip = trips(play, "setpoint_unproven")
        assert trip["limit"] == 220.0
        crossing = moment(play.of("crossing_begun")[0])
        assert len(play.written(b"M104 S220", crossing)) == 4, "tried four times"
        assert not play.log.deposits


@pytest.mark.fault("S2b", on="simulation")
def test_s2b_a_motion_falsified_before_a_crossing_is_found_there(tmp_path: Path) -> None:
    """The last motion of band 1: the machine stands elsewhere, and the question at the drain says so."""
    with act(tmp_path) as play:
        finishes(play)
        crossing = moment(play.of("crossing_begun")[1])
        heard = [row["at"] for row in play.log.kind("line") if re.search(r" G[01] X", row["raw"])]
        drained = play.written(b" M400", crossing)[0]
        last = max(at for at in heard if at < drained)
    with act(tmp_path) as play:
        play.stage.at(last - 0.001, lambda: setattr(play.stage.board.hearing, "motions_to_falsify", 1))
        trip = trips(play, "position_audit", as_sent=False)
        assert re.search(r"mm off in [XYZ] after line \d+ of the file", trip["text"])
        assert moment(trip) < crossing + 10.0
        assert [event["band"] for event in play.of("crossing_ended")] == [1]


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.fault("S2b", on="simulation")
def test_s2b_on_a_line_that_damages_the_next_block_is_not_sent(tmp_path: Path, window: int) -> None:
    with act(tmp_path, "S1@60", "S2b@75", printer=printer(window)) as play:
        trip = trips(play, "position_audit", as_sent=False)
        assert re.search(r"mm off in [XYZE] after line \d+ of the file", trip["text"])
        sent = b"".join(data for _, data in play.wire).split(b"\n")
        taken = [row for row in play.log.kind("line") if not row["refused"]]
        wrong = next(row["at"] for row in taken if row["raw"].encode("latin-1") not in sent)
        assert moment(trip) - wrong < 1.0
        since = [text for at, data in play.wire if at > wrong + 0.05 for text in data.split(b"\n") if b" G" in text]
        assert all(b"E-" in text or b"X97.5" in text or re.search(rb"G1 Z[\d.]+ F", text) for text in since), since


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.fault("S3", on="simulation")
def test_s3_an_ok_is_lost(tmp_path: Path, window: int) -> None:
    """Nothing is done twice (`finishes` says so); a question that changes nothing comes after a second."""
    with act(tmp_path, "S3@60", "S3@100", printer=printer(window)) as play:
        finishes(play)
        lost = [row["at"] for row in play.rows if row.get("kind") == "ok_lost"]
        assert len(lost) == 2
        probe, what = next((at, data) for at, data in play.wire if at > lost[0])
        before = max(at for at, _ in play.wire if at < probe)
        assert re.fullmatch(rb"\n(N\d+ M105\*\d+\n)?", what)
        assert PROBE_S - 0.01 <= probe - before <= PROBE_S + LATER_S


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("numbered", [False, True])
@pytest.mark.fault("S4", on="simulation")
def test_s4_an_ok_too_many(tmp_path: Path, window: int, numbered: bool) -> None:
    """The plain one: found at a barrier, behind which nothing is sent until its answer has come."""
    settings = ("advanced_ok=true",) if numbered else ()
    with act(tmp_path, "S4@50", "S4@51", "S4@90", printer=printer(window), settings=settings) as play:
        counted: list[tuple[float, int]] = []

        def look() -> None:
            engine = play.stage.runner.engine if play.stage.runner else None
            if engine is not None and engine.ended is None:
                counted.append((play.stage.now, taken_too_early(play, engine)))
                play.stage.at(play.stage.now + 0.02, look)

        play.stage.at(5.0, look)
        finishes(play)
        extra = [row["at"] for row in play.rows if row.get("kind") == "ok_extra"]
        assert len(extra) == 3
        assert not [row for row in play.rows if row.get("kind") == "overrun"]
        if numbered:
            assert max(number for _, number in counted) == 0
        else:
            drains = [
                row["at"] for row in play.log.commands if row["at"] > extra[-1] and row["text"] in ("M105", "M114")
            ]
            assert drains
            assert all(number == 0 for at, number in counted if at > drains[0] + 1.0), "the count stayed wrong"


def taken_too_early(play: Act, engine: Any) -> int:
    """Lines that count as taken and that the board has not taken."""
    return max(0, credited(engine) - play.stage.board.hearing.discipline.last)


def credited(engine: Any) -> int:
    window = engine.window
    oldest = window.oldest()
    return int(window.next_number if oldest is None else oldest.number) - 1


@pytest.mark.fault("S4", on="simulation")
def test_s4_the_ok_behind_a_resend_counts_for_nothing(tmp_path: Path) -> None:
    """Nothing is ever counted as taken that the board has not taken."""
    faults = [f"S1@{count}" for count in range(30, 120, 10)]
    with act(tmp_path, *faults, settings=("resend_ok=true",)) as play:
        early: list[int] = []

        def look() -> None:
            engine = play.stage.runner.engine if play.stage.runner else None
            if engine is not None and engine.ended is None:
                early.append(taken_too_early(play, engine))
                play.stage.at(play.stage.now + 0.005, look)

        play.stage.at(100.0, look)
        finishes(play)
        assert max(early) == 0
        assert len(play.of("link_resent")) >= 5


@pytest.mark.fault("S5", on="simulation")
def test_s5_a_resend_ten_times_over_is_one_recovery(tmp_path: Path) -> None:
    with act(tmp_path, "S5@60") as play:
        finishes(play)
        assert len(play.of("link_resent")) == 1


@pytest.mark.fault("S5", on="simulation")
def test_s5_every_line_in_flight_refused_in_turn_is_one_recovery(tmp_path: Path) -> None:
    with act(tmp_path) as play:
        play.stage.run(play.job)
        several = next(at for at, data in play.wire if data.count(b"\n") > 2 and b" G" in data)
    with act(tmp_path) as play:
        play.stage.at(several - 0.001, lambda: setattr(play.stage.board.hearing.noise, "flips", 1))
        finishes(play)
        assert len(lines(play, "number")) >= 2, "nothing was in flight behind it"
        assert len(play.of("link_resent")) == 1


@pytest.mark.parametrize(("fault", "asked"), [("S6", "1000"), ("S6b", "long ago")])
@pytest.mark.fault("S6", on="simulation")
def test_s6_a_resend_that_makes_no_sense(tmp_path: Path, fault: str, asked: str) -> None:
    """Asked after once; the same again trips. The file does not go on, and nothing is written again by a guess."""
    with act(tmp_path, f"{fault}@110") as play:
        trip = trips(play, "line_numbers")
        assert "asks for line" in trip["text"]
        refused = [
            row for row in play.rows if row["row"] == "line" and row["refused"] and row["at"] > play.befell(fault)
        ]
        assert len(refused) >= 2, "it was not asked again"
        assert moment(trip) - play.befell(fault) < 5.0


@pytest.mark.fault("S6", on="simulation")
def test_s6_asked_wrongly_once_it_goes_on(tmp_path: Path) -> None:
    """A damaged digit looks the same."""
    with act(tmp_path, "S6@60") as play:

        def put_right() -> None:
            if any(row.get("kind") == "fault" for row in play.rows) and lines(play, "checksum"):
                play.stage.board.resend_wrong_by = 0
            else:
                play.stage.at(play.stage.now + 0.01, put_right)

        play.stage.at(1.0, put_right)
        finishes(play)


@pytest.mark.parametrize(
    ("window", "settings"), [(0, ()), (96, ("advanced_ok=true",)), (96, ("readings_on_ok=false", "auto_report=false"))]
)
@pytest.mark.fault("S7", on="simulation")
def test_s7_replies_damaged_split_merged_doubled(tmp_path: Path, window: int, settings: tuple[str, ...]) -> None:
    with act(tmp_path, "S7@40", "S7@58", "S7@80", "S7@110", printer=printer(window), settings=settings) as play:
        finishes(play)
        twisted = [row["detail"].partition(":")[0] for row in play.rows if row.get("kind") == "reply_twisted"]
        assert sorted(twisted) == sorted(["damaged", "merged", "doubled", "split"] * 4)


@pytest.mark.fault("S8", on="simulation")
def test_s8_a_line_that_never_ends(tmp_path: Path) -> None:
    with act(tmp_path, "S8@60") as play:
        kept: list[int] = []

        def look() -> None:
            if play.stage.runner is not None:
                kept.append(len(play.stage.runner.engine.window._splitter._tail))
                play.stage.at(play.stage.now + 0.01, look)

        play.stage.at(5.0, look)
        trip = trips(play, "line_numbers")
        assert max(kept) <= 4096
        assert moment(trip) - play.befell("S8") < 1.0
