"""Small plays for the stage: a tower and a schedule as files, surveyed, on a stage that keeps what it hears."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from banderole.cli.run_command import prepare
from banderole.plan.config import Printer
from banderole.rehearsal import Stage, board_for, some_printer
from banderole.rehearsal.stage import BEGINS, REST_S
from banderole.run.runner import Job

from tests.support.judge import Log, Verdict
from tests.support.towers import NOZZLE, How, commands, schedule, tower

SETTLE = {"tolerance": 1.5, "dwell_s": 8, "patience_s": 240}


@dataclass
class Act:
    """One stage with one tower. `events` and `readings` are what was told, `rows` what the printer did, `wire` what was written.

    Moments of events are counted from the stage's zero, in s, by `moment`; those of `rows` and `wire` are as they are.
    """

    folder: Path
    stage: Stage
    job: Job
    manners: Any
    events: list[dict[str, Any]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    readings: list[dict[str, Any]] = field(default_factory=list)
    wire: list[tuple[float, bytes]] = field(default_factory=list)

    @property
    def log(self) -> Log:
        return Log(tuple(self.rows))

    def kinds(self) -> list[str]:
        return [event["kind"] for event in self.events]

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["kind"] == kind]

    def verdict(self, whole: bool = True) -> Verdict:
        """Against a printer that is given the file alone, and without its faults."""
        sound = replace(self.manners, faults=())
        return Verdict(self.log, commands((self.folder / "tower.gcode").read_bytes()), sound, whole)

    def written(self, text: bytes, since: float = 0.0) -> list[float]:
        """When this was written to the port, from a moment on."""
        return [at for at, data in self.wire if at >= since and text in data]

    def befell(self, name: str) -> float:
        """When this fault came, by the printer's own log."""
        return float(
            next(row["at"] for row in self.rows if row.get("kind") == "fault" and row["detail"].split()[0] == name)
        )


def moment(said: dict[str, Any]) -> float:
    """s from the stage's zero, of an event or a reading."""
    return (datetime.fromisoformat(said["at"]) - BEGINS).total_seconds()


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
    printer: Printer | None = None,
    text: str | None = None,
    data: bytes | None = None,
    plan: str | None = None,
    **settle: object,
) -> Iterator[Act]:
    """`text` or `data`, `plan`: another file, another schedule, as they stand."""
    file, wanted = write(folder, how, more, **settle)
    if text is not None:
        file.write_text(text)
    if data is not None:
        file.write_bytes(data)
    if plan is not None:
        wanted.write_text(plan)
    printer = printer or some_printer()
    job, _ = prepare(file, wanted, printer)
    manners = board_for(printer, faults, ("fan_synced=true", "cold_below=0", *settings))
    rows: list[dict[str, Any]] = []
    stage = Stage(printer, manners, seed=seed, on_record=rows.append, rest_s=rest_s)
    made = Act(folder, stage, job, manners, rows=rows)
    stage.event.append(made.events.append)
    stage.thermal.append(made.readings.append)
    written = stage.port.write

    def write_on(data: bytes) -> None:
        made.wire.append((stage.now, data))
        written(data)

    stage.port.write = write_on  # type: ignore[method-assign]
    with job.file:
        try:
            yield made
        finally:
            stage.close()
