"""A serving daemon as a process of its own, asked from here and by commands in other processes."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from banderole.link import client

from tests.support.shell import NAME, Done, Shell, until

START = ("start", "tower.gcode", "--schedule", "schedule.toml", "--to", NAME)
LOOKS = 20
LOOK_S = 0.01
AT_REST = ("Idle", "Complete", "Stopped", "Aborted")


class Served:
    """The daemon of `shell`'s printer."""

    def __init__(self, shell: Shell) -> None:
        self.shell = shell
        self.process = self._begin()

    def _begin(self) -> subprocess.Popen[bytes]:
        with (self.shell.folder / "served").open("ab") as out:
            process = self.shell.start("serve", "--printer", "printer.toml", stdout=out)
        until(lambda: self._answers() or process.poll() is not None, 10, "the daemon")
        return process

    def again(self) -> None:
        """Another daemon, after the one before has gone."""
        self.process = self._begin()

    def _answers(self) -> bool:
        try:
            self.status()
        except client.NobodyThere:
            return False
        return True

    def ask(self, command: str, **words: Any) -> dict[str, Any]:
        return client.ask(NAME, {"command": command, **words})

    def status(self) -> dict[str, Any]:
        status: dict[str, Any] = client.ask(NAME, {"command": "status"})["status"]
        return status

    def bands(self) -> list[dict[str, Any]]:
        bands: list[dict[str, Any]] = client.ask(NAME, {"command": "status"})["bands"]
        return bands

    def start(self, *more: str) -> Done:
        return self.shell.do(*START, "--bed-clear", *more)

    def wait_for(self, *states: str, seconds: float = 30.0) -> dict[str, Any]:
        """The first status with one of these states."""
        seen: list[dict[str, Any]] = []

        def there() -> bool:
            seen[:] = [self.status()]
            return seen[0]["state"] in states

        until(there, seconds, f"{states}; last: {seen}")
        return seen[0]

    def wait_for_band(self, number: int) -> None:
        until(lambda: self.status()["band"] == number and self.status()["phase"] == "printing", 20, f"band {number}")

    def said(self) -> str:
        return (self.shell.folder / "served").read_text()

    def complaints(self) -> str:
        return (self.shell.folder / "err").read_text()

    def resident_kb(self) -> int:
        """VmRSS of proc(5)."""
        lines = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))

    def descriptors(self) -> int:
        """Open ones, the least of several looks: the question, too, and a look at the disk have theirs for a moment."""
        looks = []
        for _ in range(LOOKS):
            looks.append(len(os.listdir(f"/proc/{self.process.pid}/fd")))
            time.sleep(LOOK_S)
        return min(looks)

    def copy(self) -> Path:
        """Where the daemon's own copy lies."""
        return self.shell.state("handed-over")


@contextmanager
def folders_of(shell: Shell) -> Iterator[None]:
    """This process looks where the shell's commands look."""
    kept = dict(os.environ)
    for variable in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"):
        os.environ.pop(variable, None)
    os.environ.update({key: shell.environment[key] for key in shell.environment if key.startswith("XDG_")})
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(kept)
