"""The command `banderole` as a person or a script starts it: a process of its own, with folders of its own."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from banderole.bench import Manners, PtyPrinter

from tests.support.event_file import EventFile

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "banderole.cli.main"]
SPEED = 30.0
"""Times faster than life, wire and motion; heat five times faster still, so that a test takes seconds."""
BOARD = ("e_mode=apart", "heat_speed=5", "boot_s=0.1", "home_s=3")
NAME = "bench-c"
DROPPED = ("RUNTIME_DIRECTORY", "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY", "COLUMNS", "LINES", "NO_COLOR", "TERM")
PRINTER = """name = "{name}"
[serial]
port = "{port}"
silence_s = {silence_s}
[firmware]
e_mode = "apart"
[volume]
x = [0, 220]
y = [0, 220]
z = [0, 250]
[limits]
nozzle = [0, 250]
[thermal]
report_s = 0.1
[interlocks]
jump = {{ degrees_per_s = 2000 }}
"""
SCHEDULE = """title = "Quick PLA"
[stairs]
plinth_mm = 0
rise_mm = 1.5
count = 3
nozzle = {{ first = 215, change = -5 }}
[settle]
tolerance = 1.5
dwell_s = 0.2
patience_s = 30
{more}
"""
RUN = ("run", "tower.gcode", "--schedule", "schedule.toml", "--printer", "printer.toml")


def tower(layers: int = 15, side: float = 20.0, feed: int = 1800, slow: int = 0) -> str:
    """A hollow square, layers of 0.3 mm: at SPEED a layer takes a tenth of a second; each of the first `slow` ones takes 3 s, for
    commands that must find it at work however long a busy machine takes to start them."""
    lines = ["; a small plain tower", "G21", "G90", "M83", "M104 S200", "G28", "G92 E0"]
    x, y = 100.0, 100.0
    for layer in range(1, layers + 1):
        lines += ["G1 E-1 F1800", f"G0 Z{layer * 0.3:.2f} F600", f"G0 X{x:g} Y{y:g} F6000", "G1 E1 F1800"]
        for dx, dy in ((side, 0), (side, side), (0, side), (0, 0)):
            lines.append(f"G1 X{x + dx:g} Y{y + dy:g} E{side * 0.056:.4f} F{53 if layer <= slow else feed}")
    return "\n".join([*lines, "M104 S0", ""])


def board(*settings: str, speed: float = SPEED) -> Manners:
    """A quick board, with options of its own where a test wants them."""
    return Manners.from_settings([*BOARD, *settings]).sped(speed)


@dataclass(frozen=True)
class Done:
    """A command that has ended."""

    code: int
    out: str
    err: str

    @property
    def complaint(self) -> str:
        """The one line on stderr."""
        lines = self.err.splitlines()
        assert len(lines) == 1, f"one line was due: {self.err!r}"
        return lines[0]


class Shell:
    """Commands in a folder, with the run, state and configuration folders of a user who has nothing else."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {key: value for key, value in os.environ.items() if key not in DROPPED}
        for variable, part in {"XDG_RUNTIME_DIR": "r", "XDG_STATE_HOME": "s", "XDG_CONFIG_HOME": "c"}.items():
            (folder / part).mkdir(mode=0o700)
            self.environment[variable] = str(folder / part)
        self.started: list[subprocess.Popen[bytes]] = []

    def write(self, port: str = "emulated", *, silence_s: float = 15, more: str = "", gcode: str | None = None) -> None:
        """A tower, a schedule and a printer file."""
        (self.folder / "tower.gcode").write_text(tower() if gcode is None else gcode)
        (self.folder / "schedule.toml").write_text(SCHEDULE.format(more=more))
        (self.folder / "printer.toml").write_text(PRINTER.format(name=NAME, port=port, silence_s=silence_s))

    def do(self, *words: str, seconds: float = 30.0, **environment: str) -> Done:
        """One command to its end."""
        ended = subprocess.run(
            [*COMMAND, *words], cwd=self.folder, env=self.environment | environment, stdin=subprocess.DEVNULL,
            capture_output=True, timeout=seconds, check=False,
        )  # fmt: skip
        return Done(ended.returncode, ended.stdout.decode(), ended.stderr.decode())

    def start(
        self, *words: str, stdout: int | IO[bytes] = subprocess.DEVNULL, fault: str = "", **environment: str
    ) -> subprocess.Popen[bytes]:
        """One command that goes on; its stderr goes to the file `err`. It is killed at the test's end.

        With a fault of `planted.py`, where one is named.
        """
        program = [sys.executable, "-m", "tests.support.planted", fault] if fault else COMMAND
        paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
        with (self.folder / "err").open("wb") as err:
            made = subprocess.Popen(
                [*program, *words], cwd=self.folder, env=self.environment | {"PYTHONPATH": paths} | environment,
                stdin=subprocess.DEVNULL, stdout=stdout, stderr=err,
            )  # fmt: skip
        self.started.append(made)
        return made

    def run(self, *more: str, fault: str = "") -> Run:
        """`banderole run` of the tower, with its events in the file `out`."""
        with (self.folder / "out").open("wb") as out:
            return Run(self, self.start(*RUN, "--json", *more, stdout=out, fault=fault))

    def state(self, file: str) -> Path:
        """A mark of the printer in its state folder."""
        return self.folder / "s" / "banderole" / NAME / file

    def end(self) -> None:
        for one in self.started:
            one.kill()
            one.wait()
            if one.stdout is not None:
                one.stdout.close()


@contextmanager
def new_shell() -> Iterator[Shell]:
    """Not in pytest's own temporary folder: with the test's name in it, its path would be too long for a socket."""
    with tempfile.TemporaryDirectory(prefix="bc-") as name:
        made = Shell(Path(name))
        made.write()
        yield made
        made.end()


@dataclass
class Run:
    """A run in a process of its own, with its events as they come."""

    shell: Shell
    process: subprocess.Popen[bytes]

    def __post_init__(self) -> None:
        self.said = EventFile(self.shell.folder / "out")

    def events(self) -> list[dict[str, Any]]:
        return self.said.events()

    def kinds(self) -> list[str]:
        return [event["kind"] for event in self.events()]

    def wait_for(self, kind: str, seconds: float = 20.0, **fields: Any) -> dict[str, Any]:
        """The first event of that kind, with these fields; fails where the run ends before."""
        found: list[dict[str, Any]] = []

        def there() -> bool:
            over = self.process.poll() is not None
            found[:] = self.said.of(kind, **fields)
            assert found or not over, f"the run ended without {kind}: {self.stderr()} {self.kinds()}"
            return bool(found)

        until(there, seconds, f"{kind} {fields}")
        return found[0]

    def end(self, seconds: float = 30.0) -> int:
        return self.process.wait(seconds)

    def stderr(self) -> str:
        return (self.shell.folder / "err").read_text()


def received(printer: PtyPrinter) -> list[str]:
    """The lines that the printer has heard, in order."""
    with printer.lock:
        return [line.raw for line in printer.printer.log.lines]


def executed(printer: PtyPrinter) -> list[str]:
    """The commands that the printer has begun to carry out, in order."""
    with printer.lock:
        return [command.text for command in printer.printer.log.commands]


def until(condition: Callable[[], bool], seconds: float, what: str) -> None:
    """Returns as soon as `condition` holds; fails after so many seconds."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"waited {seconds:g} s for {what}"
        time.sleep(0.01)
