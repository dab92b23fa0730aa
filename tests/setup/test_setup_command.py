"""`banderole setup` as a person or a script starts it, over a real pseudo-terminal, without anybody there."""

from __future__ import annotations

import dataclasses
import fcntl
import json
import os
import pty
import select
import signal
import subprocess
import time
import tomllib
import tty
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager

import pytest
from banderole.bench import Manners, PtyPrinter
from banderole.plan.config import load_printer

from tests.cli.conftest import shell as shell
from tests.support.shell import COMMAND, Shell, executed, new_shell, received, until
from tests.support.side_by_side import begun_cases
from tests.support.whole import PATIENCE_S

pytestmark = pytest.mark.slow

NAME = "bench-s"
BOARD = ("boot_s=0.1", "home_s=0.3", "heat_speed=20", "nozzle.gain=300", "nozzle.tau=600", "cold_below=0")
"""Heat twenty times faster than the clock, so the heater looks like one of τ 30 s."""
ANSWERS = ("--name", NAME, "--x", "0,200", "--y", "0,210", "--z", "0,180", "--nozzle-max", "240")
HOT = ("M104", "M109", "M140", "M190")


@contextmanager
def new_board(shell: Shell) -> Iterator[PtyPrinter]:
    manners = Manners.from_settings([*BOARD, "e_mode=apart", "receive_bytes=127"])
    with PtyPrinter(manners, link=shell.folder / "port") as made:
        yield made


@pytest.fixture
def board(shell: Shell) -> Iterator[PtyPrinter]:
    with new_board(shell) as made:
        yield made


def play(case: Callable[[Shell, PtyPrinter], None]) -> None:
    with new_shell() as shell, new_board(shell) as board:
        case(shell, board)


@pytest.fixture(scope="module")
def begun(request: pytest.FixtureRequest) -> Iterator[dict[str, Future[None]]]:
    """The cases that heat or wait for long."""
    with begun_cases(request, play) as futures:
        yield futures


def words(shell: Shell, *more: str) -> tuple[str, ...]:
    return ("setup", "--port", str(shell.folder / "port"), "--baud", "115200", *ANSWERS, *more)


def from_nothing_to_a_printer_file_without_anybody_there(shell: Shell, board: PtyPrinter) -> None:
    done = shell.do(*words(shell, "--aside", "15,20", "--keep-out", "0,0,10,10", "--yes", "--json"), seconds=200)
    assert done.code == 0, done.err
    assert "Stay with the printer" in done.err
    found = json.loads(done.out)
    printer = load_printer(shell.folder / "c" / "banderole" / f"{NAME}.toml")
    assert found["file"].endswith(f"{NAME}.toml")
    assert (printer.firmware.e_mode, printer.aside.at) == ("apart", (15.0, 20.0))
    assert printer.volume.keep_out == ((0.0, 0.0, 10.0, 10.0),)
    assert 112 <= printer.serial.receive_bytes <= 127
    assert printer.serial.window_bytes == min(96, printer.serial.receive_bytes - 24)
    assert found["heater"]["gain"] == pytest.approx(300, rel=0.10)
    assert found["heater"]["tau"] == pytest.approx(30, rel=0.10)
    text = (shell.folder / "c" / "banderole" / f"{NAME}.toml").read_text()
    values = [line for line in text.splitlines() if " = " in line and not line.startswith("#")]
    assert len(values) >= 10
    assert all("# " in line for line in values)
    kept = json.loads((shell.folder / "s" / "banderole" / NAME / "heaters.json").read_text())
    assert kept["heaters"]["nozzle"]["gain"] == found["heater"]["gain"]
    with board.lock:
        assert board.printer.machine.nozzle.target == 0.0
        last = board.printer.log.moves[-1]
        assert (last.x1, last.y1, last.known) == (15.0, 20.0, True)
    assert not (shell.folder / "s" / "banderole" / NAME / "unfinished.json").exists()
    assert not (shell.folder / "s" / "banderole" / NAME / "bed.json").exists()
    again = shell.do(*words(shell, "--yes"))
    assert again.code == 2
    assert "there is a printer file already" in again.complaint


def ctrl_c_in_the_heater_step_ends_with_heat_off_and_no_file(shell: Shell, board: PtyPrinter) -> None:
    process = shell.start(*words(shell, "--e-mode", "unknown", "--yes-heat"))
    until(lambda: any(text.startswith("M104 S60") for text in executed(board)), 60, "heat")
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 4
    err = (shell.folder / "err").read_text()
    assert "heat is off" in err.splitlines()[-1]
    with board.lock:
        assert board.printer.machine.nozzle.target == 0.0
    assert not (shell.folder / "c" / "banderole" / f"{NAME}.toml").exists()


def after_a_kill_heat_goes_off_first(shell: Shell, board: PtyPrinter) -> None:
    with board.lock:
        board.printer.manners = dataclasses.replace(board.printer.manners, restart_on_open=False)
    process = shell.start(*words(shell, "--e-mode", "unknown", "--yes-heat"))
    until(lambda: any(text.startswith("M104 S60") for text in executed(board)), 60, "heat")
    process.kill()
    process.wait()
    before = len(executed(board))
    again = shell.do(*words(shell, "--aside", "15,20", "--e-mode", "joined", "--out", "here.toml"), seconds=90)
    assert again.code == 0, again.err
    assert "never ended: making the printer safe first" in again.err
    after = [text for text in executed(board)[before:] if not text.startswith(("M110", "M115", "M105"))]
    assert after[0].startswith("M104 S0")
    assert {text.split()[-1] for text in after if text.startswith(HOT)} == {"S0"}
    assert not any(text.startswith(("G28", "G0", "G1")) for text in after)
    assert "the heater was not tried" in again.out
    assert tomllib.loads((shell.folder / "here.toml").read_text())["firmware"]["e_mode"] == "joined"
    assert not (shell.folder / "s" / "banderole" / NAME / "heaters.json").exists()
    assert not (shell.folder / "s" / "banderole" / NAME / "unfinished.json").exists()


def test_what_is_missing_is_one_line_and_no_port_is_opened(shell: Shell, board: PtyPrinter) -> None:
    done = shell.do("setup", "--port", str(shell.folder / "port"), "--name", NAME, "--x", "200")
    assert done.code == 2
    assert "give --y, --z, --nozzle-max, --e-mode" in done.complaint
    assert received(board) == []


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--x", "200,0"), "volume.x"),
        (("--z", "high"), "--z"),
        (("--name", "Bench S"), "no printer's name"),
        (("--aside", "500,10"), "outside the volume"),
        (("--keep-out", "1,2,3"), "--keep-out"),
        (("--nozzle-max", "90"), "deposit_above"),
        (("--e-mode", "both"), "--e-mode"),
    ],
)
def test_an_answer_that_will_not_do_is_named_before_the_port_is_opened(
    shell: Shell, board: PtyPrinter, more: tuple[str, ...], said: str
) -> None:
    done = shell.do(*words(shell, "--e-mode", "apart", "--yes", *more))
    assert done.code == 2
    assert said in done.err.splitlines()[-1]
    assert received(board) == []


def a_device_that_says_nothing_is_refused(shell: Shell, board: PtyPrinter) -> None:
    """The board stays unasked: the port is another's."""
    far, near = pty.openpty()
    try:
        tty.setraw(near)
        done = shell.do("setup", "--port", os.ttyname(near), "--baud", "115200", *ANSWERS, "--e-mode", "apart", "--yes")
        heard = set(os.read(far, 4096).decode().split("\n"))
    finally:
        os.close(near)
        os.close(far)
    assert done.code == 3
    assert "nothing answered within 15 s" in done.err.splitlines()[-1]
    assert heard <= {"", "N0 M110 N0*125", "N1 M115*39"}


def test_a_printer_that_heats_is_left_alone(shell: Shell) -> None:
    manners = Manners.from_settings([*BOARD, "restart_on_open=false"])
    with PtyPrinter(manners, link=shell.folder / "port") as made:
        with made.lock:
            made.printer.machine.bed.target = 40.0
        done = shell.do(*words(shell, "--e-mode", "apart", "--yes"))
        assert done.code == 3
        assert "it may be at work" in done.err.splitlines()[-1]
        with made.lock:
            assert made.printer.machine.bed.target == 40.0


def in_a_terminal_it_asks_and_no_is_no(shell: Shell, board: PtyPrinter) -> None:
    """Each question is answered as a person would: one place will not do, the next does; heat is refused."""
    far, near = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "setup", "--port", str(shell.folder / "port"), "--baud", "115200"],
        cwd=shell.folder, env={**shell.environment, "TERM": "dumb"}, stdin=near, stdout=near, stderr=near,
    )  # fmt: skip
    os.close(near)
    dialogue = [
        ("A name for it", "Bench S"), ("no printer's name", ""), ("A name for it", NAME), ("in X", "0,200"),
        ("in Y", ""), ("in Z", "0,180"), ("keep out of", "0,0,10,10 190,0,200,10"), ("ever be asked for", "240"),
        ("let go", "90"), ("DTR line", "n"), ("moved back", "n"), ("joined", "apart"), ("waits aside", "15,20"),
        ("hands off", "y"), ("stand clear of everything?", "n"), ("waits aside", "30,20"), ("hands off", "y"),
        ("stand clear of everything?", "y"), ("be heated", "n"),
    ]  # fmt: skip
    seen = ""
    try:
        for question, reply in dialogue:
            seen = _read_until(far, question, seen)
            if reply or question == "in Y":
                os.write(far, f"{reply}\n".encode())
        seen = _read_until(far, "next: banderole survey", seen)
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
        os.close(far)
    printer = load_printer(shell.folder / "c" / "banderole" / f"{NAME}.toml")
    assert (printer.volume.x, printer.volume.y, printer.volume.z) == ((0, 200), (0, 220), (0, 180))
    assert len(printer.volume.keep_out) == 2
    assert (printer.limits.nozzle, printer.firmware.idle_release_s) == ((0, 240), 90)
    assert (printer.firmware.e_mode, printer.aside.at) == ("apart", (30, 20))
    assert not any(text.startswith(HOT) for text in executed(board))


def _read_until(terminal: int, words: str, seen: str) -> str:
    """What has come since `seen`, up to these words; fails after a minute."""
    end = time.monotonic() + 60
    while words not in seen:
        assert time.monotonic() < end, f"waited for {words!r}: {seen!r}"
        if select.select([terminal], [], [], 0.2)[0]:
            seen += os.read(terminal, 4096).decode(errors="replace")
    return seen.partition(words)[2]


def test_a_port_that_another_program_has_is_left_alone(shell: Shell, board: PtyPrinter) -> None:
    holder = os.open(board.path, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(holder, fcntl.LOCK_EX)
        done = shell.do(*words(shell, "--e-mode", "apart", "--yes"))
    finally:
        os.close(holder)
    assert done.code == 3
    assert "in use by another program; nothing was sent" in done.err.splitlines()[-1]
    assert received(board) == []


CASES = {
    "from nothing to a printer file without anybody there": from_nothing_to_a_printer_file_without_anybody_there,
    "ctrl c in the heater step ends with heat off and no file": ctrl_c_in_the_heater_step_ends_with_heat_off_and_no_file,
    "after a kill heat goes off first, and nothing heats without a yes": after_a_kill_heat_goes_off_first,
    "in a terminal it asks and no is no": in_a_terminal_it_asks_and_no_is_no,
    "a device that says nothing is refused": a_device_that_says_nothing_is_refused,
}


@pytest.mark.parametrize("case", CASES)
def test_setup(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
