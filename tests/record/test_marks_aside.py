"""The marks of a run are written aside: a stalled disk delays no heat-off, and one that refuses is told once."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from pathlib import Path

import pytest
from banderole.bench import Manners, MemoryPort
from banderole.cli import journaling
from banderole.cli.journaling import Kept, journaled, left_unfinished, take_latch_off
from banderole.link import latch
from banderole.places import state_folder
from banderole.plan.config import load_printer
from banderole.plan.schedule import Schedule
from banderole.record.journal import Journal
from banderole.record.runs import diary, find
from banderole.run.runner import Runner

from tests.support.journals import Told

NAME = "bench-a"
EXAMPLE = Path(__file__).parents[2] / "examples" / "bench-a.toml"
STALL_S = 0.04
AT_ONCE_S = 0.06


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)


@pytest.fixture
def stalled(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = os.fsync

    def slow(descriptor: int) -> None:
        time.sleep(STALL_S)
        plain(descriptor)

    monkeypatch.setattr(os, "fsync", slow)


@pytest.mark.usefixtures("stalled")
def test_a_trip_is_latched_without_waiting_for_the_disk() -> None:
    marks = Kept(NAME)
    began = time.monotonic()
    marks.latch({"alarm": "heat_rise", "text": "first"})
    marks.latch({"alarm": "stale", "text": "second"})
    assert time.monotonic() - began < AT_ONCE_S
    marks.finished(proven=False)
    assert (latch.read_latch(NAME) or {})["alarm"] == "heat_rise", (
        "the end of a run waits for it; the first cause counts"
    )


@pytest.mark.usefixtures("stalled")
def test_an_unfinished_run_is_marked_before_it_heats_and_unmarked_in_order() -> None:
    marks = Kept(NAME)
    marks.unfinished("r", {"flow": 100.0})
    assert latch.read_unfinished(NAME) == {"run": "r", "prior": {"flow": 100.0}}
    assert latch.read_bed(NAME) == {"run": "r"}
    marks.finished(proven=True)
    assert latch.read_unfinished(NAME) is None
    assert latch.read_bed(NAME) == {"run": "r"}


def test_heat_that_is_not_proven_off_leaves_the_run_unfinished() -> None:
    marks = Kept(NAME)
    marks.unfinished("r", {})
    marks.finished(proven=False)
    assert latch.read_unfinished(NAME) == {"run": "r", "prior": {}}


def test_what_the_disk_refuses_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(latch, "write_latch", refused)
    monkeypatch.setattr(latch, "write_unfinished", refused)
    told: list[str] = []
    marks = Kept(NAME)
    marks.told = told.append
    marks.unfinished("r", {})
    marks.latch({})
    marks.finished(proven=True)
    assert len(told) == 1
    assert "No space left on device" in told[0]


@pytest.mark.parametrize("disk", ["refuses", "hangs"])
def test_killed_on_a_bad_disk_the_run_is_known_to_the_next_start(monkeypatch: pytest.MonkeyPatch, disk: str) -> None:
    """The mark in memory outlives the program, if not the power."""
    answers = threading.Event()

    def bad(*_: object) -> None:
        answers.wait(10 if disk == "hangs" else 0)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(journaling, "MARK_S", 0.1)
    monkeypatch.setattr(latch, "mark_bed", bad)
    marks = Kept(NAME)
    marks.unfinished("r", {})
    marks.unfinished("r", {"flow": 100.0})
    assert latch.read_unfinished(NAME) is None
    assert left_unfinished(NAME) == {"run": "r", "prior": {"flow": 100.0}}
    answers.set()
    marks.finished(proven=False)
    assert left_unfinished(NAME) is not None
    marks.finished(proven=True)
    assert left_unfinished(NAME) is None


def test_the_mark_counts_and_without_it_the_journal_does() -> None:
    assert left_unfinished(NAME) is None
    journal = Journal(state_folder(NAME))
    run = Told(journal, "20261125-081500-3f2a")
    run.recorder.state("Idle")
    assert journal.flush()
    assert left_unfinished(NAME) is None, "nothing but a greeting was sent"
    run.start(flow=97.0)
    assert journal.flush()
    assert left_unfinished(NAME) == {"run": "20261125-081500-3f2a", "prior": {"flow": 97.0}}
    latch.write_unfinished(NAME, {"run": "other", "prior": {}})
    assert left_unfinished(NAME) == {"run": "other", "prior": {}}
    latch.clear_unfinished(NAME)
    run.end()
    assert journal.close()
    assert left_unfinished(NAME) is None


def test_a_latch_that_comes_off_is_in_the_diary_of_the_run_that_tripped() -> None:
    journal = Journal(state_folder(NAME))
    run = Told(journal, "20261125-081500-3f2a")
    run.start()
    run.end("Aborted", 5)
    assert journal.close()
    latch.write_latch(NAME, {"alarm": "heat_rise", "run": run.run})
    take_latch_off(NAME, {"who": {"via": "local", "uid": 1000}})
    assert latch.read_latch(NAME) is None
    assert diary(find(run.run))[-1].kind == "trip_reset"
    assert diary(find(run.run))[-1].fields == {"who": {"via": "local", "uid": 1000}}


@pytest.mark.parametrize("trip", [{"alarm": "heat_rise"}, {"run": "of a journal that is gone"}, {"run": 7}])
def test_a_latch_comes_off_whatever_the_journal_knows(trip: dict[str, object]) -> None:
    latch.write_latch(NAME, trip)
    take_latch_off(NAME, {})
    assert latch.read_latch(NAME) is None


def test_a_corrupt_journal_says_nothing_of_an_unfinished_run() -> None:
    (state_folder(NAME) / "journal.sqlite").write_bytes(b"no database" * 500)
    assert left_unfinished(NAME) is None


async def test_a_fault_of_the_recorder_is_told_once_and_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """What is no JSON at all is such a fault; another outlet would have to raise for a run to end."""
    printer = load_printer(EXAMPLE)
    runner = Runner(printer, Schedule.empty(), None, MemoryPort(Manners()), Kept(NAME))
    told: list[str] = []
    runner.outlets.event.append(lambda event: told.append(f"{event['kind']} {event.get('alarm')}"))
    async with journaled(runner):
        for _ in range(3):
            runner.tell("held", {"note": object()})
        await asyncio.sleep(0.05)
    assert told.count("held None") == 3
    assert told.count("caution record") == 1
    assert caplog.text.count("Traceback") == 1
