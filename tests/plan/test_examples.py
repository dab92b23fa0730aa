"""The examples are held to what they claim: files that regenerate, schedules that fit them, printer files that load."""

import importlib.util
import sys
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import pytest
from banderole.plan.config import load_printer
from banderole.plan.schedule import load_schedule
from banderole.plan.survey import Survey, survey_file

EXAMPLES = Path(__file__).parents[2] / "examples"
TOWERS = ("tower.gcode", "short-tower.gcode")
PRINTERS = ("bench-a", "small-board")
STEPS = (0.0, 8.7, 16.2, 23.7, 31.2, 38.7)  # mm: a plinth of 1.2 and steps of 7.5
FITTING = {  # schedule: its tower, and where its bands begin
    "nozzle": ("tower.gcode", STEPS),
    "nozzle-and-fan": ("tower.gcode", STEPS),
    "flow": ("tower.gcode", (0.0, 1.2, *STEPS[1:])),
    "short-tower": ("short-tower.gcode", (0.0, 3.6, 6.6)),
}


@pytest.fixture(scope="module")
def writer() -> ModuleType:
    """``examples/tower.py`` as a module; it is a script, in no package."""
    spec = importlib.util.spec_from_file_location("tower_example", EXAMPLES / "tower.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", TOWERS)
def test_a_tower_is_what_its_first_line_says_it_was_written_with(name: str, writer: ModuleType) -> None:
    written = (EXAMPLES / name).read_text(encoding="ascii")
    spelled = written.partition("\n")[0].partition("tower.py ")[2]
    assert writer.tower(writer.chosen(spelled.split())) == written


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("--rise 7.4", "whole layers"),
        ("--steps 0", "steps 1 to 60"),
        ("--steps 60 --rise 10", "240 mm"),
        ("--layer 0.5", "layer 0.05 to 0.4"),
        ("--nozzle warm", "--nozzle"),
    ],
)
def test_options_that_make_no_tower_end_with_usage(
    words: str, told: str, writer: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        writer.chosen(words.split())
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def surveyed(schedule: str, printer: str) -> Survey:
    """The schedule's own tower, read on one printer."""
    machine = load_printer(EXAMPLES / f"{printer}.toml")
    bands = load_schedule(EXAMPLES / f"{schedule}.toml", machine)
    return survey_file(EXAMPLES / FITTING[schedule][0], bands, machine)


def test_every_file_of_the_examples_is_tried_by_a_test() -> None:
    tried = {f"{name}.toml" for name in (*FITTING, *PRINTERS)}
    assert {path.name for path in EXAMPLES.glob("*.toml")} == tried
    assert {path.name for path in EXAMPLES.glob("*.gcode")} == set(TOWERS)


@pytest.mark.parametrize("name", PRINTERS)
def test_a_printer_file_loads_and_bears_the_name_of_its_file(name: str) -> None:
    assert load_printer(EXAMPLES / f"{name}.toml").name == name


@pytest.mark.parametrize("printer", PRINTERS)
@pytest.mark.parametrize("schedule", FITTING)
def test_a_schedule_fits_its_tower(schedule: str, printer: str) -> None:
    """Each band begins with a layer of its own, on both printers; nothing is refused; what is cautioned is expected."""
    found = surveyed(schedule, printer)
    begins = FITTING[schedule][1]
    assert not found.refusals
    assert [row.from_mm for row in found.rows] == list(begins)
    assert [round(row.z - row.from_mm, 6) for row in found.rows] == [0.3] * len(begins)
    cautions = [one.kind for one in found.cautions]
    # The nozzle's tower goes two degrees below what is usual for its material: it looks for the edge.
    also = {"nozzle-and-fan": ["file_setpoint"], "nozzle": ["material"]}.get(schedule, [])
    assert cautions == ["deaf", *also]


def test_neighbouring_bands_of_nozzle_and_fan_differ_in_one_channel() -> None:
    bands = load_schedule(EXAMPLES / "nozzle-and-fan.toml").bands
    assert len({tuple(band.setpoints.values()) for band in bands}) == len(bands)
    for below, band in pairwise(bands):
        assert len(below.setpoints.items() - band.setpoints.items()) == 1


def test_the_short_tower_is_short() -> None:
    """A look at the whole story takes minutes of printing, so seconds on a printer that is emulated faster."""
    found = surveyed("short-tower", "bench-a")
    assert found.seconds < 15 * 60
    assert found.blocks < 1500


@pytest.mark.parametrize("name", TOWERS)
def test_a_tower_means_the_same_in_both_families_of_firmware(name: str, tmp_path: Path) -> None:
    """Where G90 sets E too, and where it does not, the same filament is laid."""
    bench = (EXAMPLES / "bench-a.toml").read_text()
    laid = []
    for e_mode in ("apart", "joined"):
        file = tmp_path / f"{e_mode}.toml"
        file.write_text(bench.replace('e_mode = "apart"', f'e_mode = "{e_mode}"'))
        machine = load_printer(file)
        assert machine.firmware.e_mode == e_mode
        laid.append(survey_file(EXAMPLES / name, None, machine).filament_mm)
    assert laid[0] == pytest.approx(laid[1])
    assert laid[0] > 100
