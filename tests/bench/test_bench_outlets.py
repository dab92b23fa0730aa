"""The emulated printer as a port in memory, on a real pseudo-terminal, and as a process of its own."""

from __future__ import annotations

import asyncio
import json
import os
import select
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.bench import Manners, MemoryPort, PtyPrinter
from banderole.link.port import Port, PortAbsent, SerialPort
from banderole.rehearsal.virtual_time import VirtualLoop, run_virtually

from tests.bench.desk import framed
from tests.support.waiting import until

QUICK = Manners(boot_s=0.02, home_s=0.0, replug_s=0.1).sped(40.0)


class Ear:
    def __init__(self) -> None:
        self.data = bytearray()
        self.gone = 0

    def __call__(self, data: bytes) -> None:
        self.data += data
        self.gone += not data


async def test_memory_port_is_a_port() -> None:
    port: Port = MemoryPort(QUICK)
    ear = Ear()
    port.open(ear)
    await until(lambda: b"start\n" in ear.data)
    port.write(framed(1, "M105"))
    assert b"ok" not in ear.data  # never from inside write
    await until(lambda: b"ok T:25.0" in ear.data)
    assert port.unsent() == 0
    port.pulse_dtr()
    await until(lambda: ear.data.count(b"start\n") == 2)
    port.close()
    port.close()
    port.write(b"M105\n")
    port.open(ear)
    await until(lambda: ear.data.count(b"start\n") == 3)
    port.close()


async def test_memory_port_sleeps_between_events() -> None:
    port = MemoryPort(Manners(boot_s=0.01))
    port.open(Ear())
    await asyncio.sleep(0.05)
    turns, before = 0, port.printer.advance

    def counted(now: float) -> bytes:
        nonlocal turns
        turns += 1
        return before(now)

    port.printer.advance = counted  # type: ignore[method-assign]
    await asyncio.sleep(0.1)
    assert turns <= 1
    port.close()


async def test_memory_port_unplugged_by_a_fault_and_absent_for_a_while() -> None:
    port = MemoryPort(Manners(boot_s=0.0, baud=0, faults=("S12@1",)), absent=PortAbsent)
    ear = Ear()
    port.open(ear)
    await until(lambda: b"start\n" in ear.data)
    port.write(framed(1, "M105"))
    await until(lambda: ear.gone == 1)
    assert not port.is_open
    with pytest.raises(PortAbsent, match="unplugged"):
        port.open(ear)


def test_memory_port_in_virtual_time() -> None:
    """An hour of reports and an idle release pass in no time on a loop whose clock jumps."""
    loop = asyncio.SelectorEventLoop()
    at = 1000.0
    loop.time = lambda: at  # type: ignore[method-assign]
    select_really = loop._selector.select  # type: ignore[attr-defined]

    def jump(timeout: float | None) -> object:
        nonlocal at
        at += timeout or 0.0
        return select_really(0)

    loop._selector.select = jump  # type: ignore[attr-defined]

    async def hour() -> tuple[Ear, MemoryPort]:
        port, ear = MemoryPort(), Ear()
        port.open(ear)
        await asyncio.sleep(1.0)
        port.write(framed(1, "M155 S1") + framed(2, "G28"))
        await asyncio.sleep(3600.0)
        port.close()
        return ear, port

    began = time.monotonic()
    ear, port = loop.run_until_complete(hour())
    loop.close()
    assert time.monotonic() - began < 5.0
    assert ear.data.count(b"T:25.0") in range(3598, 3602)
    assert port.printer.log.kinds() == ["restart", "motors_released"]
    again, other = run_virtually(hour(), VirtualLoop())  # which lets time pass without a timer for each event
    assert again.data == ear.data
    assert other.printer.log.kinds() == port.printer.log.kinds()


class Host:
    """A plain host on a terminal, with a bound on every wait."""

    def __init__(self, path: str) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.fd)
        self.data = bytearray()

    def until(self, text: bytes, count: int = 1, seconds: float = 5.0) -> None:
        end = time.monotonic() + seconds
        while self.data.count(text) < count:
            assert select.select([self.fd], [], [], max(0.0, end - time.monotonic()))[0], bytes(self.data)
            self.data += os.read(self.fd, 4096)

    def gone(self, seconds: float = 5.0) -> bool:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            select.select([self.fd], [], [], 0.1)
            try:
                if not os.read(self.fd, 4096):
                    return True
            except OSError:
                return True
        return False

    def close(self) -> None:
        os.close(self.fd)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[PtyPrinter]:
    with PtyPrinter(QUICK, link=tmp_path / "printer") as printer:
        yield printer


def test_a_conversation_on_a_real_terminal(terminal: PtyPrinter, tmp_path: Path) -> None:
    host = Host(str(tmp_path / "printer"))
    host.until(b"start\n")
    for number in range(1, 201):
        host.until(b"ok", number - 1)
        os.write(host.fd, framed(number, f"G1 X{number % 100} F6000"))
    host.until(b"ok", 200)
    host.close()
    with terminal.lock:
        assert [command.number for command in terminal.printer.log.commands] == list(range(1, 201))


def test_opening_restarts_it_and_closing_does_not(terminal: PtyPrinter) -> None:
    first = Host(terminal.path)
    first.until(b"start\n")
    os.write(first.fd, framed(1, "M104 S200"))
    first.until(b"ok")
    first.close()
    time.sleep(0.05)
    with terminal.lock:
        assert terminal.printer.machine.nozzle.target == 200.0
    second = Host(terminal.path)
    second.until(b"start\n")
    with terminal.lock:
        assert terminal.printer.machine.nozzle.target == 0.0
    second.close()


async def test_the_serial_port_of_the_project_opens_it(terminal: PtyPrinter) -> None:
    port, ear = SerialPort(terminal.path, 115200), Ear()
    port.open(ear)
    await until(lambda: b"start\n" in ear.data)
    port.write(framed(1, "M115"))
    await until(lambda: b"ok\n" in ear.data)
    terminal.unplug()
    await until(lambda: ear.gone == 1)
    port.close()


def test_a_host_that_does_not_read_costs_bounded_memory(tmp_path: Path) -> None:
    with PtyPrinter(Manners(boot_s=0.02, baud=0, faults=tuple(f"S8@{n}" for n in range(1, 9)))) as printer:
        host = Host(printer.path)
        host.until(b"start\n")
        for number in range(1, 9):
            os.write(host.fd, framed(number, "M105"))
        time.sleep(0.2)
        with printer.lock:
            assert len(printer._backlog) <= 4 << 20
            assert printer.printer.log.executed == 8
        host.close()


def test_unplugged_it_comes_back_by_its_link(terminal: PtyPrinter, tmp_path: Path) -> None:
    link = tmp_path / "printer"
    host = Host(str(link))
    host.until(b"start\n")
    terminal.unplug()
    assert host.gone()
    assert not link.exists()
    end = time.monotonic() + 5.0
    while not link.exists():
        assert time.monotonic() < end
        time.sleep(0.02)
    host.close()
    again = Host(str(link))
    again.until(b"start\n")
    again.close()


@pytest.fixture
def process(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "banderole.bench", "--link", str(tmp_path / "printer"), "--speed", "40"]
    command += ["--log", str(tmp_path / "log"), "--fault", "S3@3", "--set", "boot_s=0.02"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as started:
        assert started.stdout is not None
        assert started.stdout.readline().strip().decode() == os.readlink(tmp_path / "printer")
        yield started
        started.kill()


@pytest.mark.slow
def test_the_process_writes_what_it_really_did(process: subprocess.Popen[bytes], tmp_path: Path) -> None:
    host = Host(str(tmp_path / "printer"))
    host.until(b"start\n")
    for number, block in enumerate(("M104 S200", "G1 X10 F600", "M400"), 1):
        os.write(host.fd, framed(number, block))
        host.until(b"ok", min(number, 2))
    time.sleep(0.1)
    host.close()
    process.terminate()
    assert process.wait(5.0) == 0
    assert not os.path.lexists(tmp_path / "printer")
    rows = [json.loads(line) for line in (tmp_path / "log").read_text().splitlines()]
    assert [row["text"] for row in rows if row["row"] == "command"] == ["M104 S200", "G1 X10 F600", "M400"]
    assert [row["x1"] for row in rows if row["row"] == "move"] == [10.0]
    assert [row["value"] for row in rows if row["row"] == "setpoint"] == [200.0]
    assert [row["kind"] for row in rows if row["row"] == "event"] == ["restart", "fault", "ok_lost"]


@pytest.mark.slow
def test_killing_the_process_is_an_unplug(process: subprocess.Popen[bytes], tmp_path: Path) -> None:
    host = Host(str(tmp_path / "printer"))
    host.until(b"start\n")
    process.kill()
    assert host.gone()
    host.close()


@pytest.mark.slow
@pytest.mark.parametrize("options", [["--fault", "S99@3"], ["--set", "colour=red"], ["--speed", "0"]])
def test_bad_options_get_one_clear_line(options: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", "banderole.bench", *options], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
