"""The journal on a real disk: what was acknowledged is there, whatever is killed; and no disk ever holds a caller up."""

from __future__ import annotations

import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.record import journal as journal_module
from banderole.record.budget import MOST, PER_HOUR, Budget
from banderole.record.journal import MOST_QUEUED, Journal
from banderole.record.journal_file import FILE, open_journal
from banderole.record.schema import BEGIN, ENTRY, VERSION, Row

from tests.support.journals import Told, reading, rows, sound

RUN = "20261125-081500-3f2a"
AT = "2026-11-25T08:15:00.000Z"
LOOK_S = 0.01
# A writer as a process of its own. It says which entries have been acknowledged; the last ones may be lost, those not.
WRITER = """
import sys
from pathlib import Path
from banderole.record.journal import Journal
from banderole.record.schema import BEGIN, ENTRY, Row
journal = Journal(Path(sys.argv[1]))
journal.put(Row(BEGIN, ("r", "run", "bench-a", "f", "t", "now"), True))
number = int(sys.argv[2])
while True:
    journal.put(Row(ENTRY, ("r", number, "now", "held", '{"text": "' + "x" * (number * 37 % 900) + '"}'), number % 3 == 0))
    if number % 4 == 0:
        assert journal.flush()
        sys.stdout.write(f"{number}\\n")
        sys.stdout.flush()
    number += 1
"""


def entry(number: int, kind: str = "held", *, run: str = RUN, spare: bool = True, at_once: bool = True) -> Row:
    return Row(ENTRY, (run, number, AT, kind, "{}"), at_once, kind if spare else "")


def begin(run: str = RUN) -> Row:
    return Row(BEGIN, (run, "run", "bench-a", "tower.gcode", "Invented", AT), True)


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def journal(tmp_path: Path, told: list[str]) -> Iterator[Journal]:
    made = Journal(tmp_path, told.append)
    yield made
    made.close(1.0)


def until(condition: object, seconds: float = 5.0) -> None:
    assert callable(condition)
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(LOOK_S)


def kept(folder: Path) -> list[int]:
    return [seq for (seq,) in rows(folder, "SELECT seq FROM entries WHERE seq IS NOT NULL ORDER BY n")]


def test_what_was_put_is_there_after_a_flush_in_order(journal: Journal, tmp_path: Path) -> None:
    journal.put(begin())
    for number in range(100):
        journal.put(entry(number, at_once=number % 7 == 0))
    assert journal.flush()
    assert kept(tmp_path) == list(range(100))
    assert rows(tmp_path, "PRAGMA journal_mode") == [("wal",)]


def test_a_commit_is_synced(tmp_path: Path) -> None:
    """FULL is 2 (SQLite, `PRAGMA synchronous`); it belongs to the connection, so it is asked of the writer's own."""
    connection = open_journal(tmp_path / FILE)
    try:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    finally:
        connection.close()


def test_what_is_at_once_needs_nobody_to_ask(journal: Journal, tmp_path: Path) -> None:
    journal.put(begin(), entry(1))
    until(lambda: (tmp_path / FILE).exists() and sound(tmp_path) and rows(tmp_path, "SELECT * FROM sqlite_master"))
    until(lambda: kept(tmp_path) == [1])


def test_what_is_not_at_once_waits_for_the_batch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "BATCH_S", 0.15)
    journal = Journal(tmp_path)
    journal.put(begin())
    assert journal.flush()
    journal.put(entry(1, at_once=False))
    assert kept(tmp_path) == []
    until(lambda: kept(tmp_path) == [1], 1.0)
    assert journal.close()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_killed_writer_loses_nothing_that_was_acknowledged(tmp_path: Path, seed: int) -> None:
    """SIGKILL at seeded moments, again and again on the same file, which is also how checkpoints are met."""
    chance = random.Random(f"kill {seed}")
    acknowledged, first = -1, 0
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), str(first)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        said = [process.stdout.readline()]  # it is writing
        time.sleep(chance.uniform(0.0, 0.12))
        process.send_signal(signal.SIGKILL)
        said += process.stdout.read().splitlines(keepends=True)
        process.wait()
        process.stdout.close()
        acknowledged = max(acknowledged, *(int(line) for line in said if line.endswith(b"\n")))
        numbers = kept(tmp_path)
        assert sound(tmp_path)
        assert set(range(acknowledged + 1)) <= set(numbers)
        assert numbers == sorted(numbers), "in order"
        first = numbers[-1] + 1
    assert not list(tmp_path.glob("*corrupt*"))


# ---- a disk that refuses


def test_a_folder_that_is_not_there_is_told_once_and_tried_again(tmp_path: Path, told: list[str]) -> None:
    folder = tmp_path / "gone"
    journal = Journal(folder, told.append)
    journal.put(begin(), entry(1))
    assert not journal.flush()
    journal.put(entry(2))
    assert not journal.flush()
    assert len(told) == 1
    assert "the run goes on" in told[0]
    folder.mkdir()
    assert journal.flush(), "what waited is written as soon as it can be"
    assert kept(folder) == [1, 2]
    assert journal.close()


def test_a_folder_that_is_a_file_is_told_in_words_without_its_path(tmp_path: Path, told: list[str]) -> None:
    (tmp_path / "file").touch()
    journal = Journal(tmp_path / "file", told.append)
    journal.put(begin())
    assert not journal.close()
    assert len(told) == 1
    assert str(tmp_path) not in told[0], "it goes to a broker"


def test_a_refusing_disk_is_left_in_peace_for_a_while(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[float] = []

    def counted(path: Path) -> sqlite3.Connection:
        tries.append(time.monotonic())
        return open_journal(path)

    monkeypatch.setattr(journal_module, "open_journal", counted)
    monkeypatch.setattr(journal_module, "RETRY_S", 0.1)
    folder = tmp_path / "gone"
    journal = Journal(folder)
    journal.put(begin())
    end = time.monotonic() + 0.12
    while time.monotonic() < end:
        journal.put(entry(1))
        time.sleep(0.002)
    assert 1 <= len(tries) <= 2
    folder.mkdir()
    until(lambda: (folder / FILE).exists(), 1.0)  # of itself
    assert journal.close()


FULL = """
import resource, signal, sys, time
from pathlib import Path
from banderole.record.journal import Journal
from banderole.record.schema import BEGIN, ENTRY, Row
told = []
journal = Journal(Path(sys.argv[1]), told.append)
journal.put(Row(BEGIN, ("r", "run", "bench-a", "f", "t", "now"), True))
assert journal.flush()
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, resource.RLIM_INFINITY))
longest = 0.0
for number in range(300):
    began = time.perf_counter()
    journal.put(Row(ENTRY, ("r", number, "now", "held", "x" * 400), True))
    longest = max(longest, time.perf_counter() - began)
    time.sleep(0.0005)
full = journal.flush()
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
room = journal.close()
print(full, room, len(told), round(longest, 3))
"""


@pytest.mark.slow
def test_a_disk_that_is_full_costs_nothing_once_there_is_room(tmp_path: Path) -> None:
    """Full by a limit on the size of files (setrlimit(2)): write gives EFBIG, which SQLite takes as it does ENOSPC."""
    assert resource.RLIMIT_FSIZE is not None
    done = subprocess.run([sys.executable, "-c", FULL, str(tmp_path)], capture_output=True, check=True)
    full, room, told, longest = done.stdout.decode().split()
    assert (full, room, told) == ("False", "True", "1"), done.stderr.decode()
    assert float(longest) < 0.1
    assert sound(tmp_path)
    numbers = kept(tmp_path)
    assert len(numbers) > 60, "all that the budget allows"
    assert numbers == sorted(set(numbers)), "in order, and none twice"


# ---- a disk that stalls


def test_a_stalled_disk_never_blocks_and_what_is_too_much_is_counted(
    tmp_path: Path, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    free = threading.Event()

    def stalled(path: Path) -> sqlite3.Connection:
        free.wait(10)
        return open_journal(path)

    monkeypatch.setattr(journal_module, "open_journal", stalled)
    monkeypatch.setattr(journal_module, "OPEN_S", 0.05)
    monkeypatch.setattr(journal_module, "MOST_WAITING", 10 * MOST_QUEUED)  # so that the queue is what is full
    journal = Journal(tmp_path, told.append, Budget(time.monotonic(), 1e12, 1e12))
    journal.put(begin())
    time.sleep(0.05)
    began, longest = time.thread_time(), 0.0
    for number in range(MOST_QUEUED + 500):
        before = time.monotonic()
        journal.put(entry(number))
        longest = max(longest, time.monotonic() - before)
    assert longest < 1.0, "it waited"
    assert time.thread_time() - began < 1.0
    assert not journal.flush(0.05)
    free.set()
    until(lambda: not journal._queue.qsize())
    journal.put(entry(10_000))
    assert journal.close(20.0)
    numbers = kept(tmp_path)
    assert numbers[-1] == 10_000
    assert numbers[:MOST_QUEUED] == list(range(MOST_QUEUED))
    left = rows(tmp_path, "SELECT fields FROM entries WHERE kind = 'left_out'")
    assert sum(int(text.partition('"queue":')[2].rstrip("}")) for (text,) in left) >= 499
    assert [one for one in told if "slow" in one]
    assert len(told) == 1


def test_one_slow_commit_is_told_once(tmp_path: Path, told: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "SLOW_S", 0.05)
    monkeypatch.setattr(journal_module.Journal, "_left_out_row", lambda self: time.sleep(0.06))
    journal = Journal(tmp_path, told.append)
    for number in range(3):
        journal.put(begin(f"r{number}"))
        assert journal.flush()
    assert journal.close()
    assert len(told) == 1
    assert "slow" in told[0]


def test_a_disk_that_never_answers_does_not_keep_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    free = threading.Event()
    monkeypatch.setattr(journal_module, "open_journal", lambda path: free.wait(10) and open_journal(path))
    journal = Journal(tmp_path)
    journal.put(begin())
    began = time.monotonic()
    assert not journal.close(0.1)
    assert time.monotonic() - began < 0.5
    assert journal.close(), "a second time asks nothing any more"
    free.set()
    journal._thread.join(5)


# ---- a journal that is wrong


def garbage(folder: Path) -> None:
    (folder / FILE).write_bytes(random.Random(7).randbytes(5000))


def torn(folder: Path) -> None:
    """A page of the middle overwritten, as by a card that lost it."""
    first = Journal(folder)
    first.put(begin("older"))
    for number in range(60):
        first.put(entry(number, run="older"))
    assert first.close()
    data = bytearray((folder / FILE).read_bytes())
    data[2048:3072] = b"\xa5" * 1024
    (folder / FILE).write_bytes(data)


def deep(folder: Path) -> None:
    """A page that no new entry ever touches: only a look through the whole file finds it."""
    first = Journal(folder, budget=Budget(time.monotonic(), 1e12, 1e12))
    first.put(begin("older"))
    for number in range(900):
        first.put(entry(number, run="older"))
    assert first.close()
    data = bytearray((folder / FILE).read_bytes())
    middle = len(data) // 2048 * 1024
    data[middle : middle + 1024] = b"\xa5" * 1024
    (folder / FILE).write_bytes(data)


def cut(folder: Path) -> None:
    torn(folder)
    data = (folder / FILE).read_bytes()
    (folder / FILE).write_bytes(data[: len(data) // 2 + 100])


def somebody_elses(folder: Path) -> None:
    other = sqlite3.connect(folder / FILE)
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.commit()
    other.close()


@pytest.mark.parametrize("spoil", [garbage, torn, deep, cut, somebody_elses])
def test_a_corrupt_journal_is_set_aside_and_told(tmp_path: Path, told: list[str], spoil: object) -> None:
    assert callable(spoil)
    spoil(tmp_path)
    was = (tmp_path / FILE).read_bytes()
    journal = Journal(tmp_path, told.append)
    journal.put(begin(), entry(1))
    assert journal.close()
    aside = [path for path in tmp_path.glob(f"{FILE}.corrupt-*") if not path.name.endswith(("-wal", "-shm"))]
    assert len(aside) == len(told) == 1
    assert aside[0].name in told[0]
    assert spoil is somebody_elses or aside[0].read_bytes() == was, "kept as it was"
    assert sound(tmp_path)
    assert rows(tmp_path, "SELECT id FROM runs") == [(RUN,)], "nothing of it is trusted"
    assert kept(tmp_path) == [1]


def test_one_that_is_spoiled_while_the_run_goes_is_begun_anew_with_the_run(
    journal: Journal, tmp_path: Path, told: list[str]
) -> None:
    journal.put(begin())
    for number in range(40):
        journal.put(entry(number))
    assert journal.flush()
    other = sqlite3.connect(tmp_path / FILE)  # its change makes the writer read the file again
    other.execute("UPDATE runs SET title = 'x'")
    other.commit()
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    with open(tmp_path / FILE, "r+b") as file:
        file.seek(1024)
        file.write(b"\xa5" * 20_000)
    journal.put(entry(40))
    assert journal.flush()
    assert "corrupt" in told[0]
    assert rows(tmp_path, "SELECT id FROM runs") == [(RUN,)]
    assert kept(tmp_path) == [40]


def test_a_later_versions_journal_is_left_alone(tmp_path: Path, told: list[str]) -> None:
    open_journal(tmp_path / FILE).close()
    other = sqlite3.connect(tmp_path / FILE)
    other.execute(f"PRAGMA user_version = {VERSION + 1}")
    other.close()
    journal = Journal(tmp_path, told.append)
    journal.put(begin())
    assert not journal.flush()
    assert not journal.close()
    assert "newer" in told[0]
    assert rows(tmp_path, "SELECT count(*) FROM runs") == [(0,)]
    assert [path.name for path in tmp_path.iterdir() if "corrupt" in path.name] == []


@pytest.mark.parametrize("wrong", [Row(ENTRY, (RUN, object(), AT, "held", "{}"), True), Row("NO SQL AT ALL", (), True)])
def test_a_row_that_is_wrong_costs_itself_alone(journal: Journal, tmp_path: Path, told: list[str], wrong: Row) -> None:
    journal.put(begin(), entry(1), wrong, entry(3))
    assert journal.flush()
    assert kept(tmp_path) == [1, 3]
    assert told == []


def test_a_fault_of_the_writers_own_is_told_and_it_goes_on(
    journal: Journal, tmp_path: Path, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(journal, "_left_out_row", lambda: 1 // 0)
        journal.put(begin(), entry(1))
        assert not journal.flush()
    journal.put(begin(), entry(2))
    assert journal.flush()
    assert kept(tmp_path) == [2]
    assert len(told) == 1
    assert "fault" in told[0]


def test_an_entry_of_a_run_that_never_began_costs_itself_alone(journal: Journal, tmp_path: Path) -> None:
    journal.put(begin(), entry(1), entry(2, run="nobody"), entry(3))
    assert journal.flush()
    assert kept(tmp_path) == [1, 3]


# ---- how much is written


def written() -> int:
    """Bytes that this process has handed to write(2) and its kin so far (proc(5), `wchar`)."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


class Counted(Budget):
    """Allows all, and adds up what the journal believes it has written."""

    def __init__(self) -> None:
        super().__init__(0.0, 1e12, 1e12)
        self.spent = 0.0

    def spend(self, size: float, now: float) -> None:
        self.spent += size


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/proc/self/io"), reason="only Linux tells what a process has written")
def test_an_hour_of_a_busy_run_stays_within_the_budget(tmp_path: Path) -> None:
    """A reading a second, all bands changing at each look, a crossing (ten events) every minute: virtual time."""
    budget, now = Counted(), [0.0]
    journal = Journal(tmp_path, budget=budget)
    run = Told(journal, RUN, clock=lambda: now[0])
    before = written()
    run.start(flow=100.0)
    for second in range(3600):
        now[0] += 1.0
        run.bands[second % 3]["seconds"] = float(second)
        run.recorder.thermal(reading(200 + second % 17))
        if second % 60 == 59:
            for kind in ("crossing_begun", "setpoint_confirmed", "settled", "crossing_ended", "band_entered") * 2:
                run.event(kind, band=2, line=51, z=1.8, setpoints={"nozzle": 210.0}, proof={"nozzle": "reported"})
                assert journal.flush()
        if second % 10 == 9:
            assert journal.flush()
    run.end()
    assert journal.close()
    taken = written() - before
    assert taken <= PER_HOUR
    assert taken <= budget.spent, "the estimate is on the safe side"
    assert rows(tmp_path, "SELECT count(*) FROM readings")[0][0] >= 359
    assert not journal.left_out


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/proc/self/io"), reason="only Linux tells what a process has written")
def test_a_flood_is_counted_instead_of_kept_and_a_trip_finds_room(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    run = Told(journal, RUN)
    before = written()
    run.start()
    for number in range(60):
        for _ in range(100):
            run.event("link_resent", line_number=number, lines=1)
            run.event("command_accepted", command="abort", who={"via": "local", "uid": 1000})
        journal.flush()
    run.event("trip", alarm="heat_rise", value=1.0, limit=3.0, first_out=True, text="invented")
    run.end("Aborted", 5)
    assert journal.close()
    assert written() - before < MOST * 1.1
    count = dict(rows(tmp_path, "SELECT kind, count(*) FROM entries GROUP BY kind"))
    assert (count["trip"], count["run_ended"]) == (1, 1)
    assert 0 < count["link_resent"] < 6000
    lost = journal.left_out["link_resent"]
    for (text,) in rows(tmp_path, "SELECT fields FROM entries WHERE kind = 'left_out'"):
        lost += int(text.partition('"link_resent":')[2].partition(",")[0].rstrip("}"))
    assert count["link_resent"] + lost == 6000


def test_the_bucket_fills_with_time_and_never_over_its_edge() -> None:
    budget = Budget(0.0, per_hour=3600.0 + 100.0, most=100.0)
    assert budget.allows(80, 0.0)
    assert not budget.allows(81, 0.0), "a fifth is kept back"
    budget.spend(130, 0.0)
    assert not budget.allows(0, 49.0)
    assert budget.allows(0, 50.0)
    assert not budget.allows(81, 1e6)
    hour = [
        budget.allows(1, 1e6 + second / 10) and (budget.spend(1, 1e6 + second / 10) or True) for second in range(36_000)
    ]
    assert sum(hour) <= 3700
