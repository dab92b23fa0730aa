"""`runs` and `report`: from journals as they lie on the disk, also while one is being written."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.cli.report_view import heading, in_full, listed, minded
from banderole.places import PlaceError
from banderole.record.journal import Journal
from banderole.record.runs import JournalUnreadable, NoSuchRun, all_runs, diary, find, heaters, readings

from tests.support.journals import Told, band, reading
from tests.support.shell import Shell

KILLED_IN_THE_MAKING = """
import os, sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
for statement in ("PRAGMA cache_size = 1", "PRAGMA cache_spill = 1", "BEGIN IMMEDIATE", "CREATE TABLE t (x)"):
    connection.execute(statement)
for _ in range(50):
    connection.execute("INSERT INTO t VALUES (randomblob(900))")
os.kill(os.getpid(), 9)
"""
EARLY, LATE, OTHER = "20261124-201500-9ac1", "20261125-081500-3f2a", "20261125-090000-77b0"


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    return tmp_path / "banderole"


def journal(state: Path, name: str) -> Journal:
    (state / name).mkdir(parents=True, exist_ok=True)
    return Journal(state / name)


def two_printers(state: Path) -> None:
    for name, runs in {"bench-a": (EARLY, LATE), "bench-b": (OTHER,)}.items():
        made = journal(state, name)
        for run in runs:
            one = Told(made, run, printer=name)
            one.seconds = 1.0 if run == EARLY else 2.0 if run == LATE else 3.0
            one.start(flow=97.0)
            one.recorder.thermal(reading())
            if run == LATE:
                one.event("command_accepted", command="hold", who={"via": "local", "uid": 1000})
                one.event("trip", alarm="heat_rise", value=181.2, limit=190.0, first_out=True, text="no rise")
                one.bands[0] = band(1, "done", 214.8)
                one.bands[1] = band(2, "at work", 209.9)
                one.bands[1]["cautions"] = ["settled late"]
                one.end("Aborted", 5)
            else:
                one.bands = [band(1, "done", 214.8), band(2, "done", 210.0), band(3, "at work", 205.1)]
                one.end()
        assert made.close()


def test_all_runs_of_all_printers_the_oldest_first(state: Path) -> None:
    assert all_runs() == []
    two_printers(state)
    assert [run.run for run in all_runs()] == [EARLY, LATE, OTHER]
    assert [run.run for run in all_runs("bench-a")] == [EARLY, LATE]
    assert all_runs("bench-z") == []
    with pytest.raises(PlaceError):
        all_runs("../bench-a")


def test_bands_done(state: Path) -> None:
    two_printers(state)
    assert [run.bands_done for run in all_runs("bench-a")] == [3, 1]


def test_a_run_is_found_by_its_id_its_beginning_or_as_the_last(state: Path) -> None:
    with pytest.raises(NoSuchRun, match="after the first one"):
        find("last")
    two_printers(state)
    assert find(EARLY).run == find("20261124").run == EARLY
    assert find("last").run == OTHER
    assert find("last", "bench-a").run == LATE
    with pytest.raises(NoSuchRun, match="2 runs begin with"):
        find("20261125")
    assert find("20261125", "bench-b").run == OTHER
    for nothing in ("2025", "", "%", "_" * 20):
        with pytest.raises(NoSuchRun):
            find(nothing)


def test_an_id_that_another_begins_with_is_found_all_the_same(state: Path) -> None:
    made = journal(state, "bench-a")
    for run in ("20261125-1", "20261125-11"):
        Told(made, run).start()
    assert made.close()
    assert find("20261125-1").run == "20261125-1"


def test_a_journal_is_read_while_it_is_written(state: Path) -> None:
    made = journal(state, "bench-a")
    now = [0.0]
    run = Told(made, LATE, clock=lambda: now[0])
    run.start(flow=97.0)
    now[0] = 11.0
    run.recorder.thermal(reading())
    assert made.flush()
    found = find("last")
    assert (found.state, found.ended) == ("Running", None)
    assert " ?" in list(listed([found]))[1]
    said = "\n".join(heading(found, diary(found)))
    assert "no end is known" in said
    assert "found at the start: flow 97 %" in said
    assert "last kept: " in said
    assert "at 0.90 mm, 20 % of the motion done" in said
    run.event("restored", values={"flow": 97.0})
    run.end()
    assert made.close()
    found = find("last")
    assert found.state == "Complete"
    said = "\n".join(heading(found, diary(found)))
    assert "found at the start, and put back: flow 97 %" in said
    assert "last kept" not in said


def test_the_last_run_of_a_printer_is_the_last_whatever_the_clock_says(state: Path) -> None:
    made = journal(state, "bench-a")
    for run, seconds in ((LATE, 30.0), (EARLY, 10.0)):  # the clock was set back in between
        one = Told(made, run)
        one.seconds = seconds
        one.event("run_started", prior={})
    assert made.close()
    assert find("last").run == EARLY


def test_what_the_last_run_found_of_the_heaters_is_there_for_the_next(state: Path) -> None:
    assert heaters(state / "bench-a") == {}
    made = journal(state, "bench-a")
    for run, tau in ((EARLY, 61.5), (LATE, 63.25)):
        one = Told(made, run)
        one.start(flow=97.0)
        one.recorder.heaters({"nozzle": {"gain": 330.0, "tau": tau, "band": 8.0, "up": 1.1}})
        one.recorder.heaters({})
    assert made.close()
    assert heaters(state / "bench-a") == {"nozzle": {"gain": 330.0, "tau": 63.25, "band": 8.0, "up": 1.1}}


@pytest.mark.parametrize("damage", [{"tau": -1.0}, {"tau": "x"}, {"gain": 1e9}])
def test_heaters_that_make_no_sense_are_left_out(state: Path, damage: dict[str, object]) -> None:
    made = journal(state, "bench-a")
    one = Told(made, EARLY)
    one.start(flow=97.0)
    one.recorder.heaters({"nozzle": {"gain": 330.0, "tau": 60.0, **damage}, "bed": {"gain": 90.0, "tau": 300.0}})  # type: ignore[dict-item]
    assert made.close()
    assert set(heaters(state / "bench-a")) == {"bed"}


def test_readings_are_read_back(state: Path) -> None:
    two_printers(state)
    [piece] = readings(find(EARLY))
    assert piece["measured"] == {"nozzle": [214.9], "bed": [60.02]}


def test_the_report_as_data(state: Path) -> None:
    two_printers(state)
    run = find(LATE)
    full = json.loads(json.dumps(in_full(run, diary(run))))
    assert (full["state"], full["exit"], full["first_out"], full["heat_proven_off"]) == ("Aborted", 5, None, True)
    assert full["prior"] == {"flow": 97.0}
    assert [one["band"] for one in full["bands"]] == [1, 2, 3]
    assert set(full["bands"][0]) >= {
        "band", "from_mm", "to_mm", "setpoints", "nozzle", "in_tolerance", "filament_mm", "seconds", "settle_s", "cautions",
    }  # fmt: skip
    accepted = next(one for one in full["events"] if one["kind"] == "command_accepted")
    assert accepted["who"] == {"via": "local", "uid": 1000}


def test_the_first_cause_of_a_run_that_could_not_say_its_end(state: Path) -> None:
    made = journal(state, "bench-a")
    run = Told(made, LATE)
    run.start()
    run.event("trip", alarm="stale", value=None, limit=6.0, first_out=True, text="no reading")
    run.event("trip", alarm="runaway", value=1.0, limit=2.0, first_out=False, text="later")
    run.event("make_safe", rung="in line")
    run.event("make_safe", proven=False, measured={}, reason="stale")
    assert made.close()
    found = find("last")
    full = in_full(found, diary(found))
    assert (full["first_out"], full["heat_proven_off"]) == ("stale", False)
    said = list(minded(diary(found)))
    assert len(said) == 2
    assert said[0].endswith("TRIP stale: no reading")


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="br-") as name:
        yield Shell(Path(name))


@pytest.mark.slow
def test_the_commands(shell: Shell) -> None:
    empty = shell.do("runs")
    assert (empty.code, empty.err) == (0, "")
    assert empty.out == "no run is recorded here yet\n"
    assert not (shell.folder / "s" / "banderole").exists(), "to ask makes no folders"
    two_printers(shell.folder / "s" / "banderole")
    lines = shell.do("runs").out.splitlines()
    assert [line.split()[0] for line in lines] == ["run", EARLY, LATE, OTHER]
    assert lines[2].split()[3:7] == ["bench-a", "Aborted", "5", "1/3"]
    shell.write()
    one = shell.do("runs", "--to", "bench-b", "--json")
    assert [json.loads(line)["run"] for line in one.out.splitlines()] == [OTHER]
    assert shell.do("runs", "--printer", "printer.toml").out == "no run of bench-c is recorded here yet\n"
    report = shell.do("report", LATE[:17])
    assert report.code == 0, report.err
    for said in (
        LATE,
        "bench-a",
        "Aborted (exit 5)",
        "As run, the top band first",
        "214.8",
        "! band 2: settled late",
        "TRIP",
    ):
        assert said in report.out, said
    full = json.loads(shell.do("report", "last", "--json").out)
    assert full["run"] == OTHER


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("report", "1999"), "no run begins with '1999'"),
        (("report", "20261125"), "2 runs begin with '20261125'"),
        (("report", "last", "--to", "bench-z"), "bench-z"),
        (("report", "last", "--to", "No Name"), "is no printer name"),
        (("runs", "--to", "bench-a", "--printer", "bench-b"), "leave one of them out"),
        (("runs", "--printer", "absent.toml"), "absent.toml"),
    ],
)
def test_what_is_not_there_is_one_line_and_exit_2(shell: Shell, words: tuple[str, ...], said: str) -> None:
    two_printers(shell.folder / "s" / "banderole")
    done = shell.do(*words)
    assert done.code == 2
    assert said in done.complaint
    assert done.out == ""


@pytest.mark.slow
def test_a_journal_that_cannot_be_read_is_one_line_and_exit_2(shell: Shell) -> None:
    folder = shell.folder / "s" / "banderole" / "bench-a"
    folder.mkdir(parents=True)
    (folder / "journal.sqlite").write_bytes(b"no database" * 500)
    done = shell.do("runs", "--to", "bench-a")
    assert done.code == 2
    assert "cannot be read" in done.complaint
    other = journal(folder.parent, "bench-b")
    Told(other, OTHER, printer="bench-b").start()
    assert other.close()
    all_of_them = shell.do("runs")
    assert all_of_them.code == 0
    assert "cannot be read" in all_of_them.complaint
    assert OTHER in all_of_them.out
    assert shell.do("report", "last").code == 0
    assert (folder / "journal.sqlite").exists(), "who only reads sets nothing aside"


def test_reading_a_journal_that_is_only_being_made_finds_no_runs(state: Path) -> None:
    (state / "bench-a").mkdir(parents=True)
    (state / "bench-a" / "journal.sqlite").touch()
    assert all_runs() == []


def test_what_no_journal_of_ours_holds_is_refused(state: Path) -> None:
    two_printers(state)
    other = sqlite3.connect(state / "bench-a" / "journal.sqlite")
    other.execute("UPDATE bands SET facts = '[1]'")
    other.commit()
    other.close()
    with pytest.raises(JournalUnreadable):
        all_runs()


def test_a_journal_whose_writer_was_killed_while_he_made_it_holds_nothing_and_is_no_fault(state: Path) -> None:
    """Readers may not roll it back; the next writer does."""
    path = state / "bench-a" / "journal.sqlite"
    path.parent.mkdir(parents=True)
    subprocess.run([sys.executable, "-c", KILLED_IN_THE_MAKING, str(path)], check=False)
    assert Path(f"{path}-journal").stat().st_size > 0
    assert all_runs() == []
    made = journal(state, "bench-a")
    Told(made, EARLY).start()
    assert made.close()
    assert [run.run for run in all_runs()] == [EARLY]
