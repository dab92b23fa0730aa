"""The port on real pseudo-terminals: locks, unplug, backlog, bytes as they are."""

from __future__ import annotations

import asyncio
import fcntl
import os
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.link.port import BACKLOG_BYTES, PortAbsent, PortClogged, PortInUse, PortUnusable, SerialPort

from tests.support.waiting import until


class Terminal:
    """The printer's end of a pseudo-terminal, with the name a port is opened by."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        self.path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1

    def read_all(self) -> bytes:
        got = b""
        while True:
            try:
                got += os.read(self.master, 65536)
            except (BlockingIOError, OSError):
                return got


class Heard:
    def __init__(self) -> None:
        self.data = b""
        self.gone = 0

    def __call__(self, data: bytes) -> None:
        self.data += data
        self.gone += data == b""


def start_other(code: str) -> subprocess.Popen[bytes]:
    """Another process that runs `code`, has said so by one line, and then waits for its stdin to close."""
    other = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert other.stdout is not None
    assert other.stdout.readline()
    return other


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.unplug()


@pytest.fixture
def heard() -> Heard:
    return Heard()


async def test_bytes_pass_as_they_are_both_ways(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    port.write(bytes(range(256)))  # CR, LF, XON, XOFF, the interrupt character: nothing may be taken or turned
    await until(lambda: port.unsent() == 0)
    assert terminal.read_all() == bytes(range(256))
    os.write(terminal.master, b"ok\r\nstart\r" + bytes(range(256)))
    await until(lambda: len(heard.data) >= 266)
    assert heard.data == b"ok\r\nstart\r" + bytes(range(256))
    port.close()


async def test_opened_twice_is_in_use_and_nothing_is_sent(terminal: Terminal, heard: Heard) -> None:
    first, second = SerialPort(terminal.path, 115200), SerialPort(terminal.path, 250000)
    first.open(heard)
    speed = termios.tcgetattr(terminal.master)[4:6]
    with pytest.raises(PortInUse, match="in use by another program"):
        second.open(heard)
    with pytest.raises(PortInUse, match="already opened"):
        first.open(heard)
    assert terminal.read_all() == b""
    assert termios.tcgetattr(terminal.master)[4:6] == speed, "the one in use was set to another speed"
    first.close()
    second.open(heard)
    second.close()


@pytest.mark.fault("S13", on="terminal")
@pytest.mark.parametrize("lock", ["fcntl.flock(fd, fcntl.LOCK_EX)", "fcntl.ioctl(fd, termios.TIOCEXCL)"])
async def test_held_by_another_process_with_either_lock(terminal: Terminal, heard: Heard, lock: str) -> None:
    start = f"import fcntl, os, sys, termios; fd = os.open({terminal.path!r}, os.O_RDWR | os.O_NOCTTY); {lock}"
    other = start_other(f"{start}; print(1, flush=True); sys.stdin.read()")
    try:
        with pytest.raises(PortInUse):
            SerialPort(terminal.path, 115200).open(heard)
        assert terminal.read_all() == b""
    finally:
        other.communicate()


async def test_a_killed_holder_does_not_lock_the_next_start_out(terminal: Terminal, heard: Heard) -> None:
    code = (
        "import asyncio,sys; from banderole.link.port import SerialPort\n"
        f"async def main():\n p = SerialPort({terminal.path!r}, 115200); p.open(print); print(1, flush=True); "
        "sys.stdin.read()\nasyncio.run(main())"
    )
    other = start_other(code)
    port = SerialPort(terminal.path, 115200)
    with pytest.raises(PortInUse):
        port.open(heard)
    other.kill()
    other.communicate()
    port.open(heard)
    port.close()


async def test_unplugged_is_told_once_and_close_is_clean(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    terminal.unplug()
    await until(lambda: heard.gone > 0)
    port.write(b"M104 S0\n")
    port.pulse_dtr()
    await asyncio.sleep(0.02)
    assert heard.gone == 1
    assert port.unsent() == 0
    port.close()
    port.close()
    with pytest.raises(PortAbsent):
        port.open(heard)


async def test_unplugged_in_a_write_is_no_exception(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    terminal.unplug()
    port.write(b"N1 M110*34\n")  # the loop has not run: the write is the first to meet it
    assert heard.gone == 0, "told from inside write()"
    await until(lambda: heard.gone == 1)
    port.close()


async def test_closed_between_the_loss_and_the_telling(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    port.close()
    terminal.unplug()
    await asyncio.sleep(0.01)
    assert heard.gone == 0


async def test_a_backlog_waits_bounded_and_goes_in_order(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    sent = b""
    with pytest.raises(PortClogged):
        for number in range(100_000):
            line = b"N%d G1 X%d\n" % (number, number)
            port.write(line)
            sent += line
    assert 0 < port.unsent() <= BACKLOG_BYTES
    got = b""

    def drained() -> bool:
        nonlocal got
        got += terminal.read_all()
        return len(got) >= len(sent)

    await until(drained)
    assert got == sent
    assert port.unsent() == 0
    port.close()


async def test_opened_again_by_its_stable_name(tmp_path: Path, heard: Heard) -> None:
    before, after = Terminal(), Terminal()
    link = tmp_path / "board"
    link.symlink_to(before.path)
    port = SerialPort(str(link), 250000)
    port.open(heard)
    before.unplug()
    await until(lambda: heard.gone == 1)
    link.unlink()
    with pytest.raises(PortAbsent, match="no such port"):
        port.open(heard)
    link.symlink_to(after.path)
    port.open(heard)
    port.write(b"M115\n")
    assert after.read_all() == b"M115\n"
    os.write(after.master, b"start\n")
    await until(lambda: heard.data.endswith(b"start\n"))
    port.close()
    after.unplug()


async def test_closing_keeps_dtr_and_what_was_written_stays_readable(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    watch = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
    assert not termios.tcgetattr(watch)[2] & termios.HUPCL
    port.write(b"M112\n")
    port.close()
    assert terminal.read_all() == b"M112\n", "the last bytes were flushed away"
    fcntl.flock(watch, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(watch)


async def test_custom_speed_is_set(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 250000)
    port.open(heard)
    # struct termios2 of asm-generic/termbits.h: c_ospeed is its last word, TCGETS2 is 0x802C542A
    raw = fcntl.ioctl(terminal.master, 0x802C542A, bytes(44))
    port.close()
    assert int.from_bytes(raw[40:44], sys.byteorder) == 250000


async def test_what_cannot_be_a_port_is_said(tmp_path: Path, heard: Heard) -> None:
    plain = tmp_path / "notes.txt"
    plain.write_text("x")
    for path, kind in [
        (str(plain), PortUnusable),
        (str(tmp_path), PortUnusable),
        ("/dev/null", PortUnusable),
        (str(tmp_path / "absent"), PortAbsent),
        (str(plain / "below"), PortAbsent),
    ]:
        with pytest.raises(kind) as caught:
            SerialPort(path, 115200).open(heard)
        assert str(caught.value).startswith(path)
        assert "\n" not in str(caught.value)


async def test_a_speed_the_device_refuses_is_said(terminal: Terminal, heard: Heard) -> None:
    with pytest.raises(PortUnusable, match="-1 baud"):
        SerialPort(terminal.path, -1).open(heard)
    port = SerialPort(terminal.path, 115200)
    port.open(heard)  # nothing of the failed attempt holds it
    port.close()


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give a right away and see it refused")
def test_no_permission_names_the_remedy(terminal: Terminal) -> None:
    os.chmod(terminal.path, 0o600)
    code = (
        "import asyncio, os; from banderole.link.port import *\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        f"async def main():\n try: SerialPort({terminal.path!r}, 115200).open(print)\n"
        " except PortUnusable as e: print(e)\nasyncio.run(main())"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "permission denied" in run.stdout, run.stderr


async def test_a_terminal_has_no_dtr_and_that_is_no_error(terminal: Terminal, heard: Heard) -> None:
    port = SerialPort(terminal.path, 115200)
    port.open(heard)
    port.pulse_dtr()
    port.write(b"M105\n")
    assert terminal.read_all() == b"M105\n"
    port.close()
