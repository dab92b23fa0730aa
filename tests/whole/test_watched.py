"""A daemon that is watched: a process of its own, which tells a service manager's socket that it is ready and alive.

Where a task of it is really stuck, the manager hears no more; where it only waits for something, it goes on hearing.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.bench import PtyPrinter

from tests.support.manager import Manager
from tests.support.serving import START, folders_of
from tests.support.shell import NAME, Shell, board, received, until

pytestmark = pytest.mark.slow

WATCHDOG_USEC = "2000000"
ROUNDS = 3
"""Feeds that are waited for: one is soon had by chance."""
QUIET_S = 1.2
"""Without a feed for so long it is hungry: the rounds of this process take a fifth of that."""
PATIENCE_S = 60.0
"""For another process: a busy machine is no fault."""
NOBODY = '[broker]\nurl = "mqtt://127.0.0.1:1"\n'
"""tcpmux, where nobody listens any more."""


class Watched:
    """The daemon of a shell's printer, with a fault of some kind on SIGUSR1, and the manager that hears it."""

    def __init__(self, shell: Shell, manager: Manager) -> None:
        self.shell = shell
        self.manager = manager
        self.process: subprocess.Popen[bytes] | None = None

    def begin(self, fault: str = "none") -> None:
        watched = {"NOTIFY_SOCKET": self.manager.address, "WATCHDOG_USEC": WATCHDOG_USEC}
        self.process = self.shell.start("serve", "--printer", "printer.toml", fault=fault, **watched)

    def ready(self) -> None:
        self.hears("READY")

    def hears(self, name: str, value: str = "") -> None:
        assert self.process is not None

        def heard() -> bool:
            assert self.process is not None
            assert self.process.poll() is None, self.said()
            return any(value in one for one in self.manager.heard(name))

        until(heard, PATIENCE_S, f"{name}={value}")

    def is_fed(self) -> None:
        """From now on, several times."""
        now = time.monotonic()
        until(lambda: self.manager.fed_since(now) >= ROUNDS, PATIENCE_S, "the watchdog to be fed")

    def breaks(self) -> None:
        """The fault comes, and soon nothing feeds the watchdog any more."""
        assert self.process is not None
        self.process.send_signal(signal.SIGUSR1)
        until(lambda: self.manager.fed_since(time.monotonic() - QUIET_S) == 0, PATIENCE_S, "the watchdog to be hungry")
        now = time.monotonic()
        until(lambda: time.monotonic() > now + QUIET_S / 2, PATIENCE_S, "a while")
        assert self.manager.fed_since(now) == 0
        assert self.process.poll() is None

    def is_ended(self) -> None:
        """As the service manager does it."""
        assert self.process is not None
        self.process.send_signal(signal.SIGABRT)
        assert self.process.wait(PATIENCE_S) == -signal.SIGABRT

    def said(self) -> str:
        return (self.shell.folder / "err").read_text()


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        made = Shell(Path(name))
        with folders_of(made):
            yield made
            made.end()


@pytest.fixture
def watched(shell: Shell) -> Iterator[Watched]:
    with Manager(shell.folder / "notify") as manager:
        yield Watched(shell, manager)


@pytest.fixture
def printer(shell: Shell) -> Iterator[PtyPrinter]:
    with PtyPrinter(board(), link=shell.folder / "port") as made:
        yield made


@pytest.fixture
def long_homing(shell: Shell) -> Iterator[PtyPrinter]:
    with PtyPrinter(board("home_s=300"), link=shell.folder / "port") as made:
        yield made


def write(shell: Shell, port: str = "emulated", more: str = "") -> None:
    shell.write(port=port)
    with (shell.folder / "printer.toml").open("a") as file:
        file.write(more)


def leave_a_run(shell: Shell) -> None:
    """As a daemon leaves one that was killed in it."""
    shell.state("").mkdir(parents=True)
    shell.state("unfinished.json").write_text(json.dumps({"run": "20260101-000000-aaaa", "prior": {}}))


@pytest.mark.fault("P2", on="terminal")
@pytest.mark.parametrize("task", ["daemon", "local socket", "broker"])
def test_a_task_that_is_stuck_is_noticed_and_named(watched: Watched, shell: Shell, task: str) -> None:
    write(shell, more=NOBODY)
    watched.begin(task)
    watched.ready()
    watched.is_fed()
    watched.breaks()
    until(lambda: f"not come round for 1 s: {task}" in watched.said(), PATIENCE_S, "a word in the log")


@pytest.mark.fault("P2", on="terminal")
@pytest.mark.parametrize("fault", ["loop", "ticks"])
def test_a_run_that_is_stuck_is_noticed_and_what_follows_turns_the_heat_off(
    watched: Watched, shell: Shell, printer: PtyPrinter, fault: str
) -> None:
    write(shell, port=str(shell.folder / "port"))
    watched.begin(fault)
    watched.ready()
    assert shell.do(*START, "--bed-clear").code == 0
    watched.hears("STATUS", "Running")
    until(lambda: any(line.startswith("M104 S2") for line in blocks(printer)), PATIENCE_S, "heat")
    watched.is_fed()
    watched.breaks()
    watched.is_ended()
    assert "Fatal Python error: Aborted" in watched.said()
    assert ("in _stuck_here" in watched.said()) == (fault == "loop"), "the log says where it stood"
    before = len(received(printer))
    safe = shell.do("make-safe", "--printer", "printer.toml", "--only-unfinished")
    assert (safe.code, safe.err) == (0, "")
    assert any(line.startswith("M104 S0") for line in blocks(printer)[before:])
    sent = len(received(printer))
    again = shell.do("make-safe", "--printer", "printer.toml", "--only-unfinished")
    assert (again.code, again.out) == (0, f"{NAME}: every run has ended with its heat off\n")
    assert len(received(printer)) == sent, "the port is not even opened"


def blocks(printer: PtyPrinter) -> list[str]:
    """What was received, without number and checksum."""
    return [line.partition("*")[0].partition(" ")[2] if line.startswith("N") else line for line in received(printer)]


def test_what_is_only_waited_for_is_not_stuck(watched: Watched, shell: Shell, long_homing: PtyPrinter) -> None:
    """A printer that is deaf while it homes (blind time), with a broker that is absent."""
    write(shell, port=str(shell.folder / "port"), more=NOBODY)
    watched.begin()
    watched.ready()
    assert shell.do(*START, "--bed-clear").code == 0
    watched.hears("STATUS", "homing")
    watched.is_fed()
    assert "homing" in watched.manager.heard("STATUS")[-1]


def test_a_printer_that_cannot_be_made_safe_is_told_and_holds_nothing_up(watched: Watched, shell: Shell) -> None:
    write(shell, port=str(shell.folder / "unplugged"))
    leave_a_run(shell)
    watched.begin()
    watched.ready()
    watched.is_fed()
    watched.hears("STATUS", "run 20260101-000000-aaaa never ended; heat is not proven off")
    assert watched.process is not None
    watched.process.terminate()
    assert watched.process.wait(PATIENCE_S) == 5, "not proven: the unit is to be failed"


def test_a_disk_that_stalls_is_waited_for_and_the_start_is_given_longer(watched: Watched, shell: Shell) -> None:
    """A pipe in the place of a mark: whoever reads it hangs, as on a disk that does not answer."""
    write(shell)
    shell.state("").mkdir(parents=True)
    mark = shell.state("unfinished.json")
    os.mkfifo(mark)
    watched.begin()
    until(lambda: len(watched.manager.heard("EXTEND_TIMEOUT_USEC")) >= ROUNDS, PATIENCE_S, "rounds")
    assert watched.manager.heard("READY") == []
    mark.rename(mark.with_name("pipe"))
    with mark.with_name("pipe").open("w") as pipe:
        pipe.write("{}")
    watched.ready()
    watched.is_fed()


def test_ready_alive_and_stopping_in_order(watched: Watched, shell: Shell, printer: PtyPrinter) -> None:
    """And ready only after what was left was made safe."""
    write(shell, port=str(shell.folder / "port"), more=NOBODY)
    leave_a_run(shell)
    watched.begin()
    watched.ready()
    assert any(line.startswith("M104 S0") for line in blocks(printer))
    assert not shell.state("unfinished.json").exists()
    assert watched.manager.heard("EXTEND_TIMEOUT_USEC"), "the start took longer than a round"
    assert shell.do("status", "--to", NAME).code == 0, "the local socket listens"
    watched.is_fed()
    watched.hears("STATUS", "heat is off, and was seen to be")
    assert watched.process is not None
    watched.process.terminate()
    assert watched.process.wait(PATIENCE_S) == 0
    lines = watched.manager.heard()
    assert lines.count("READY=1") == 1
    assert lines.count("STOPPING=1") == 1
    assert lines.index("READY=1") < lines.index("WATCHDOG=1") < lines.index("STOPPING=1")
