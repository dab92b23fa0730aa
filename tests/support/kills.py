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

from tests.support.journals import rows, sound
from tests.support.shell import NAME, Shell, board, executed

LONGEST_S = 5.0
"""From the start of the process to its end, on a quiet machine: moments are drawn from a little more than a whole run."""
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


def kill_once(chance: Random, least: float = 0.0, most: float = LONGEST_S) -> Killed:
    """One run killed within these seconds of its life, and the next start held to what it owes. Raises AssertionError."""
    with shop() as (shell, printer):
        moment = chance.uniform(least, most)
        first = shell.run()
        time.sleep(moment)
        first.process.send_signal(signal.SIGKILL)
        first.process.wait()
        left = readable(shell)
        with printer.lock:
            hot = printer.printer.machine.nozzles[0].target
        before = executed(printer)
        again = shell.run("--bed-clear")
        again.wait_for("run_started", 30.0)
        began = again.events()[0]["at"]
        again.process.send_signal(signal.SIGTERM)
        assert again.end() == 4, again.stderr()
        after = executed(printer)[len(before) :]
        after = after[after.index("M110 N0") :]  # what the killed run had sent is carried out all the same
        made_safe = "making the printer safe first" in again.stderr()
        safe_first(before, after, hot, made_safe)
        assert not shell.state("unfinished.json").exists()
        marked(shell, left, began, made_safe)
        return Killed(
            moment, left[2] if left else "nothing kept", left[1] if left else 0, hot, changed(before), made_safe
        )


def readable(shell: Shell) -> tuple[str, int, str] | None:
    """The killed run's id, the length of its diary and its last state; None where it never got as far as that."""
    journal = shell.state("journal.sqlite")
    if not journal.exists():
        return None
    for command in (("runs",), ("runs", "--json")):
        done = shell.do(*command)
        assert done.code == 0, done.err
    folder = journal.parent
    assert sound(folder)
    if not rows(folder, "SELECT 1 FROM sqlite_master WHERE name = 'runs'"):
        return None
    found = rows(folder, "SELECT id, (SELECT count(*) FROM entries WHERE run = runs.n), state FROM runs")
    assert len(found) <= 1
    if not found:
        return None
    report = json.loads(shell.do("report", found[0][0], "--json").out)
    assert len(report["events"]) == found[0][1]
    return found[0]


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


def marked(shell: Shell, left: tuple[str, int, str] | None, began: str, made_safe: bool) -> None:
    """The killed run stands as Aborted, if it had not ended; and it was marked before the next one began."""
    journal = shell.state("journal.sqlite").parent
    assert sound(journal)
    assert not list(journal.glob("*corrupt*"))
    if left is None:
        return
    state, ended, reason, code = rows(journal, "SELECT state, ended, reason, exit FROM runs WHERE id = ?", left[0])[0]
    assert ended is not None
    assert state in ("Aborted", "Complete")
    if state == "Aborted":
        assert code is None
        assert ended <= began
        assert ("made safe at the next start" in reason) == made_safe
    done = shell.do("report", left[0])
    assert done.code == 0, done.err
    assert f"on {NAME}" in done.out
