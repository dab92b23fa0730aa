"""Files as they come in the field, one feature each (tests/files): two interpreters, values worked by hand, and whole runs.

Each file says at its top what it is for, and where the nozzle is behind some of its lines, worked out by hand: mm from home,
and all filament moved so far.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from banderole.cli.run_command import prepared
from banderole.plan.blocks import blocks_of
from banderole.plan.schedule import load_schedule
from banderole.plan.survey import survey_file
from banderole.rehearsal import Stage, StandIn, board_for, some_printer
from banderole.run.runner import Job
from banderole_protocol.modal import DEPOSIT, EMode, Modal

from tests.support.reference_interpreter import Machine, lines_of

FILES = sorted((Path(__file__).parents[1] / "files").glob("*.gcode"))
BY_HAND = re.compile(rb"; by hand: line (\d+): X(\S+) Y(\S+) Z(\S+) E(\S+)")
MILLIONTH = 1e-6
FAMILIES: tuple[EMode, EMode] = ("joined", "apart")
SCHEDULE = """[[band]]
from_mm = 0
to_mm = 0.6
nozzle = 215
[[band]]
from_mm = 0.6
to_mm = 1.2
nozzle = 211
[[band]]
from_mm = 1.2
nozzle = 207
[settle]
dwell_s = 2
"""


COMMAND_NOT_FIRST = "any_order"
"""What NIST reads in any order and the emulated board, as much firmware, does not: told, and not for a run."""


def name_of(path: Path) -> str:
    return path.stem


def test_there_are_enough_of_them() -> None:
    assert len(FILES) >= 25


@pytest.mark.parametrize("e_mode", FAMILIES)
@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_place_and_filament_after_every_block_are_the_second_interpreters(path: Path, e_mode: EMode) -> None:
    data = path.read_bytes()
    lines = lines_of(data)
    modal, reference, read = Modal(e_mode), Machine(joined=e_mode == "joined"), 0
    for number, block in blocks_of(io.BytesIO(data), path.name):
        while read < number - 1:
            read += 1
            reference.run(lines[read - 1])  # lines without a block do nothing
        kind = modal.apply(block)
        done, read = reference.run(lines[read]), read + 1
        here = [modal.x, modal.y, modal.z, modal.e]
        assert here == pytest.approx([float(reference.at[axis]) for axis in "XYZE"], abs=MILLIONTH), (number, block)
        assert (kind == DEPOSIT) == done.deposit, (number, block)
        assert modal.net == pytest.approx(float(done.net), abs=MILLIONTH), (number, block)


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_values_worked_by_hand(path: Path) -> None:
    data = path.read_bytes()
    wanted = {int(line): [float(v) for v in values] for line, *values in BY_HAND.findall(data)}
    assert wanted
    modal, found = Modal("joined"), {}
    for number, block in blocks_of(io.BytesIO(data), path.name):
        modal.apply(block)
        found[number] = [modal.x, modal.y, modal.z, modal.e]
    for line, values in wanted.items():
        assert found[line] == pytest.approx(values, abs=1e-4), line


def test_words_before_the_command_are_told() -> None:
    path = Path(__file__).parents[1] / "files" / f"{COMMAND_NOT_FIRST}.gcode"
    told = [one.what for one in survey_file(path, None, some_printer()).cautions if one.kind == "unclear"]
    assert any("first" in what for what in told), told


class Whole(NamedTuple):
    """A run to its end: its job, what was told, and what the printer did."""

    job: Job
    events: list[dict[str, Any]]
    records: list[dict[str, Any]]


def whole_run(path: Path, folder: Path) -> Whole:
    (folder / "schedule.toml").write_text(SCHEDULE)
    printer = some_printer()
    job = prepared(path.open("rb"), str(path), load_schedule(folder / "schedule.toml", printer), printer)
    done = Whole(job, [], [])
    stage = Stage(printer, board_for(printer, (), ("cold_below=0",)), on_record=done.records.append)
    StandIn(stage)
    stage.event.append(done.events.append)
    with job.file:
        ended = stage.run(job)
        stage.close()
    assert ended is not None
    assert (ended.state, ended.exit) == ("Complete", 0), ended.reason
    return done


@pytest.mark.parametrize("path", [one for one in FILES if one.stem != COMMAND_NOT_FIRST], ids=name_of)
def test_what_the_survey_promises_is_what_the_run_does(path: Path, tmp_path: Path) -> None:
    """Every crossing at the same block, and of the file what it is, nothing else, in its order."""
    job, events, records = whole_run(path, tmp_path)
    crossed = [(e["band"], e["line"], e["block"], e["z"]) for e in events if e["kind"] == "crossing_ended"]
    rows = [(row.band, row.line, row.block, round(row.z, 4)) for row in job.survey.rows]
    assert crossed[: len(rows)] == rows
    assert len(crossed) == sum(row.entered for row in job.survey.rows)
    executed = iter([str(row["text"]).encode("latin-1") for row in records if row["row"] == "command"])
    for number, block in blocks_of(io.BytesIO(path.read_bytes()), path.name):
        assert any(text == block for text in executed), (number, block)
    digests = events[-1]["blocks_sha256"]
    assert digests == {"file": job.survey.digest, "acknowledged": job.survey.digest}


def test_of_parts_in_turn_each_has_its_crossings_in_the_same_places(tmp_path: Path) -> None:
    """A survey keeps where a band is entered first. The second part is the first again, 57 lines on: six layers of nine
    lines and the three that lead to it."""
    path = Path(__file__).parents[1] / "files" / "parts_in_turn.gcode"
    crossed = [
        (e["band"], e["line"], e["z"]) for e in whole_run(path, tmp_path).events if e["kind"] == "crossing_ended"
    ]
    assert [(band, z) for band, _, z in crossed] == [(1, 0.3), (2, 0.9), (3, 1.5), (1, 0.3), (2, 0.9), (3, 1.5)]
    lines = [line for _, line, _ in crossed]
    assert [later - first for first, later in zip(lines[1:3], lines[4:], strict=True)] == [57, 57]
