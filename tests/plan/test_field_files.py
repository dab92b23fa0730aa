"""Files as they come in the field, one feature each (tests/files): two interpreters, values worked by hand, and whole runs.

Each file says at its top what it is for, and where the nozzle is behind some of its lines, worked out by hand: mm from home,
and all filament moved so far.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from banderole.cli.run_command import prepared
from banderole.plan.blocks import blocks_of
from banderole.plan.schedule import load_schedule
from banderole.plan.survey import survey_file
from banderole.rehearsal import Stage, StandIn, board_for, some_printer
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


@pytest.mark.parametrize("path", [one for one in FILES if one.stem != COMMAND_NOT_FIRST], ids=name_of)
def test_what_the_survey_promises_is_what_the_run_does(path: Path, tmp_path: Path) -> None:
    """Every crossing at the same block, and of the file what it is, nothing else, in its order."""
    (tmp_path / "schedule.toml").write_text(SCHEDULE)
    printer = some_printer()
    job = prepared(path.open("rb"), str(path), load_schedule(tmp_path / "schedule.toml", printer), printer)
    events: list[dict[str, object]] = []
    records: list[dict[str, object]] = []
    stage = Stage(printer, board_for(printer, (), ("cold_below=0",)), on_record=records.append)
    StandIn(stage)
    stage.event.append(events.append)
    with job.file:
        ended = stage.run(job)
        stage.close()
    assert ended is not None
    assert (ended.state, ended.exit) == ("Complete", 0), ended.reason
    crossed = [(e["band"], e["line"], e["block"], e["z"]) for e in events if e["kind"] == "crossing_ended"]
    rows = [(row.band, row.line, row.block, round(row.z, 4)) for row in job.survey.rows]
    assert crossed[: len(rows)] == rows
    assert len(crossed) == sum(row.entered for row in job.survey.rows)
    executed = iter([str(row["text"]).encode("latin-1") for row in records if row["row"] == "command"])
    for number, block in blocks_of(io.BytesIO(path.read_bytes()), path.name):
        assert any(text == block for text in executed), (number, block)
    digests = events[-1]["blocks_sha256"]
    assert digests == {"file": job.survey.digest, "acknowledged": job.survey.digest}
