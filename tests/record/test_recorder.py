"""What a recorder makes of what it hears, as it stands on the disk afterwards."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.record.budget import Budget
from banderole.record.journal import Journal
from banderole.record.recorder import CUT_OFF, NEVER_BEGAN, NEVER_ENDED, RUNS_WITH_READINGS
from banderole.record.runs import never_ended

from tests.support.journals import BANDS, Told, band, reading, rows

RUN = "20261125-081500-3f2a"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = Journal(tmp_path, budget=Budget(0.0, 1e12, 1e12))  # a hundred runs in a second are over any other
    yield made
    made.close()


@pytest.fixture
def now() -> list[float]:
    return [100.0]


@pytest.fixture
def run(journal: Journal, now: list[float]) -> Told:
    return Told(journal, RUN, clock=lambda: now[0])


def test_a_run_from_start_to_end(journal: Journal, tmp_path: Path, run: Told) -> None:
    run.start(flow=97.0)
    run.event("crossing_ended", band=1, setpoints={"nozzle": 215.0}, proof={"nozzle": "reported"})
    run.end()
    assert journal.flush()
    assert rows(tmp_path, "SELECT id, what, printer, file, title, state, exit, prior FROM runs") == [
        (RUN, "run", "bench-a", "tower.gcode", "Invented PLA", "Complete", 0, '{"flow":97.0}')
    ]
    diary = rows(tmp_path, "SELECT seq, kind FROM entries ORDER BY n")
    assert diary == [
        (None, "state"), (1, "run_started"), (None, "state"), (2, "crossing_ended"), (None, "state"), (3, "run_ended"),
    ]  # fmt: skip
    assert rows(tmp_path, "SELECT count(*) FROM bands") == [(BANDS,)]
    fields = json.loads(rows(tmp_path, "SELECT fields FROM entries WHERE kind = 'run_ended'")[0][0])
    assert "bands" not in fields, "they have a table of their own"
    assert fields["inserted"] == {"drain": 14}


def test_who_gave_a_command_is_kept(journal: Journal, tmp_path: Path, run: Told) -> None:
    run.start()
    run.event("command_accepted", command="hold", who={"via": "local", "uid": 1000})
    assert journal.flush()
    fields = json.loads(rows(tmp_path, "SELECT fields FROM entries WHERE kind = 'command_accepted'")[0][0])
    assert fields == {"command": "hold", "who": {"via": "local", "uid": 1000}}


def test_readings_come_in_batches_with_the_progress(
    journal: Journal, tmp_path: Path, run: Told, now: list[float]
) -> None:
    run.start()
    for step in range(81):  # eight a second, of which one is kept
        now[0] = 100.0 + step / 8
        run.recorder.thermal(reading(210.0 + step / 8))
    assert journal.flush()
    [(at, data)] = rows(tmp_path, "SELECT at, data FROM readings")
    kept = json.loads(data)
    assert kept["seconds"] == pytest.approx([1.0 * n for n in range(11)])
    assert kept["measured"]["nozzle"] == pytest.approx([210.0 + n for n in range(11)])
    assert kept["power"]["nozzle"][0] == 0.488
    assert set(kept["setpoint"]) == {"nozzle", "bed"}
    assert at.endswith("Z")
    [(progress,)] = rows(tmp_path, "SELECT progress FROM runs")
    assert json.loads(progress)["height"] == 0.9


def test_the_last_readings_are_kept_with_the_end(journal: Journal, tmp_path: Path, run: Told) -> None:
    run.start()
    run.recorder.thermal(reading())
    run.end()
    assert journal.flush()
    assert rows(tmp_path, "SELECT count(*) FROM readings") == [(1,)]


def test_a_sensor_that_reads_nothing_is_kept_as_nothing(journal: Journal, tmp_path: Path, run: Told) -> None:
    run.start()
    run.recorder.thermal(reading(float("nan")))
    run.event("trip", alarm="sensor", value=float("inf"), limit=None, first_out=True, text="open")
    run.end("Aborted", 5)
    assert journal.flush()
    [(data,)] = rows(tmp_path, "SELECT data FROM readings")
    assert json.loads(data)["measured"]["nozzle"] == [None]
    [(fields,)] = rows(tmp_path, "SELECT fields FROM entries WHERE kind = 'trip'")
    assert json.loads(fields)["value"] is None


def test_a_band_is_written_when_it_has_changed(journal: Journal, tmp_path: Path, run: Told) -> None:
    run.start()
    run.event("band_entered", band=1)
    assert journal.flush()
    before = rows(tmp_path, "SELECT band, facts FROM bands")
    run.bands[1] = band(2, "done", 209.7)
    run.event("settled", band=2)
    assert journal.flush()
    assert rows(tmp_path, "SELECT band, facts FROM bands") == before, "not yet: a crossing tells more than once"
    run.event("crossing_ended", band=3)
    assert journal.flush()
    after = rows(tmp_path, "SELECT band, facts FROM bands")
    assert [old == new for old, new in zip(before, after, strict=True)] == [True, False, True]
    assert json.loads(after[1][1])["nozzle"]["mean"] == 209.7


def test_what_makes_safe_afterwards_goes_under_the_run_it_comes_after(journal: Journal, tmp_path: Path) -> None:
    cut = Told(journal, RUN)
    cut.start(flow=97.0)
    safe = Told(journal, RUN, what="make-safe")
    safe.recorder.state("Aborting")
    safe.event("make_safe", proven=True)
    safe.event("restored", values={"flow": 97.0})
    safe.event("run_ended", state="Aborted", exit=0, reason="heat is off")
    assert journal.flush()
    assert rows(tmp_path, "SELECT id, what, state, exit, ended FROM runs") == [(RUN, "run", "Aborting", None, None)]
    safe.recorder.never_ended()
    assert journal.flush()
    [(state, code, reason, ended)] = rows(tmp_path, "SELECT state, exit, reason, ended FROM runs")
    assert (state, code, reason) == ("Aborted", None, NEVER_ENDED)
    assert ended is not None
    kinds = [kind for (kind,) in rows(tmp_path, "SELECT kind FROM entries ORDER BY n")]
    assert kinds[-3:] == ["make_safe", "restored", "run_ended"]


def test_what_makes_safe_on_its_own_is_no_run(journal: Journal, tmp_path: Path) -> None:
    safe = Told(journal, RUN, what="make-safe")
    safe.event("run_ended", state="Aborted", exit=0, reason="heat is off")
    assert journal.flush()
    assert rows(tmp_path, "SELECT what, state, exit FROM runs") == [("make-safe", "Aborted", 0)]


def test_one_that_was_killed_before_it_began_is_over_with_the_next(journal: Journal, tmp_path: Path) -> None:
    Told(journal, "a").recorder.state("Idle")
    Told(journal, "b").start()
    assert journal.flush()
    assert rows(tmp_path, "SELECT id, state, reason FROM runs ORDER BY n") == [
        ("a", "Aborted", NEVER_BEGAN), ("b", "Running", None),
    ]  # fmt: skip


def test_one_that_was_killed_right_at_its_end_stays_complete(journal: Journal, tmp_path: Path) -> None:
    run = Told(journal, "a")
    run.start()
    run.recorder.state("Complete")
    assert journal.flush()
    assert never_ended(tmp_path) is None
    Told(journal, "b", what="make-safe").recorder.never_ended()
    Told(journal, "c").start()
    assert journal.flush()
    assert rows(tmp_path, "SELECT id, state, exit, reason, ended IS NULL FROM runs ORDER BY n") == [
        ("a", "Complete", None, CUT_OFF, 0), ("c", "Running", None, None, 1),
    ]  # fmt: skip


def test_readings_are_kept_of_the_newest_runs_only(journal: Journal, tmp_path: Path) -> None:
    for number in range(RUNS_WITH_READINGS + 3):
        run = Told(journal, f"r{number:03d}")
        run.start()
        run.recorder.thermal(reading())
        run.end()
        assert journal.flush()
    with_readings = [run for (run,) in rows(tmp_path, "SELECT DISTINCT run FROM readings ORDER BY run")]
    assert len(with_readings) == RUNS_WITH_READINGS
    assert with_readings[-1] == RUNS_WITH_READINGS + 3
    assert rows(tmp_path, "SELECT count(*) FROM runs WHERE ended IS NOT NULL") == [(RUNS_WITH_READINGS + 3,)]
