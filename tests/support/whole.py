"""A whole run as it is in life: the command in a process of its own, the emulated printer in another, a terminal between."""

from __future__ import annotations

import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from banderole.bench import Manners
from banderole.link import client

from tests.support.event_file import EventFile
from tests.support.judge import Log, Row, Verdict
from tests.support.towers import commands

SPEED = 30.0
"""Times faster than life, wire and motion; heat faster still, so that a test takes seconds."""
BOARD = ("heat_speed=5", "boot_s=0.1", "home_s=3")
UNHURRIED = {"motion_speed": 0.15}
"""For a board whose run must still be at work when an order reaches it, however busy the machine: a band takes a second."""
STARTS_WITHIN_S = 10.0
PATIENCE_S = 300.0
"""For a case that waits for its turn among others."""
LOOK_S = 0.005
MAIN = "banderole.cli.main"
BEGINS = f"""
import sys
from {MAIN} import main
sys.argv[0] = "banderole"
main()
"""

PRINTER = """name = "{name}"
[serial]
port = "{port}"
{serial}
[firmware]
e_mode = "{e_mode}"
[volume]
x = [0, 220]
y = [0, 220]
z = [0, 250]
[limits]
nozzle = [0, 250]
[thermal]
report_s = 0.1
{more}
"""
INTERLOCKS = "[interlocks]\njump = { degrees_per_s = 2000 }\n"
"""Heat runs 150 times faster than life here, so a heater may do what otherwise only a broken sensor does."""


@dataclass
class Bench:
    """The printer's process. `zero`: when its clock began, by this process's monotonic clock, late by some ms at most."""

    process: subprocess.Popen[bytes]
    log_path: Path
    zero: float
    _tail: BinaryIO
    _begun: int = 0

    def commands_begun(self) -> int:
        """How many commands it has begun to carry out by now."""
        self._begun += sum(line.startswith(b'{"row": "command"') for line in self._tail.readlines())
        return self._begun

    def wait_for(self, count: int, seconds: float = 20.0) -> None:
        _until(lambda: self.commands_begun() >= count, seconds, f"{count} commands")

    def log(self) -> Log:
        return Log.read(self.log_path)

    def stop(self) -> Log:
        self.process.terminate()
        self.process.wait(5)
        self._tail.close()
        return self.log()


@dataclass
class Run:
    """The command's process, with its events."""

    process: subprocess.Popen[bytes]
    folder: Path
    name: str
    out: str = "out"

    def __post_init__(self) -> None:
        self.said = EventFile(self.folder / self.out)

    def events(self) -> list[dict[str, Any]]:
        return self.said.events()

    def kinds(self) -> list[str]:
        return [event["kind"] for event in self.events()]

    def wait_for(self, kind: str, count: int = 1, seconds: float = 20.0, **fields: Any) -> None:
        """Until so many events of that kind, with these fields, have come."""

        def there() -> bool:
            return len(self.said.of(kind, **fields)) >= count or self.process.poll() is not None

        _until(there, seconds, f"event {kind} {fields}")
        assert self.process.poll() is None, f"the run ended first: {self.stderr()} {self.events()[-1:]}"

    def ask(self, command: str, **words: Any) -> dict[str, Any]:
        return client.ask(self.name, {"command": command, **words})

    def signal(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def end(self, seconds: float = 40.0) -> int:
        return self.process.wait(seconds)

    def stderr(self) -> str:
        return (self.folder / f"{self.out}.err").read_text()


@dataclass
class Place:
    """A folder with a tower, a schedule and a printer file, and what runs there."""

    folder: Path
    name: str
    """The printer's: no two places have the same, so that many runs may go side by side."""
    data: bytes = b""
    e_mode: str = "apart"
    usual: str = INTERLOCKS
    manners: Manners = field(default_factory=Manners)

    @property
    def port(self) -> Path:
        return self.folder / "port"

    def write(
        self, tower: bytes | str, schedule: str, *, e_mode: str = "apart", serial: str = "", more: str = INTERLOCKS
    ) -> None:
        self.data = tower.encode() if isinstance(tower, str) else tower
        (self.folder / "tower.gcode").write_bytes(self.data)
        (self.folder / "schedule.toml").write_text(schedule)
        text = PRINTER.format(name=self.name, port=self.port, serial=serial, e_mode=e_mode, more=more)
        (self.folder / "printer.toml").write_text(text)
        self.e_mode = e_mode

    @contextmanager
    def bench(self, *faults: str, speed: float = SPEED, **options: object) -> Iterator[Bench]:
        """An emulated printer in a process of its own. `options` are those of a board, beyond the usual ones."""
        log = self.folder / "log"
        log.touch()
        settings = [*BOARD, f"e_mode={self.e_mode}", *(f"{key.replace('__', '.')}={v}" for key, v in options.items())]
        self.manners = Manners.from_settings([*settings, "baud=0", "restart_on_open=false", "cold_below=0"])
        made = subprocess.Popen(
            [sys.executable, "-m", "banderole.bench", "--link", str(self.port), "--log", str(log), "--speed", f"{speed:g}",
             *(word for setting in settings for word in ("--set", setting)),
             *(word for fault in faults for word in ("--fault", fault))],
            stdout=subprocess.PIPE,
        )  # fmt: skip
        assert made.stdout is not None
        try:
            ready, _, _ = select.select([made.stdout], [], [], STARTS_WITHIN_S)
            assert ready, "the emulated printer does not start"
            zero = time.monotonic()
            assert made.stdout.readline(), "the emulated printer ended at once"
            with open(log, "rb") as tail:
                yield Bench(made, log, zero, tail)
        finally:
            made.kill()
            made.wait()
            made.stdout.close()

    @contextmanager
    def run(
        self, *more: str, printer: str = "printer.toml", out: str = "out", spoilt: str | None = None
    ) -> Iterator[Run]:
        """`banderole run` in a process of its own, with --json. `out`: the file for what it says.

        `spoilt`: Python that breaks something in that process before it begins.
        """
        file, schedule, settings = (str(self.folder / name) for name in ("tower.gcode", "schedule.toml", printer))
        words = ["run", file, "--schedule", schedule, "--printer", settings, "--json", "--bed-clear", *more]
        with (self.folder / out).open("wb") as stdout, (self.folder / f"{out}.err").open("wb") as stderr:
            made = subprocess.Popen(
                [sys.executable, *(["-m", MAIN] if spoilt is None else ["-c", spoilt + BEGINS]), *words],
                stdin=subprocess.DEVNULL,
                stdout=stdout,
                stderr=stderr,
            )
        try:
            yield Run(made, self.folder, self.name, out)
        finally:
            made.kill()
            made.wait()

    def verdict(self, log: Log, whole: bool = True) -> Verdict:
        return Verdict(log, commands(self.data), self.manners, whole)


def heat_off_delay(bench: Bench, log: Log, asked: float) -> float:
    """s from `asked` (monotonic, before the order was given) until the printer had read the first heat-off after it."""
    for row in log.kind("line"):
        if is_heat_off(row) and bench.zero + row["at"] >= asked:
            return float(bench.zero + row["at"] - asked)
    raise AssertionError("no heat-off ever came")


def is_heat_off(row: Row) -> bool:
    return "M104 S0" in row["raw"] or "M112" in row["raw"]


def _until(there: Callable[[], bool], seconds: float, what: str) -> None:
    end = time.monotonic() + seconds
    while not there():
        assert time.monotonic() < end, f"waited {seconds:g} s for {what}"
        time.sleep(LOOK_S)


def environment(folder: Path) -> dict[str, str]:
    """Run, state and configuration folders of their own. The folder's path is short, since a socket's is bounded."""
    made = {"XDG_RUNTIME_DIR": "r", "XDG_STATE_HOME": "s", "XDG_CONFIG_HOME": "c"}
    for part in made.values():
        (folder / part).mkdir(mode=0o700)
    return {name: str(folder / part) for name, part in made.items()}
