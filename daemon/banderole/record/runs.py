"""Past runs, read out of the journals of this machine. Read only: a run that is going is not disturbed by it."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from banderole.places import checked_name, state_folders
from banderole.record.journal_file import FILE, NewerJournal, held_sound
from banderole.record.schema import HEATERS

BUSY_S: Final = 2.0
MOST_NAMED: Final = 5
"""Runs that are listed where a beginning fits several."""
_UNENDED: Final = (
    "SELECT id, prior FROM runs WHERE what = 'run' AND ended IS NULL"
    " AND coalesce(state, '') NOT IN ('Idle', 'Complete', 'Stopped') ORDER BY n DESC LIMIT 1"
)
"""While Idle nothing but a greeting has been sent, maybe to another device: there is nothing to make safe. Complete and
Stopped are reached with heat proven off only."""
_COLUMNS: Final = "n, id, printer, file, title, began, ended, state, exit, reason, prior, progress"


Told = Callable[[str], None]


class NoSuchRun(Exception):
    """A run that no journal knows, or a beginning that several have: one line."""


class JournalUnreadable(Exception):
    """A journal that is there and cannot be read: one line."""


@dataclass(frozen=True, slots=True)
class Past:
    """A run as its journal has it. Times are UTC, ISO 8601; `ended` is None where no end is known."""

    journal: Path
    number: int
    run: str
    printer: str
    file: str | None
    title: str | None
    began: str
    ended: str | None
    state: str | None
    exit: int | None
    reason: str | None
    prior: dict[str, float]
    progress: dict[str, Any]
    bands: list[dict[str, Any]] = field(default_factory=list)

    @property
    def bands_done(self) -> int:
        """Bands that were laid down whole; the last one counts where the run is complete."""
        whole = ("done", "at work") if self.state == "Complete" else ("done",)
        return sum(band.get("state") in whole for band in self.bands)


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of a run's diary; `seq` is None for what was never published."""

    seq: int | None
    at: str
    kind: str
    fields: dict[str, Any]


def journals(name: str | None) -> list[Path]:
    """The journals of this machine, of one printer or of all. Raises PlaceError for what can be no name."""
    pattern = "*" if name is None else checked_name(name)
    return sorted({path for base in state_folders() for path in base.glob(f"{pattern}/{FILE}")})


def all_runs(name: str | None = None, told: Told | None = None) -> list[Past]:
    """Every run, the oldest first. Raises JournalUnreadable; with `told`, that is told and the other journals are read."""
    found: list[Past] = []
    for path in journals(name):
        try:
            found += _runs_in(path)
        except JournalUnreadable as why:
            if told is None:
                raise
            told(str(why))
    if len({run.journal for run in found}) == 1:
        return found  # in the order in which they were begun, whatever the clock has done meanwhile
    return sorted(found, key=lambda run: (run.began, run.run))


def find(wanted: str, name: str | None = None, told: Told | None = None) -> Past:
    """The run of that id, or of that unique beginning, or the `last` one. Raises NoSuchRun, JournalUnreadable."""
    known = all_runs(name, told)
    of = f" of {name}" if name else ""
    if not known:
        raise NoSuchRun(f"no journal here knows a run{of}: after the first one there is something to report")
    if wanted == "last":
        return known[-1]
    fits = [run for run in known if run.run.startswith(wanted)] if wanted else []
    if not fits:
        raise NoSuchRun(f"no run{of} begins with {wanted!r}: `banderole runs` lists them")
    if len(fits) > 1 and not any(run.run == wanted for run in fits):
        few = ", ".join(run.run for run in fits[-MOST_NAMED:])
        raise NoSuchRun(f"{len(fits)} runs begin with {wanted!r}: say more of it ({few})")
    return next((run for run in fits if run.run == wanted), fits[0])


def diary(run: Past) -> list[Entry]:
    """All that the journal holds of a run, in order. Raises JournalUnreadable."""
    query = "SELECT seq, at, kind, fields FROM entries WHERE run = ? ORDER BY n"
    return [Entry(seq, at, kind, _object(fields)) for seq, at, kind, fields in _ask(run.journal, query, run.number)]


def readings(run: Past) -> list[dict[str, Any]]:
    """Its readings, some seconds to a piece, in columns: {"at", "seconds": […], "measured": {"nozzle": […]}, …}."""
    query = "SELECT at, data FROM readings WHERE run = ? ORDER BY n"
    return [{"at": at, **_object(data)} for at, data in _ask(run.journal, query, run.number)]


def never_ended(folder: Path) -> dict[str, Any] | None:
    """{"run", "prior"} of the newest run in a printer's state folder that began and has no end; None where all ended.

    Never raises: a journal that cannot be read says nothing, and the marks beside it stand for themselves.
    """
    path = folder / FILE
    try:
        unended = _ask(path, _UNENDED) if path.exists() else []
        return {"run": unended[0][0], "prior": _object(unended[0][1])} if unended else None
    except (JournalUnreadable, OSError):
        return None


def heaters(folder: Path) -> dict[str, dict[str, float]]:
    """What the last run that found out anything of this printer's heaters left for the next, by heater; {} for nothing.

    Never raises: a run finds it out by itself too.
    """
    path = folder / FILE
    query = "SELECT fields FROM entries WHERE kind = ? ORDER BY n DESC LIMIT 1"
    try:
        rows = _ask(path, query, HEATERS) if path.exists() else []
        found = _object(rows[0][0]) if rows else {}
    except (JournalUnreadable, OSError):
        return {}
    return {heater: one for heater, one in found.items() if _sound(one)}


def _sound(one: Any) -> bool:
    figures = [one.get("gain"), one.get("tau"), *one.values()] if isinstance(one, dict) else [None]
    return all(isinstance(figure, int | float) and 0 < figure < 1e6 for figure in figures)


def _runs_in(path: Path) -> list[Past]:
    bands: dict[int, list[dict[str, Any]]] = {}
    for number, facts in _ask(path, "SELECT run, facts FROM bands ORDER BY run, band"):
        bands.setdefault(number, []).append(_object(facts))
    rows = _ask(path, f"SELECT {_COLUMNS} FROM runs WHERE what = 'run' ORDER BY n")
    return [
        Past(path, n, run, printer, file, title, began, ended, state, code, reason, _object(prior), _object(progress),
             bands.get(n, []))
        for n, run, printer, file, title, began, ended, state, code, reason, prior, progress in rows
    ]  # fmt: skip


def _ask(path: Path, query: str, *values: Any) -> list[tuple[Any, ...]]:
    """Raises JournalUnreadable. A journal nobody writes to, in a folder closed to us, is read as it lies there."""
    way = "mode=ro" if Path(f"{path}-wal").exists() or _writable(path.parent) else "immutable=1"
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?{way}", uri=True, timeout=BUSY_S)
        try:
            if not connection.execute("SELECT 1 FROM sqlite_master").fetchall():
                return []  # somebody is just making it, or was killed over it
            held_sound(connection)
            return connection.execute(query, values).fetchall()
        finally:
            connection.close()
    except NewerJournal as why:
        raise JournalUnreadable(f"{path}: {why}") from why
    except sqlite3.Error as why:
        # A rollback journal is there only until the file has become one with a write-ahead log: killed before its first row.
        if getattr(why, "sqlite_errorcode", None) == sqlite3.SQLITE_READONLY_ROLLBACK:
            return []
        raise JournalUnreadable(
            f"{path}: the journal cannot be read ({why}): the next run sets it aside if it is corrupt"
        ) from why


def _writable(folder: Path) -> bool:
    return os.access(folder, os.W_OK)


def _object(text: str | None) -> dict[str, Any]:
    """A JSON object; {} for none. Raises JournalUnreadable for what we never wrote."""
    try:
        found = json.loads(text) if text else {}
    except ValueError as why:
        raise JournalUnreadable(f"the journal holds what is no JSON ({why})") from why
    if not isinstance(found, dict):
        raise JournalUnreadable(f"the journal holds {str(found)[:40]!r} where facts were due")
    return found
