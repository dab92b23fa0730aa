"""The survey for a person, at every width."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from banderole.cli.survey_view import SurveyView, span
from banderole.plan.config import load_printer
from banderole.plan.findings import Finding
from banderole.plan.schedule import load_schedule
from banderole.plan.survey import Survey, survey_file
from rich.console import Console

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def drawn(schedule: str | None, width: int, found: Survey | None = None) -> list[str]:
    printer = load_printer(str(EXAMPLES / "bench-a.toml"))
    wanted = load_schedule(EXAMPLES / schedule, printer) if schedule is not None else None
    found = survey_file(EXAMPLES / "tower.gcode", wanted, printer) if found is None else found
    console = Console(file=(out := io.StringIO()), width=width, color_system=None)
    console.print(SurveyView(found, wanted), highlight=False)
    lines = out.getvalue().rstrip("\n").split("\n")
    assert max(map(len, lines)) <= width
    return [line.rstrip() for line in lines]


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("schedule", ["nozzle.toml", "nozzle-and-fan.toml", "flow.toml"])
def test_each_band_is_one_line_the_top_one_first(width: int, schedule: str) -> None:
    lines = drawn(schedule, width)
    rows = [line.split() for line in lines if line[:4].strip().isdigit() and line[0] == " "]
    lows = ["0.0", "1.2"] if schedule == "flow.toml" else ["0.0"]  # there the plinth is a band of its own: the file's
    lows += ["8.7", "16.2", "23.7", "31.2", "38.7"]
    assert [(row[0], row[1]) for row in rows] == [(str(n), low) for n, low in enumerate(lows, 1)][::-1]
    assert all(row[-1] == "min" for row in rows)


def test_a_narrow_terminal_gets_a_sentence_a_band_and_no_figure_is_cut() -> None:
    text = " ".join(drawn("nozzle-and-fan.toml", 30))
    assert (
        "band 6 from 38.7 mm, 225 °C, fan 60 %: 25 layers from line 4803, 252 mm of filament, 2.8 min of motion" in text
    )


def test_alike_crossings_are_told_once_and_hold_points_named() -> None:
    lines = drawn("nozzle-and-fan.toml", 120)
    assert "crossing into band 1: filament pulled back by us" in lines
    assert "crossing into bands 2 to 6: filament already back" in lines
    assert any(line.startswith("hold point before band 4: ") for line in lines)


def test_steps_that_fall_into_a_layer_are_told(tmp_path: Path) -> None:
    printer = load_printer(str(EXAMPLES / "bench-a.toml"))
    file = tmp_path / "s.toml"
    file.write_text("[[band]]\nfrom_mm = 0\nto_mm = 9\nnozzle = 240\n[[band]]\nfrom_mm = 9\nto_mm = 20.1\nnozzle = 235\n"
                    "[[band]]\nfrom_mm = 20.1\nnozzle = 230\n[settle]\ndwell_s = 8\n")  # fmt: skip
    wanted = load_schedule(file, printer)
    found = survey_file(EXAMPLES / "tower.gcode", wanted, printer)
    found.rows[1].settle_s = 20.0
    console = Console(file=(out := io.StringIO()), width=120, color_system=None)
    console.print(SurveyView(found, wanted), highlight=False)
    text = out.getvalue()
    # The tower's layers are 0.3 mm: 9.0 and 20.1 mm fall between two of them, 20.2 mm would not.
    assert "no layer begins" not in text
    assert "of motion, about 20 s of settling" in text
    file.write_text(file.read_text().replace("20.1", "20.2"))
    wanted = load_schedule(file, printer)
    console = Console(file=(out := io.StringIO()), width=120, color_system=None)
    console.print(SurveyView(survey_file(EXAMPLES / "tower.gcode", wanted, printer), wanted), highlight=False)
    assert "no layer begins just at the step of band 3: the nearest is 0.10 mm below it" in out.getvalue()


def test_the_file_goes_by_its_name_and_alone_by_what_it_is() -> None:
    lines = drawn(None, 120)
    assert lines[0].startswith(
        "tower.gcode: 46.20 mm tall, 154 layers, 5638 blocks, 1.76 m of filament, 19.7 min of motion"
    )
    assert not any("Bands of" in line for line in lines)


def test_findings_say_where_and_what_to_do_but_not_that_nothing_is_to_be_done() -> None:
    found = Survey("a.gcode", seconds=3.0)
    found.refusals.append(Finding("command", 7, "M112 is the emergency stop", "take it out of the file"))
    found.cautions.append(Finding("deaf", 9, "G28: silent for up to 60 s", "none needed"))
    found.cautions.append(Finding("heat_left_on", 0, "the file leaves heat on", "none needed: it is turned off"))
    found.cautions.append(Finding("x", 0, "evil \x1b[2J", "[bold]look[/bold]"))
    lines = drawn(None, 120, found)
    assert "refused: line 7: M112 is the emergency stop: take it out of the file" in lines
    assert "caution: line 9: G28: silent for up to 60 s" in lines
    assert "caution: the file leaves heat on: it is turned off" in lines
    assert "caution: evil ?[2J: [bold]look[/bold]" in lines


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0 s"), (89.4, "89 s"), (90, "1.5 min"), (5399, "90.0 min"), (7500, "2 h 5 min"), (7199, "2 h 0 min")],
)
def test_spans(seconds: float, said: str) -> None:
    assert span(seconds) == said
