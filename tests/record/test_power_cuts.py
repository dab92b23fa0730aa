"""Power cuts (fault D1): of the real writes, up to any moment. Of the journal what was acknowledged is there, and the file is
sound; each mark is as it was, or as it was to be."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from banderole.link import latch
from banderole.places import state_folder
from banderole.record.journal import Journal
from banderole.record.journal_file import FILE
from banderole.record.schema import ENTRY, Row

from tests.support.journals import rows, sound
from tests.support.power_cut import Call, Disk, traced

pytestmark = pytest.mark.slow

CUTS = 300
# Twice over, since the second opening works in what the first has left; with checkpoints every few commits. Each number
# is said once its row has been acknowledged.
WRITER = """
import sys
from pathlib import Path
from banderole.record import journal as module
from banderole.record.schema import BEGIN, ENTRY, Row

plain = module.open_journal
def opened(path):
    connection = plain(path)
    connection.execute("PRAGMA synchronous = " + sys.argv[2])
    connection.execute("PRAGMA wal_autocheckpoint = 25")
    return connection
module.open_journal = opened

number = 0
for run in ("a", "b"):
    journal = module.Journal(Path(sys.argv[1]))
    journal.put(Row(BEGIN, (run, "run", "bench-a", "f", "t", "now"), True))
    for _ in range(40):
        for _ in range(1 + number % 3):
            journal.put(Row(ENTRY, (run, number, "now", "held", "x" * (number * 97 % 1500)), True))
            number += 1
        assert journal.flush()
        sys.stdout.write(f"{number - 1}\\n")
        sys.stdout.flush()
    assert journal.close()
"""


# The three marks in every order that runs have; each step said when it has returned. With "lazy" nothing is synced.
MARKER = """
import os, sys
if sys.argv[1] == "lazy":
    os.fsync = lambda descriptor: None
from tests.record.test_power_cuts import STEPS
for number, step in enumerate(STEPS):
    step()
    sys.stdout.write(f"{number}\\n")
    sys.stdout.flush()
"""
NAME = "bench-a"
STEPS: tuple[Callable[[], None], ...] = (
    lambda: latch.mark_bed(NAME, "a"),
    lambda: latch.write_unfinished(NAME, {"run": "a", "prior": {}}),
    lambda: latch.write_unfinished(NAME, {"run": "a", "prior": {"flow": 97.0, "advance": 0.04}}),
    lambda: latch.write_latch(NAME, {"alarm": "heat_rise", "text": "x" * 1500}),
    lambda: latch.clear_unfinished(NAME),
    lambda: latch.clear_latch(NAME),
    lambda: latch.clear_bed(NAME),
    lambda: latch.mark_bed(NAME, "b"),
    lambda: latch.write_unfinished(NAME, {"run": "b", "prior": {}}),
    lambda: latch.clear_unfinished(NAME),
)


def calls_of(tmp_path: Path, synchronous: str) -> list[Call]:
    folder = tmp_path / "written"
    folder.mkdir()
    return seen([sys.executable, "-c", WRITER, str(folder), synchronous], folder, tmp_path / "trace")


def seen(words: list[str], folder: Path, trace: Path) -> list[Call]:
    try:
        return traced(words, folder, trace)
    except (OSError, subprocess.CalledProcessError) as why:
        pytest.skip(f"strace does not work here: {why}")


def lost_or_unsound(calls: list[Call], chance: Random, folder: Path) -> str:
    """What a cut at a moment of chance has spoiled; "" where all that was acknowledged is there in a sound file."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    disk = Disk(calls[: chance.randrange(1, len(calls) + 1)])
    disk.cut(chance, folder)
    acknowledged = int((disk.said.split() or [b"-1"])[-1])
    told: list[str] = []
    journal = Journal(folder, told.append)
    journal.put(Row(ENTRY, ("b", 10_000, "now", "held", ""), True))
    assert journal.close(), told
    if acknowledged >= 0 and told:
        return f"after {acknowledged}: {told}"
    numbers = [number for (number,) in rows(folder, "SELECT seq FROM entries WHERE seq < 10000 ORDER BY n")]
    if not sound(folder):
        return f"after {acknowledged}: not sound"
    if numbers != list(range(len(numbers))) or len(numbers) <= acknowledged:
        return f"after {acknowledged}: {len(numbers)} rows"
    return ""


@pytest.mark.fault("D1", on="simulation")
def test_what_was_acknowledged_outlives_a_power_cut(tmp_path: Path) -> None:
    calls = calls_of(tmp_path, "FULL")
    assert sum(call.what == "say" for call in calls) == 80
    assert sum(call.what == "sync" and call.file.endswith(FILE) for call in calls) > 5, "checkpoints are met"
    chance = Random("D1")
    spoiled = [said for _ in range(CUTS) if (said := lost_or_unsound(calls, chance, tmp_path / "left"))]
    assert spoiled == []


def test_the_power_cuts_are_cuts(tmp_path: Path) -> None:
    """With NORMAL, SQLite does not sync each commit ("PRAGMA synchronous"): rows that were acknowledged must be lost here."""
    calls = calls_of(tmp_path, "NORMAL")
    chance = Random("D1")
    assert any(lost_or_unsound(calls, chance, tmp_path / "left") for _ in range(CUTS))


def marks() -> tuple[dict[str, Any] | None, ...]:
    return latch.read_bed(NAME), latch.read_unfinished(NAME), latch.read_latch(NAME)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "s"))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]), prepend=":")
    return state_folder(NAME)


def spoiled_marks(calls: list[Call], states: list[Any], folder: Path) -> list[str]:
    """Of many cuts those after which the marks are neither as they were acknowledged to be, nor as the next step makes them."""
    chance, spoiled = Random("D1"), []
    for _ in range(CUTS):
        disk = Disk(calls[: chance.randrange(1, len(calls) + 1)])
        shutil.rmtree(folder)
        folder.mkdir()
        disk.cut(chance, folder)
        steps = int((disk.said.split() or [b"-1"])[-1]) + 1
        if (found := marks()) not in states[steps : steps + 2]:
            spoiled.append(f"after {steps} steps: {found}")
    return spoiled


@pytest.mark.parametrize("way", ["synced", "lazy"])
def test_a_mark_is_as_it_was_or_as_it_was_to_be(tmp_path: Path, home: Path, way: str) -> None:
    calls = seen([sys.executable, "-c", MARKER, way], home, tmp_path / "trace")
    assert sum(call.what == "say" for call in calls) == len(STEPS)
    states = [(None, None, None)]
    for step in STEPS:  # the marks are all off again before the last three steps
        step()
        states.append(marks())
    spoiled = spoiled_marks(calls, states, home)
    assert (spoiled == []) is (way == "synced"), spoiled
