"""Journals for tests: invented runs written through the same outlet as real ones, and what is on the disk afterwards."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

from banderole.record.journal import Journal
from banderole.record.journal_file import FILE
from banderole.record.recorder import Facts, Recorder

AT = "2026-11-25T08:15:{:06.3f}Z"
BANDS = 3


def band(number: int, state: str = "ahead", mean: float | None = None) -> dict[str, Any]:
    """A band as `Account.as_bands` gives it."""
    got = None if mean is None else {"mean": mean, "least": mean - 0.4, "most": mean + 0.3}
    return {
        "band": number, "from_mm": 1.5 * (number - 1), "to_mm": 1.5 * number, "setpoints": {"nozzle": 220.0 - 5 * number},
        "state": state, "nozzle": got, "in_tolerance": None if mean is None else 1.0, "filament_mm": 22.4, "seconds": 11.5,
        "settle_s": 9.1, "predicted_s": None, "proof": {"nozzle": "reported"}, "cautions": [],
    }  # fmt: skip


class Told:
    """An invented run on a `Recorder`; each method is something that a runner tells its outlets."""

    def __init__(self, journal: Journal, run: str, *, printer: str = "bench-a", what: str = "run",
                 clock: Callable[[], float] | None = None) -> None:  # fmt: skip
        self.run, self.seq, self.seconds = run, 0, 0.0
        self.bands = [band(number + 1) for number in range(BANDS)]
        facts = Facts(run, what, printer, *(("tower.gcode", "Invented PLA") if what == "run" else ()))
        more = {} if clock is None else {"clock": clock}
        self.recorder = Recorder(journal, facts, self.status, lambda: self.bands, **more)

    def status(self) -> dict[str, Any]:
        return {"phase": "printing", "band": 1, "bands": BANDS, "height": 0.9, "fraction": 0.2, "remaining_s": 300.0}

    def event(self, kind: str, **fields: Any) -> None:
        self.seq += 1
        self.seconds += 0.001
        self.recorder.event({"seq": self.seq, "at": AT.format(self.seconds), "run": self.run, "kind": kind, **fields})

    def start(self, **prior: float) -> None:
        self.recorder.state("Idle")
        self.event("run_started", identity={}, prior=prior, file="tower.gcode")
        self.recorder.state("Running")

    def end(self, state: str = "Complete", code: int = 0) -> None:
        self.recorder.state(state)
        self.event(
            "run_ended", state=state, exit=code, reason="the whole file was carried out", first_out=None,
            heat_proven_off=True, blocks_sha256={"file": "ab" * 32, "acknowledged": "ab" * 32}, blocks=127,
            inserted={"drain": 14}, resends=0, bands=self.bands,
        )  # fmt: skip


def reading(nozzle: float = 214.9) -> dict[str, Any]:
    return {
        "at": AT.format(1.0), "measured": {"nozzle": nozzle, "bed": 60.02}, "setpoint": {"nozzle": 215.0, "bed": 60.0},
        "power": {"nozzle": 0.48818897, "bed": 0.2},
    }  # fmt: skip


def rows(folder: Path, query: str, *values: Any) -> list[tuple[Any, ...]]:
    """What is on the disk, asked through a connection of its own."""
    connection = sqlite3.connect(folder / FILE)
    try:
        return connection.execute(query, values).fetchall()
    finally:
        connection.close()


def sound(folder: Path) -> bool:
    """Does SQLite itself find nothing wrong in all of the file?"""
    return rows(folder, "PRAGMA integrity_check") == [("ok",)]
