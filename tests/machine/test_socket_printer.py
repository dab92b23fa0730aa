"""The printer at the far end of the emulated cable, without a machine: it paces itself, and outlives its cable."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from banderole.bench import Manners

from tests.machine.printer import SocketPrinter

LINES = 60
LINE = b"M117 a line of forty bytes, its end too\n"


@contextmanager
def machine_end() -> Iterator[tuple[Path, socket.socket]]:
    with TemporaryDirectory(prefix="bm-") as folder, socket.socket(socket.AF_UNIX) as listening:
        listening.bind(f"{folder}/printer")
        listening.listen()
        listening.settimeout(5.0)
        yield Path(folder) / "printer", listening


def plugged(printer: SocketPrinter, path: Path, listening: socket.socket) -> socket.socket:
    printer.plug(path)
    machine = listening.accept()[0]
    machine.settimeout(5.0)
    return machine


def heard(machine: socket.socket, end: bytes) -> bytes:
    got = b""
    while end not in got:
        got += machine.recv(4096)
    return got


@pytest.mark.slow
def test_the_wire_has_the_speed_of_its_baud_rate() -> None:
    with (
        machine_end() as (path, listening),
        SocketPrinter(Manners(command_queue=100)) as printer,
        plugged(printer, path, listening) as machine,
    ):
        began = time.monotonic()
        machine.sendall(LINE * LINES)
        got = b""
        while got.count(b"ok") < LINES:
            got += machine.recv(4096)
        taken = time.monotonic() - began
    assert taken >= LINES * len(LINE) * 10 / 115200  # 8N1: ten bits a byte


def test_with_its_cable_out_it_stays_as_hot_as_it_was() -> None:
    with machine_end() as (path, listening), SocketPrinter(Manners()) as printer:
        with plugged(printer, path, listening) as machine:
            machine.sendall(b"M104 S200\n")
            heard(machine, b"ok")
            printer.unplug()
            assert machine.recv(1) == b""
            assert printer.targets() == (200.0, 0.0)
        with plugged(printer, path, listening) as machine:
            machine.sendall(b"M104 S0\n")
            heard(machine, b"ok")
        printer.wait_for(lambda: printer.targets() == (0.0, 0.0), 5.0, "heat off")
        assert [value for _, value in printer.seen("nozzle")] == [200.0, 0.0]


def test_a_machine_whose_power_is_cut_pulls_the_cable() -> None:
    with machine_end() as (path, listening), SocketPrinter(Manners()) as printer:
        plugged(printer, path, listening).close()
        with plugged(printer, path, listening) as machine:
            machine.sendall(b"M105\n")
            assert b"ok" in heard(machine, b"\n")
