"""A run killed with SIGKILL at any moment, and what the next start makes of it. One judge, for tests and for many of them."""

from __future__ import annotations

import json
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

from banderole.bench import PtyPrinter
from banderole.record.recorder import NEVER_BEGAN, NEVER_ENDED

from tests.support.journals import rows, sound
from tests.support.shell import NAME, Run, Shell, board, executed

LONGEST_S = 5.5
"""From the start of the process to its end, on a quiet machine: moments are drawn from a little more than a whole run."""
SECOND_S = 3.0
"""From the start of a process until it has made safe and begins its own run."""
FACTORS = "flow = { first = 96, change = 2 }\nfeed = { first = 90, change = 5 }\n"
PUT_BACK = {"M221": "M221 S100", "M220": "M220 S100"}


@dataclass(frozen=True)
class Killed:
    """What was found. `moment`: s after the start of the process; `entries`: rows of its diary; `hot`: °C asked of the nozzle;
    `changed`: flow or feed was not as it was found."""

    moment: float
    phase: str
    entries: int
    hot: float
    changed: bool
    made_safe: bool


@contextmanager
def shop() -> Iterator[tuple[Shell, PtyPrinter]]:
    """A printer, and folders of its own."""
    with tempfile.TemporaryDirectory(prefix="bk-") as name:
        shell = Shell(Path(name))
        port = shell.folder / "port"
        shell.write(port=str(port))
        text = (shell.folder / "schedule.toml").read_text()
        (shell.folder / "schedule.toml").write_text(text.replace("[settle]", FACTORS + "[settle]"))
        try:
            with PtyPrinter(board(), link=port) as printer:
                yield shell, printer
        finally:
            shell.end()


def kill_once(
    chance: Random, least: float = 0.0, most: float = LONGEST_S, twice: bool = False, printing: bool = False
) -> Killed:
    """One run killed within these seconds of its life, and the next start held to what it owes. Raises AssertionError.

    `printing`: they count from when it lays down its first band. `twice`: the next start is killed as well, mostly while it
    makes safe, and the one after it owes the same.
    """
    with shop() as (shell, printer):
        moment = chance.uniform(least, most)
        run = shell.run()
        if printing:
            run.wait_for("crossing_ended", band=1)
        killed(run, moment)
        if twice:
            killed(shell.run("--bed-clear"), chance.uniform(0.0, SECOND_S))
        left, mark = readable(shell), marked_run(shell)
        with printer.lock:
            hot = printer.printer.machine.nozzles[0].target
        before = executed(printer)
        again = shell.run("--bed-clear")
        began = again.wait_for("run_started", 30.0)["at"]
        again.process.send_signal(signal.SIGTERM)
        assert again.end() == 4, again.stderr()
        after = executed(printer)[len(before) :]
        after = after[after.index("M110 N0") :]  # what the killed run had sent is carried out all the same
        made_safe = "making the printer safe first" in again.stderr()
        safe_first(before, after, hot, made_safe)
        assert not shell.state("unfinished.json").exists()
        marked(shell, left, began, mark)
        phase, entries = (left[0].state, left[0].entries) if left else ("nothing kept", 0)
        return Killed(moment, phase, entries, hot, changed(before), made_safe)


def killed(run: Run, moment: float) -> None:
    time.sleep(moment)
    run.process.send_signal(signal.SIGKILL)
    run.process.wait()


@dataclass(frozen=True)
class Left:
    """A killed run in the journal: the length of its diary, and its last state."""

    run: str
    entries: int
    state: str


def readable(shell: Shell) -> list[Left]:
    """What the journal holds of the runs killed so far: none where they never got as far as that."""
    journal = shell.state("journal.sqlite")
    for words in (("runs",), ("runs", "--json")):
        done = shell.do(*words)
        assert (done.code, done.err) == (0, "")
    if not journal.exists() or not rows(journal.parent, "SELECT 1 FROM sqlite_master WHERE name = 'runs'"):
        return []
    assert sound(journal.parent)
    query = (
        "SELECT id, (SELECT count(*) FROM entries WHERE run = runs.n), state FROM runs WHERE what = 'run' ORDER BY n"
    )
    left = [Left(*row) for row in rows(journal.parent, query)]
    for one in left:
        report = json.loads(shell.do("report", one.run, "--json").out)
        assert len(report["events"]) == one.entries
    return left


def safe_first(before: list[str], after: list[str], hot: float, made_safe: bool) -> None:
    """Heat off before anything that moves or heats; flow and feed as they were, before the next run changes them."""
    assert made_safe or hot == 0.0, "heat was on, and nobody made safe"
    wakes = [n for n, block in enumerate(after) if block.startswith(("G28", "G1", "G0")) or heats(block)]
    first = wakes[0] if wakes else len(after)
    if made_safe:
        assert "M104 S0" in after[:first], after[:20]
    for code, back in PUT_BACK.items():
        if last(before, code) not in (None, back):  # and the killed run never came to put it back itself
            assert last(after[:first], code) == back, (code, after[:20])


def changed(before: list[str]) -> bool:
    return any(last(before, code) not in (None, back) for code, back in PUT_BACK.items())


def heats(block: str) -> bool:
    return block.startswith(("M104 S", "M140 S", "M109", "M190")) and not block.endswith(" S0")


def last(blocks: list[str], code: str) -> str | None:
    """The last time that a factor was set; a bare question sets nothing."""
    return next((block for block in reversed(blocks) if block.startswith(f"{code} S")), None)


def marked_run(shell: Shell) -> str | None:
    """The run that is marked on the disk as under way: at once, where the journal is written some tenths of a second later."""
    mark = shell.state("unfinished.json")
    return json.loads(mark.read_text())["run"] if mark.exists() else None


def marked(shell: Shell, left: list[Left], began: str, mark: str | None, ended: tuple[int, ...] = ()) -> None:
    """The killed runs stand as Aborted, if they had not ended; and were marked so before the next one began.

    `mark`: the run that the disk had marked as under way. `ended`: exit codes that a run may have, since it had been told to
    end before it was killed.
    """
    folder = shell.state("journal.sqlite").parent
    assert sound(folder)
    assert not list(folder.glob("*corrupt*"))
    for one in left:
        query = "SELECT state, ended, reason, exit FROM runs WHERE id = ?"
        state, ended_at, reason, code = rows(folder, query, one.run)[0]
        assert ended_at is not None, f"{one.run} has no end"
        assert ended_at <= began
        assert state == ("Complete" if one.state == "Complete" else "Aborted")
        if state == "Aborted" and code not in ended:
            assert code is None, f"{one.run} ended with {code}"
            begun = {
                "Idle": (NEVER_ENDED if one.run == mark else NEVER_BEGAN,),
                "Aborted": (NEVER_BEGAN, NEVER_ENDED),
            }  # Aborted: by the second start already
            assert reason in begun.get(one.state, (NEVER_ENDED,))
        done = shell.do("report", one.run)
        assert done.code == 0, done.err
        assert f"on {NAME}" in done.out
