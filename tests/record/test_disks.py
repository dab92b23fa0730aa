"""A whole run on a disk that is full, read-only or stalled (faults D1, D2): it goes on, the wire has no gap, it is told once."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from banderole.bench import PtyPrinter

from tests.support.journals import rows, sound
from tests.support.shell import COMMAND, NAME, RUN, Shell, board

pytestmark = pytest.mark.slow

GAP_S = 1.0
"""Between two lines of a run that asks for readings ten times a second; a stall of the disk is longer by far."""
STALL_S = 2.0
STALLED = f"""
import os, sys, time
from banderole.record.journal import Journal
for holder, name in ((os, "fsync"), (Journal, "_write")):
    def slow(*given, plain=getattr(holder, name)):
        time.sleep({STALL_S})
        return plain(*given)
    setattr(holder, name, slow)
sys.argv[0] = "banderole"
from banderole.cli.main import main
main()
"""


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="bd-") as name:
        made = Shell(Path(name))
        made.write(port=str(Path(name) / "port"))
        yield made
        made.end()


@pytest.fixture
def printer(shell: Shell) -> Iterator[PtyPrinter]:
    with PtyPrinter(board(), link=shell.folder / "port") as made:
        yield made


def in_a_mount_of_its_own(shell: Shell, mount: str) -> list[str]:
    """A command line that mounts something over the state folder first, seen by that process alone (unshare(1))."""
    folder = shell.state("x").parent
    folder.mkdir(parents=True, exist_ok=True)
    words = ["unshare", "-m", "sh", "-c", f'folder="$1"; shift; {mount} && exec "$@"', "sh", str(folder)]
    if subprocess.run([*words, "true"], capture_output=True, check=False).returncode:
        pytest.skip("this user may not mount anything: full and read-only disks are left to the other tests")
    return words


def carried_out(shell: Shell, words: list[str]) -> list[dict[str, Any]]:
    """The events of a run that comes to its good end."""
    done = subprocess.run(
        [*words, *RUN, "--json"], cwd=shell.folder, env=shell.environment, capture_output=True, timeout=90, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    return [json.loads(line) for line in done.stdout.splitlines()]


def cautions(events: list[dict[str, Any]], alarm: str) -> list[str]:
    return [event["text"] for event in events if event["kind"] == "caution" and event["alarm"] == alarm]


def longest_gap(printer: PtyPrinter) -> float:
    """s between two lines that the printer received, from its first block of the file on."""
    with printer.lock:
        lines = list(printer.printer.log.lines)
    first = next(number for number, line in enumerate(lines) if " G21*" in line.raw)
    return max(later.at - earlier.at for earlier, later in pairwise(lines[first:]))


@pytest.mark.fault("D2", on="terminal")
def test_a_full_disk(shell: Shell, printer: PtyPrinter) -> None:
    """Room for three pages of four kilobytes: less than a journal wants, and just enough for the marks."""
    words = in_a_mount_of_its_own(shell, 'mount -t tmpfs -o size=12k none "$folder"')
    events = carried_out(shell, [*words, *COMMAND])
    assert len(cautions(events, "journal")) == 1
    assert "the run goes on" in cautions(events, "journal")[0]
    assert longest_gap(printer) < GAP_S


@pytest.mark.fault("D2", on="terminal")
def test_a_read_only_disk(shell: Shell, printer: PtyPrinter) -> None:
    words = in_a_mount_of_its_own(shell, 'mount --bind "$folder" "$folder" && mount -o remount,bind,ro "$folder"')
    events = carried_out(shell, [*words, *COMMAND])
    assert len(cautions(events, "journal")) == 1
    assert len(cautions(events, "marks")) == 1
    assert longest_gap(printer) < GAP_S


def at_every_sync(shell: Shell, injected: str) -> list[str]:
    """A command line under which each fsync(2) and fdatasync(2), SQLite's own too, is slow or fails (strace(1), inject)."""
    calls = "fsync,fdatasync"
    words = ["strace", "-f", "--seccomp-bpf", "-qq", "-o", str(shell.folder / "trace"), "-e", f"trace={calls}"]
    words += ["-e", f"inject={calls}:{injected}"]
    try:
        subprocess.run([*words, "true"], capture_output=True, check=True)
    except (OSError, subprocess.CalledProcessError) as why:
        pytest.skip(f"strace does not work here: {why}")
    return words


@pytest.mark.fault("D1", on="terminal")
def test_every_sync_fails(shell: Shell, printer: PtyPrinter) -> None:
    words = at_every_sync(shell, "error=EIO")
    events = carried_out(shell, [*words, *COMMAND])
    assert "EIO" in (shell.folder / "trace").read_text()
    assert len(cautions(events, "journal")) == 1
    assert len(cautions(events, "marks")) == 1
    assert longest_gap(printer) < GAP_S
    assert not list(shell.state("x").parent.glob("*corrupt*")), "the file itself is not at fault"


@pytest.mark.fault("D1", on="terminal")
def test_every_sync_takes_seconds(shell: Shell, printer: PtyPrinter) -> None:
    """SQLite's too, in C: what the interpreter cannot be made to do."""
    words = at_every_sync(shell, f"delay_enter={STALL_S:g}s")
    events = carried_out(shell, [*words, *COMMAND])
    assert longest_gap(printer) < GAP_S
    folder = shell.state("journal.sqlite").parent
    assert sound(folder)
    kept = [seq for (seq,) in rows(folder, "SELECT seq FROM entries WHERE seq IS NOT NULL ORDER BY n")]
    assert kept == [event["seq"] for event in events]


@pytest.mark.fault("D1", on="terminal")
def test_a_disk_that_stalls_at_every_sync(shell: Shell, printer: PtyPrinter) -> None:
    events = carried_out(shell, [sys.executable, "-c", STALLED])
    assert longest_gap(printer) < GAP_S
    folder = shell.state("journal.sqlite").parent
    assert sound(folder)
    kept = [seq for (seq,) in rows(folder, "SELECT seq FROM entries WHERE seq IS NOT NULL ORDER BY n")]
    assert kept == [event["seq"] for event in events], "all of it got there in the end"
    assert rows(folder, "SELECT printer, state FROM runs") == [(NAME, "Complete")]
    assert not shell.state("unfinished.json").exists()
