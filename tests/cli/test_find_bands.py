"""`survey --find-bands`: what it says, and that the table it writes is one that a schedule file takes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from banderole.cli.main import app
from banderole.cli.stairs_view import TO_FILL_IN, stairs_json, stairs_text
from banderole.plan.band_finder import NoStairs, Stairs, Unsure
from banderole.plan.schedule import load_schedule
from typer.testing import CliRunner

EXAMPLE = Path(__file__).resolve().parents[2] / "examples/tower.gcode"
FOUND = Stairs(1.2, 7.5, 6, 1e-9, "a foot and the top agree")


def test_the_table_is_a_schedule_once_a_channel_is_filled_in(tmp_path: Path) -> None:
    said = CliRunner().invoke(app, ["survey", str(EXAMPLE), "--find-bands"])
    assert said.exit_code == 0, said.output
    table = said.output[said.output.index("[stairs]") :]
    assert TO_FILL_IN in table
    file = tmp_path / "found.toml"
    file.write_text(table.replace(TO_FILL_IN, "nozzle = { first = 240, change = -5 }"))
    schedule = load_schedule(file, None)
    assert [band.from_mm for band in schedule.bands] == pytest.approx([0.0, 8.7, 16.2, 23.7, 31.2, 38.7])


def test_json_has_stairs_only_where_they_were_asked_for() -> None:
    asked = json.loads(CliRunner().invoke(app, ["survey", str(EXAMPLE), "--find-bands", "--json"]).output)
    assert asked["stairs"]["found"] == "steps"
    assert (asked["stairs"]["plinth_mm"], asked["stairs"]["rise_mm"], asked["stairs"]["count"]) == (1.2, 7.5, 6)
    assert 0 <= asked["stairs"]["significance"] < 1e-3
    assert "stairs" not in json.loads(CliRunner().invoke(app, ["survey", str(EXAMPLE), "--json"]).output)


UNSURE = Unsure("steps of 7.50 mm, but not where they end", (FOUND, Stairs(0.0, 7.5, 6, 1e-9, "")))


def test_doubt_says_why_and_what_else_it_may_be() -> None:
    text = stairs_text(UNSURE)
    assert text.startswith("No steps that are sure: steps of 7.50 mm, but not where they end.")
    assert "The likeliest: 6 of 7.5 mm each, above a plinth of 1.2 mm. It is a guess: measure the part" in text
    assert "It may also be:\n  6 of 7.5 mm each, from the bed up" in text
    assert stairs_json(UNSURE)["found"] == "uncertain"
    assert [one["plinth_mm"] for one in stairs_json(UNSURE)["candidates"]] == [1.2, 0.0]


def test_the_table_of_the_likeliest_says_that_it_is_unsure_and_is_one_a_schedule_takes(tmp_path: Path) -> None:
    text = stairs_text(UNSURE)
    table = text[text.index("# unsure: ") :]
    assert table.startswith(
        "# unsure: steps of 7.50 mm, but not where they end; measure the part before you print by this\n"
    )
    assert stairs_json(UNSURE)["table"] == table + "\n"
    file = tmp_path / "unsure.toml"
    file.write_text(table.replace(TO_FILL_IN, "nozzle = { first = 240, change = -5 }"))
    assert [band.from_mm for band in load_schedule(file, None).bands] == pytest.approx([0, 8.7, 16.2, 23.7, 31.2, 38.7])


def test_doubt_that_names_nothing_writes_no_table() -> None:
    found = Unsure("the file has more layers or parts than are looked at")
    assert "[stairs]" not in stairs_text(found)
    assert "write the heights into the schedule yourself" in stairs_text(found)
    assert stairs_json(found) == {"found": "uncertain", "why": found.why, "candidates": []}


def test_none_is_said_plainly() -> None:
    found = NoStairs("nothing repeats along the height")
    assert stairs_text(found) == "No regular steps: nothing repeats along the height."
    assert stairs_json(found) == {"found": "none", "why": "nothing repeats along the height", "candidates": []}
