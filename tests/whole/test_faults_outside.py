"""Whole runs on a printer that fails, carried on: what is silent, gone, another or noisy, and what befalls the process."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import threading
import time
import tty
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import pytest

from tests.faults import rows
from tests.support.judge import Log
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, How, schedule, tower
from tests.support.whole import INTERLOCKS, PATIENCE_S, SPEED, UNHURRIED, Place, Run
from tests.whole.test_faults import FAST, PRINTING, finishes, trips

pytestmark = pytest.mark.slow

QUIET = {"auto_report": "false", "busy_s": 0}
"""A board that says nothing by itself."""
MEMORY_KB = 8_000
"""By which a process may grow while a megabyte comes in that is no line."""


def sound(place: Place, *faults: str, how: How | None = None, stale: float = 6.0, report_s: float = 0.1,
          values: dict[str, tuple[float, ...]] = BANDS, wanted: str = "", tolerance: float = TOLERANCE,
          **board: object) -> tuple[Run, Log]:  # fmt: skip
    """To the end on a board with these manners and faults: the whole part in the right bands."""
    place.write(tower(how), wanted or schedule(NOZZLE), more=FAST.format(rise=25, stuck=60, stale=stale))
    text = (place.folder / "printer.toml").read_text()
    (place.folder / "printer.toml").write_text(text.replace("report_s = 0.1", f"report_s = {report_s}"))
    with place.bench(*faults, **board) as bench, place.run() as run:
        code = run.end(60)
        log = bench.stop()
    assert code == 0, run.stderr()
    assert len(log.faults()) == len(faults)
    place.verdict(log).all_of_it(LAYER, STEPS, values, tolerance)
    return run, log


def longest_hush(log: Log) -> float:
    """s for which one command went on."""
    times = [row["at"] for row in log.commands]
    return max(after - before for before, after in pairwise(times))


def busy(place: Place) -> None:
    """An hour of homing for the machine, 6 s by the clock, with its reports each second."""
    _, log = sound(place, home_s=3600, motion_speed=20, report_s=1.0, stale=3.1)
    assert longest_hush(log) > 5.0


def blind(place: Place, *, board: dict[str, object], how: How | None = None, stale: float = 1.0) -> None:
    """Longer than a reading may be old, and no reading comes."""
    _, log = sound(place, how=how, stale=stale, **board)
    assert longest_hush(log) > 1.5 * stale


def long_move(place: Place) -> None:
    """At the pace of life, since we reckon with it: 6 s, where a reading may be 2.5 s old. What is asked is held back for it."""
    pace = {"motion_speed": 1 / SPEED, "home_s": 0.1}
    _, log = sound(place, how=How(inside=((1, "G1 X200 Y200 F2800"),)), stale=2.5, **QUIET, **pace)
    assert max(move["end"] - move["start"] for move in log.kind("move")) > 5.5


def never_ends(place: Place) -> None:
    """A megabyte without a line end: the trip comes, and the process has not grown by it."""
    place.write(tower(), schedule(NOZZLE), more=FAST.format(rise=25, stuck=60, stale=6))
    with place.bench(f"S8@{PRINTING}") as bench, place.run() as run:
        run.wait_for("band_entered")
        before = memory_kb(run, "VmRSS")
        most = before
        while run.process.poll() is None:
            most = max(most, memory_kb(run, "VmHWM"))
            time.sleep(0.05)
        log = bench.stop()
    assert run.process.returncode == 5, run.stderr()
    assert run.events()[-1]["first_out"] == "line_numbers"
    assert most - before < MEMORY_KB
    verdict = place.verdict(log, whole=False)
    verdict.same_part()
    verdict.heat_off()


def memory_kb(run: Run, name: str) -> int:
    """Of the process, as the kernel counts it; 0 where it has just ended (proc_pid_status(5))."""
    try:
        with open(f"/proc/{run.process.pid}/status") as file:
            return int(next((line.split()[1] for line in file if line.startswith(name)), 0))
    except ProcessLookupError:
        return 0


def unplugged(place: Place) -> None:
    """Its old number is another's when it comes back: only what the stable name leads to hears from us again."""
    assert any(_unplugged(place) for _ in range(5)), "the number was another process's each time"


def _unplugged(place: Place) -> bool:
    """Whether the heir got the number; where a stranger was quicker, nothing can be said."""
    place.write(tower(), schedule(NOZZLE), more=FAST.format(rise=25, stuck=60, stale=6))
    with place.bench(f"S12@{PRINTING}", replug_s=1) as bench, place.run() as run:
        run.wait_for("band_entered")
        before = os.readlink(place.port)
        with heir_of(before, lambda: not place.port.is_symlink()) as heir:
            code = run.end(60)
            after = os.readlink(place.port)
        log = bench.stop()
    if not heir.found:
        return False
    assert code == 6, run.stderr()
    assert after != before
    assert heir.heard == [], "the device that has its number now was written to"
    ended = run.events()[-1]
    assert (ended["state"], ended["heat_proven_off"]) == ("Aborted", True)
    assert "link_lost" in run.kinds()
    place.verdict(log, whole=False).heat_off()
    gone = next(row["at"] for row in log.kind("event") if row["kind"] == "fault")
    assert "M104 S0" in [row["text"] for row in log.commands if row["at"] > gone + 0.9]
    return True


@dataclass
class Heir:
    """A terminal that took another's number: whether it did, and what was written to it."""

    found: bool = False
    heard: list[bytes] = field(default_factory=list)


@contextmanager
def heir_of(path: str, when: Callable[[], bool]) -> Iterator[Heir]:
    """Once `when` says so, another terminal with that number."""
    heir = Heir()
    over = threading.Event()

    def live() -> None:
        while not when() and not over.is_set():
            time.sleep(0.002)
        kept: list[int] = []
        try:
            for _ in range(64):
                master, slave = pty.openpty()
                kept += [master, slave]
                if os.ttyname(slave) == path:
                    tty.setraw(slave)
                    heir.found = True
                    break
            while heir.found and not over.is_set():
                if select.select([master], [], [], 0.05)[0]:
                    heir.heard.append(os.read(master, 1000))
        finally:
            for fd in kept:
                os.close(fd)

    thread = threading.Thread(target=live)
    thread.start()
    try:
        yield heir
    finally:
        over.set()
        thread.join()


def stranger(place: Place, *, says: bytes) -> None:
    """Something that talks and is no printer: greeted, and nothing else."""
    place.write(tower(), schedule(NOZZLE))
    master, slave = pty.openpty()
    tty.setraw(slave)
    place.port.symlink_to(os.ttyname(slave))
    heard = b""
    try:
        with place.run() as run:
            while run.process.poll() is None:
                if select.select([master], [], [], 0.05)[0]:
                    heard += os.read(master, 1000)
                    os.write(master, says)
            assert run.process.returncode == 3, run.stderr()
            assert run.stderr().count("\n") == 1
    finally:
        os.close(master)
        os.close(slave)
    assert heard, "it was not even greeted"
    assert not re.sub(rb"N\d+ M11[05](?: N0)?\*\d+|\n", b"", heard), heard


def boots(place: Place, *, boot_s: float) -> None:
    """It restarts when its port is opened, and takes so long: greeted behind its banner."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench(restart_on_open="true", boot_s=boot_s) as bench, place.run() as run:
        assert run.end(60) == 0, run.stderr()
        log = bench.stop()
    banner = next(row["at"] for row in log.kind("event") if row["kind"] == "restart") + boot_s
    heard = [row["at"] for row in log.kind("line")]
    assert 0.0 <= heard[0] - banner <= 0.5
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def wild(place: Place) -> None:
    run, _ = sound(place, f"T7@{PRINTING}", f"T7@{PRINTING + 30}")
    alarms = [event["alarm"] for event in run.events() if event["kind"] == "caution"]
    assert alarms.count("sensor_impossible") == 2, alarms


def slow_step(place: Place) -> None:
    """τ of 625 s, 25 °C down, in the time of this bench: no false overshoot."""
    wanted = schedule((("nozzle", 240.0, -25.0),), patience_s=30)
    values = {"nozzle": (240.0, 215.0, 190.0)}
    run, _ = sound(place, wanted=wanted, values=values, nozzle__tau=625, nozzle__dead_time=6, tolerance=4.0)
    assert "trip" not in run.kinds()


def noisy(place: Place) -> None:
    run, _ = sound(place, nozzle__noise=0.5, tolerance=TOLERANCE + 1.0)
    assert run.kinds().count("settled") == 3
    assert "trip" not in run.kinds()


TASK_DIES = """
from banderole.run.engine import Engine
plain, seen = Engine.{name}, []
def dies(self, *given):
    if self.band is not None and len(seen) < 20:
        seen.append(1)
        if len(seen) == 20:
            raise RuntimeError("a fault of ours")
    return plain(self, *given)
Engine.{name} = dies
"""


def task_dies(place: Place, *, name: str) -> None:
    place.write(tower(), schedule(NOZZLE), more=INTERLOCKS)
    with place.bench() as bench, place.run(spoilt=TASK_DIES.format(name=name)) as run:
        code = run.end(60)
        log = bench.stop()
    assert code == 70, run.stderr()
    ended = run.events()[-1]
    assert (ended["state"], ended["heat_proven_off"]) == ("Aborted", True)
    verdict = place.verdict(log, whole=False)
    verdict.same_part()
    verdict.heat_off()


def frozen(place: Place) -> None:
    """Stopped for 3 s where a reading may be 1 s old; the printer has reported all the while."""
    place.write(tower(), schedule(NOZZLE), more=FAST.format(rise=25, stuck=60, stale=1.0))
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("band_entered")
        assert run.ask("hold")["accepted"]
        run.wait_for("held")
        run.signal(signal.SIGSTOP)
        time.sleep(3.0)
        run.signal(signal.SIGCONT)
        code = run.end(60)
        log = bench.stop()
    assert code == 5, run.stderr()
    ended = run.events()[-1]
    assert ended["first_out"] == "stale", ended
    assert ended["heat_proven_off"]
    place.verdict(log, whole=False).heat_off()


CASES = {
    "S10b no reading": partial(trips, faults=(f"S10b@{PRINTING}",), alarms=("stale",), proven=False, stale=3.0),
    "T1 no number": partial(trips, faults=(f"T1c@{PRINTING}",), alarms=("sensor_impossible",), proven=False),
    "S6 asks for a line never sent": partial(trips, faults=(f"S6@{PRINTING}",), alarms=("line_numbers",)),
    "S6 asks for a line of long ago": partial(trips, faults=("S6b@110",), alarms=("line_numbers",)),
    **{f"S7 damaged, merged, doubled, split, window {window}": partial(finishes, faults=("S7@40", "S7@80"), window=window)
       for window in (0, 96)},
    "S8 a line that never ends": never_ends,
    "S9 silent for five seconds": lambda place: finishes(place, faults=(f"S9@{PRINTING}",), window=96),
    "S9 busy for an hour": busy,
    "S9 busy without readings": partial(blind, board={"home_s": 60, "reports_while_slow": "false"}),
    "S9b homing": partial(blind, board={**QUIET, "home_s": 60}),
    "S9b probing": partial(blind, board={**QUIET, "probe_s": 60}, how=How(inside=((1, "G29"),))),
    "S9b a long move": long_move,
    "S12 unplugged": unplugged,
    "S13 a console": partial(stranger, says=b"login: "),
    "S13 a modem": partial(stranger, says=b"ERROR\r\n"),
    "S14 boots for 4 s": partial(boots, boot_s=4.0),
    "T1 below all rooms": partial(trips, faults=(f"T1d@{PRINTING}",), alarms=("sensor_impossible",)),
    "T1 above the limit": partial(trips, faults=(f"T1e@{PRINTING}",), alarms=("sensor_impossible",)),
    "T6 noise": noisy,
    "T6 whole degrees": lambda place: sound(place, nozzle__resolution=1.0, bed__resolution=1.0) and None,
    "T6b a step down of 25 °C": slow_step,
    "T7 wild samples, one at a time": wild,
    "T7 two in a row": partial(trips, faults=(f"T7@{PRINTING}", f"T7@{PRINTING}"), alarms=("sensor_impossible",),
                               unhurried=True),
    "P3 the task of looking dies": partial(task_dies, name="tick"),
    "P3 the task of hearing dies": partial(task_dies, name="receive"),
    "P5 stopped and continued": frozen,
}  # fmt: skip


@pytest.mark.parametrize("case", rows.cases(CASES, on="terminal"))
def test_faults_outside(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
