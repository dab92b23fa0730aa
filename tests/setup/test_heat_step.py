"""The heater step as a procedure of the engine, on emulated heaters, in virtual time."""

from __future__ import annotations

from typing import Any

import pytest
from banderole.bench import EmulatedPrinter, Manners, MemoryPort
from banderole.cli import setup_trials
from banderole.plan.config import Printer
from banderole.rehearsal.virtual_time import VirtualLoop, run_virtually
from banderole.run.effects import Ended
from banderole.setup.heat_step import HeatStep

PRINTER = {
    "name": "bench-h",
    "serial": {"port": "emulated"},
    "volume": {"x": [0, 220], "y": [0, 220], "z": [0, 250]},
    "limits": {"nozzle": [0, 250]},
}


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))


def stepped(*settings: str) -> tuple[Ended, HeatStep, EmulatedPrinter, list[str]]:
    loop, told = VirtualLoop(), list[str]()
    board = EmulatedPrinter(Manners.from_settings(settings))
    step = HeatStep(60.0, try_break=True)
    ended = run_virtually(
        setup_trials.heat(MemoryPort(board), Printer.model_validate(PRINTER), step, told.append), loop
    )
    return ended, step, board, told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gain", "tau", "more"),
    [
        (330, 60, ()),
        (375, 180, ("nozzle.dead_time=2", "nozzle.noise=0.1")),
        (250, 400, ("power_shown=false", "nozzle.band=5")),
        (178, 625, ("nozzle.resolution=0.1", "power_full=255")),
        (420, 120, ("nozzle.resolution=1.0", "emergency_parser=true")),
    ],
)
def test_gain_and_time_constant_within_a_tenth(gain: float, tau: float, more: tuple[str, ...]) -> None:
    ended, step, board, _ = stepped(f"nozzle.gain={gain}", f"nozzle.tau={tau}", *more)
    assert (ended.state, ended.exit, ended.proven) == ("Complete", 0, True)
    assert board.machine.nozzle.target == 0.0
    found = step.identified()
    assert found is not None
    assert found.gain == pytest.approx(gain, rel=0.10)
    assert found.tau == pytest.approx(tau, rel=0.10)
    assert max(reading.measured for reading in step.readings) < 70.0


@pytest.mark.slow
@pytest.mark.parametrize(("able", "seen"), [("true", True), ("false", None)])
def test_a_wait_is_broken_only_where_the_board_says_it_can_be(able: str, seen: bool | None) -> None:
    _, step, board, _ = stepped("nozzle.gain=300", f"emergency_parser={able}")
    assert step.breaks is seen
    assert any(command.text.startswith("M109") for command in board.log.commands) is (seen is not None)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["T3@8s", "T1@9s", "T4@30s"])
def test_a_heater_that_does_not_obey_trips_and_heat_goes_off(fault: str) -> None:
    ended, _, board, told = stepped(f"faults={fault}")
    assert ended.exit == 5
    assert board.machine.nozzle.target == 0.0
    assert any(line.startswith("trip:") for line in told)


@pytest.mark.slow
def test_a_warm_nozzle_is_not_heated(monkeypatch: pytest.MonkeyPatch) -> None:
    ended, step, board, _ = stepped("nozzle.ambient=45")
    assert ended.exit == 3
    assert "let it cool" in ended.reason
    assert not any(command.text.startswith(("M104", "M109")) for command in board.log.commands)
    assert step.identified() is None


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["S11@9s", "S12@9s"])
def test_a_printer_that_restarts_or_is_unplugged_meanwhile_has_its_heat_put_off(
    monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    """Proven too: what was read before the port was gone says nothing of how far the nozzle climbed meanwhile."""
    ended, step, board, _ = stepped(f"faults={fault}")
    assert (ended.state, ended.exit, ended.proven) == ("Aborted", 6, True)
    assert board.machine.nozzle.target == 0.0
    assert step.off_at == 0.0
