"""SIGKILL in each part of a run's life, of `run` and of a serving daemon, at the pace of life; and what the next start owes.

The emulated board has the wire and the motion of life; only heat is quicker, for a trial must not take ten minutes. How soon
heat is off counts from the restart (before the process is made) to the board's own carrying it out.
"""

from __future__ import annotations

import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from subprocess import Popen
from typing import Any, Final

from banderole.bench import PtyPrinter
from banderole.link import client

from tests.support.kills import changed, heats, killed, marked, marked_run, readable, safe_first
from tests.support.serving import START, folders_of
from tests.support.shell import NAME, RUN, Run, Shell, board, executed, tower, until

OFF_WITHIN_S: Final = 5.0
"""From the restart to the board's carrying out the heat-off."""
AFTER_HOMING_S: Final = 2.5
"""Where it homes by the file's own G28 and reads nothing: from the end of that. A greeting goes out each second."""
HOME_S: Final = 5.0
BOARD: Final = ("heat_speed=120", f"home_s={HOME_S:g}", "boot_s=0.5")
HOLD: Final = "[[hold_point]]\nbefore_band = 2\n"
PATIENCE_S: Final = 90.0
LOOK_S: Final = 0.005

Status = dict[str, Any]


@dataclass(frozen=True)
class Scene:
    """Where the kill falls: so many s at most after `begins` is first true of the status. `ordered`: an abort is asked first."""

    name: str
    most: float
    begins: Callable[[Status], bool] | None = None
    ordered: bool = False


def _phase(*phases: str, band: int | None = None) -> Callable[[Status], bool]:
    return lambda status: status["phase"] in phases and (band is None or status["band"] == band)


SCENES: Final = (
    Scene("start", 1.2),
    Scene("greeting", 3.0, _phase("starting")),
    Scene("homing", HOME_S, _phase("homing")),
    Scene("soak", 3.0, _phase("heating", "settling")),
    Scene("printing", 6.0, _phase("printing", band=1)),
    Scene("crossing", 3.0, _phase("draining", band=2)),
    Scene("hold", 3.0, lambda status: status["state"] == "Held"),
    Scene("ladder", 0.35, _phase("printing", band=1), ordered=True),
    Scene("end", 1.5, _phase("ending")),
)


@dataclass(frozen=True)
class Found:
    """`hot`: °C asked of the nozzle at the restart. `off_s`: from the restart until it was 0, None where it was. `homing`: it
    homed at the restart, and went on homing. `after_homing_s`: from the end of that."""

    scene: str
    served: bool
    restarts: bool
    hot: float
    changed: bool
    off_s: float | None
    after_homing_s: float | None


def killed_in(scene: Scene, chance: Random, served: bool, restarts: bool, twice: bool) -> Found:
    """One trial. Raises AssertionError where the next start owes something still."""
    with _shop(scene, restarts) as (shell, printer):
        process = _served(shell) if served else shell.run().process
        if served:
            _handed_over(shell, process)
        _reach(scene, process, chance)
        process.send_signal(signal.SIGKILL)
        process.wait()
        if twice:
            words = ("serve", "--printer", "printer.toml") if served else (*RUN, "--bed-clear")
            killed(Run(shell, shell.start(*words)), chance.uniform(0.0, 4.0))
        return _judged(scene, shell, printer, served, restarts)


@contextmanager
def _shop(scene: Scene, restarts: bool) -> Iterator[tuple[Shell, PtyPrinter]]:
    with tempfile.TemporaryDirectory(prefix="bk-") as name:
        shell = Shell(Path(name))
        port = shell.folder / "port"
        more = HOLD if scene.name == "hold" else ""
        shell.write(port=str(port), gcode=tower(side=10.0), more=more)
        text = (shell.folder / "schedule.toml").read_text()
        factors = "flow = { first = 96, change = 2 }\n"
        (shell.folder / "schedule.toml").write_text(text.replace("[settle]", factors + "[settle]"))
        manners = board(*BOARD, f"restart_on_open={'true' if restarts else 'false'}", speed=1.0)
        try:
            with folders_of(shell), PtyPrinter(manners, link=port) as printer:
                yield shell, printer
        finally:
            shell.end()


def _served(shell: Shell) -> Popen[bytes]:
    with (shell.folder / "served").open("ab") as out:
        return shell.start("serve", "--printer", "printer.toml", stdout=out)


def _handed_over(shell: Shell, process: Popen[bytes]) -> None:
    until(lambda: _status() is not None or process.poll() is not None, PATIENCE_S, "the daemon")
    shell.start(*START, "--bed-clear")


def _reach(scene: Scene, process: Popen[bytes], chance: Random) -> None:
    begins = scene.begins
    if begins is not None:
        until(lambda: _there(begins, process), PATIENCE_S, f"{scene.name}: {_status()}")
    if scene.ordered:
        client.ask(NAME, {"command": "abort"})
    time.sleep(chance.uniform(0.0, scene.most))


def _there(begins: Callable[[Status], bool], process: Popen[bytes]) -> bool:
    status = _status()
    return process.poll() is not None or (status is not None and begins(status))


def _status() -> Status | None:
    try:
        status: Status = client.ask(NAME, {"command": "status"})["status"]
    except client.NobodyThere:
        return None
    return status


def _judged(scene: Scene, shell: Shell, printer: PtyPrinter, served: bool, restarts: bool) -> Found:
    left = readable(shell)
    mark = marked_run(shell)
    unfinished = mark is not None
    with printer.lock:
        machine = printer.printer.machine
        hot, zero = machine.nozzles[0].target, printer._zero
    before = executed(printer)
    restart = time.monotonic()
    again = Run(shell, _served(shell)) if served else shell.run("--bed-clear")
    off_s = after_homing_s = None
    if hot:
        until(lambda: _target(printer) == 0.0, 30.0, "heat off")
        off = time.monotonic()
        off_s = off - restart
        with printer.lock:
            homed = [move.end + zero for move in printer.printer.log.moves if move.kind == "home"]
        if homed and restart < homed[-1] < off:
            after_homing_s = off - homed[-1]
    assert unfinished or hot == 0.0, "heat was on, and nothing says so"
    if served:
        until(lambda: not shell.state("unfinished.json").exists(), PATIENCE_S, "the mark's end")
        until(lambda: (_status() or {}).get("state") in ("Idle", "Aborted"), PATIENCE_S, f"rest: {_status()}")
        began = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        # Nothing was owed to one that had not begun, or had ended but for its last row: the next run marks it.
        left = [one for one in left if one.state not in ("Idle", "Complete")]
    else:
        began = again.wait_for("run_started", PATIENCE_S)["at"]
    again.process.send_signal(signal.SIGTERM)
    assert again.end(PATIENCE_S) == (0 if served else 4), again.stderr()
    after = executed(printer)[len(before) :]
    if "M110 N0" in after:
        after = after[after.index("M110 N0") :]  # what the killed run had sent is carried out all the same
    safe_first(before, after, hot, unfinished)
    if served:
        assert not any(heats(block) or block.startswith("G") for block in after), after
    elif unfinished:
        assert "making the printer safe first" in again.stderr()
    marked(shell, left, began, mark, ended=(4,) if scene.ordered else ())
    if off_s is not None and after_homing_s is None:
        assert off_s <= OFF_WITHIN_S, f"{scene.name}: heat was off {off_s:.2f} s after the restart"
    if after_homing_s is not None:
        assert after_homing_s <= AFTER_HOMING_S or (off_s or 0.0) <= OFF_WITHIN_S, (
            f"{after_homing_s:.2f} s after homing"
        )
    return Found(scene.name, served, restarts, hot, changed(before), off_s, after_homing_s)


def _target(printer: PtyPrinter) -> float:
    time.sleep(LOOK_S)
    with printer.lock:
        target: float = printer.printer.machine.nozzles[0].target
    return target
