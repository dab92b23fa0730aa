"""Small plays for the stage: a tower and a schedule as files, surveyed, on a stage that keeps what it hears."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from banderole.cli.run_command import prepare
from banderole.rehearsal import Stage, board_for, some_printer
from banderole.rehearsal.stage import REST_S
from banderole.run.runner import Job

from tests.support.judge import Log, Verdict
from tests.support.towers import NOZZLE, How, commands, schedule, tower

SETTLE = {"tolerance": 1.5, "dwell_s": 8, "patience_s": 240}


@dataclass
class Act:
    """One stage with one tower; `events` and `rows` are what was told, and what the printer did."""

    folder: Path
    stage: Stage
    job: Job
    manners: Any
    events: list[dict[str, Any]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)

    def kinds(self) -> list[str]:
        return [event["kind"] for event in self.events]

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["kind"] == kind]

    def verdict(self, whole: bool = True) -> Verdict:
        return Verdict(Log(tuple(self.rows)), commands((self.folder / "tower.gcode").read_bytes()), self.manners, whole)


def write(folder: Path, how: How | None = None, more: str = "", **settle: object) -> tuple[Path, Path]:
    """Tower and schedule as files. `more`: tables at the schedule's end."""
    file, wanted = folder / "tower.gcode", folder / "schedule.toml"
    file.write_text(tower(how))
    wanted.write_text(schedule(NOZZLE, **{**SETTLE, **settle}) + more)
    return file, wanted


@contextmanager
def act(
    folder: Path,
    *faults: str,
    how: How | None = None,
    more: str = "",
    settings: tuple[str, ...] = (),
    seed: int = 1,
    rest_s: float = REST_S,
    **settle: object,
) -> Iterator[Act]:
    file, wanted = write(folder, how, more, **settle)
    printer = some_printer()
    job, _ = prepare(file, wanted, printer)
    manners = board_for(printer, faults, ("fan_synced=true", "cold_below=0", *settings))
    rows: list[dict[str, Any]] = []
    stage = Stage(printer, manners, seed=seed, on_record=rows.append, rest_s=rest_s)
    made = Act(folder, stage, job, manners, rows=rows)
    stage.event.append(made.events.append)
    with job.file:
        try:
            yield made
        finally:
            stage.close()
