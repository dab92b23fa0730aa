"""What a board does, tried on emulated boards of every kind, in virtual time; and that the trials do no harm."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

import pytest
from banderole.bench import EmulatedPrinter, Manners, MemoryPort
from banderole.plan.machine_tables import Volume
from banderole.rehearsal.virtual_time import VirtualLoop, run_virtually
from banderole.setup import manners
from banderole.setup.places_to_look import go_there, moves
from banderole.setup.receive_buffer import LENGTHS
from banderole.setup.talk import NoPrinter, Talk

T = TypeVar("T")
Trial = Callable[[Talk], Coroutine[Any, Any, T]]


def tried(trial: Trial[T], *settings: str) -> tuple[T, EmulatedPrinter]:
    """The trial on a board of these manners."""
    board = EmulatedPrinter(Manners.from_settings(settings))

    async def go() -> T:
        async with Talk(MemoryPort(board), "board") as talk:
            return await trial(talk)

    return run_virtually(go(), VirtualLoop()), board


def commands(board: EmulatedPrinter) -> list[str]:
    return [command.text for command in board.log.commands]


@pytest.mark.parametrize("able", [True, False])
def test_reports_that_come_by_themselves(able: bool) -> None:
    found, board = tried(manners.reports_itself, f"auto_report={str(able).lower()}")
    assert found is able
    assert commands(board)[-1] == "M155 S0"


@pytest.mark.slow
@pytest.mark.parametrize("size", [64, 96, 127, 255])
@pytest.mark.parametrize(
    "settings", [(), ("flush_on_refusal=true",), ("resend_ok=false", "advanced_ok=true"), ("command_queue=8",)]
)
def test_the_receive_buffer_is_found_by_what_it_loses(size: int, settings: tuple[str, ...]) -> None:
    found, board = tried(manners.receive_buffer, f"receive_bytes={size}", *settings)
    assert found is not None
    assert found.least <= size <= found.most
    assert found.most - found.least <= max(16, size // 4)
    assert {text.split()[0] for text in commands(board)} <= {"M105", "G4", "M110"}
    assert sum(text.startswith("G4") for text in commands(board)) == len(LENGTHS)


def test_a_large_buffer_hides_what_it_would_lose() -> None:
    found, _ = tried(manners.receive_buffer, "receive_bytes=4096")
    assert found is None


@pytest.mark.parametrize("mode", ["joined", "apart"])
def test_the_mode_of_e_shows_in_a_tenth_of_a_millimetre(mode: str) -> None:
    found, board = tried(manners.e_mode, f"e_mode={mode}", "cold_below=0")
    assert found == mode
    assert board.machine.nozzle.target == board.machine.bed.target == 0.0
    back = [move.e for move in board.log.moves]
    assert back
    assert all(-0.11 < e <= 0.0 for e in back)


@pytest.mark.parametrize("mode", ["joined", "apart"])
def test_a_board_that_moves_no_cold_filament_shows_the_mode_or_nothing_but_never_a_wrong_one(mode: str) -> None:
    found, _ = tried(manners.e_mode, f"e_mode={mode}")
    assert found in (mode, None)


@pytest.mark.parametrize("able", [True, False])
def test_a_restart_by_dtr_is_told_by_its_banner(able: bool) -> None:
    found, _ = tried(manners.restarts, f"dtr_resets={str(able).lower()}", "restart_on_open=false")
    assert found is able


def test_going_to_look_stays_in_the_volume() -> None:
    volume = Volume(x=(0, 100), y=(-50, 50), z=(0, 12))
    assert moves(volume, (7.0, -40.0)) == [b"G21", b"G90", b"G1 Z12.00 F300", b"G1 X7.00 Y-40.00 F3000"]
    _, board = tried(lambda talk: go_there(talk, volume, (7.0, -40.0)))
    assert (board.machine.x, board.machine.y, board.machine.z) == (7.0, -40.0, 12.0)


def test_a_device_that_says_nothing_is_no_printer() -> None:
    with pytest.raises(NoPrinter, match="no longer answers"):
        tried(manners.reports_itself, "boot_s=1000")


class Told:
    """A line that answers `ok` to everything, and to `G28` what it was told to."""

    def __init__(self, to_home: bytes) -> None:
        self.heard: list[str] = []
        self._to_home = to_home

    def open(self, receiver: Callable[[bytes], None]) -> None:
        self._receiver = receiver

    def write(self, data: bytes) -> None:
        for line in data.decode().split("\n"):
            if line:
                self.heard.append(line.partition("*")[0])
                self._receiver(self._to_home if "G28" in line else b"ok\n")

    def pulse_dtr(self) -> None:
        raise AssertionError("nobody asked for a restart")

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("answer", "said"), [(b"Error:homing failed\nok\n", "homing"), (b"!! stopped\n", "stopped itself")]
)
def test_nothing_moves_after_a_homing_that_went_wrong(answer: bytes, said: str) -> None:
    line = Told(answer)

    async def go() -> None:
        async with Talk(line, "board") as talk:
            await go_there(talk, Volume(x=(0, 100), y=(0, 50), z=(0, 12)), (7.0, 40.0))

    with pytest.raises(NoPrinter, match=said):
        run_virtually(go(), VirtualLoop())
    assert "G28" in line.heard[-1]
