"""The tables of a journal, the statements that fill them, and a file's own word for being one.

A run has one row in `runs`, updated as it goes; `entries` is its diary, each event as it was published and what is kept
for the record only (a change of state); `bands` holds what each band has got so far; `readings` holds seconds of
readings to a row. Facts that a program reads whole are JSON: no query ever asks for a part of them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

APPLICATION_ID: Final = 0x42414E44
""""BAND" in ASCII, in the file's header (SQLite, `PRAGMA application_id`): another program's database is not ours."""
VERSION: Final = 1
"""`PRAGMA user_version`. A journal of a later one is left alone, and nothing is written to it."""
PAGE_BYTES: Final = 1024
"""A commit writes whole pages, and most commits hold one short row: SQLite's usual 4096 would be four times the wear."""

TABLES: Final = """
CREATE TABLE runs (
    n INTEGER PRIMARY KEY, id TEXT UNIQUE NOT NULL, what TEXT NOT NULL, printer TEXT NOT NULL, file TEXT, title TEXT,
    began TEXT NOT NULL, ended TEXT, state TEXT, exit INTEGER, reason TEXT, prior TEXT, progress TEXT
);
CREATE TABLE entries (
    n INTEGER PRIMARY KEY, run INTEGER NOT NULL, seq INTEGER, at TEXT NOT NULL, kind TEXT NOT NULL, fields TEXT NOT NULL
);
CREATE INDEX entries_of_run ON entries(run);
CREATE TABLE bands (run INTEGER, band INTEGER, facts TEXT NOT NULL, PRIMARY KEY (run, band)) WITHOUT ROWID;
CREATE TABLE readings (n INTEGER PRIMARY KEY, run INTEGER NOT NULL, at TEXT NOT NULL, data TEXT NOT NULL);
CREATE INDEX readings_of_run ON readings(run);
"""

HEATERS: Final = "heaters"
"""Kind of the entry that keeps what a run found of the heaters."""
_RUN: Final = "(SELECT n FROM runs WHERE id = ?)"
BEGIN: Final = "INSERT OR IGNORE INTO runs (id, what, printer, file, title, began) VALUES (?, ?, ?, ?, ?, ?)"
"""A run that is made safe at the next start goes on under the row it has: the first words stand."""
ENTRY: Final = f"INSERT INTO entries (run, seq, at, kind, fields) VALUES ({_RUN}, ?, ?, ?, ?)"
STATE: Final = "UPDATE runs SET state = ? WHERE id = ?"
PRIOR: Final = "UPDATE runs SET prior = ? WHERE id = ?"
PROGRESS: Final = "UPDATE runs SET progress = ? WHERE id = ?"
BAND: Final = f"INSERT OR REPLACE INTO bands (run, band, facts) VALUES ({_RUN}, ?, ?)"
READINGS: Final = f"INSERT INTO readings (run, at, data) VALUES ({_RUN}, ?, ?)"
END: Final = "UPDATE runs SET ended = ?, state = ?, exit = ?, reason = ? WHERE id = ? AND what = ? AND ended IS NULL"
"""Not by what only makes the printer safe after it: that is no end of its own."""
UNENDED: Final = (
    "UPDATE runs SET ended = ?, state = 'Aborted', reason = ?"
    " WHERE what = 'run' AND ended IS NULL AND coalesce(state, '') NOT IN ('Complete', 'Stopped')"
)
UNBEGUN: Final = (
    "UPDATE runs SET ended = began, state = 'Aborted', reason = ?"
    " WHERE what = 'run' AND ended IS NULL AND state = 'Idle'"
)
CUT_AT_THE_END: Final = (
    "UPDATE runs SET ended = ?, reason = ? WHERE what = 'run' AND ended IS NULL AND state IN ('Complete', 'Stopped')"
)
"""In these heat was proven off: what was cut off is the word of it."""
FORGET: Final = (
    "DELETE FROM readings WHERE run <= (SELECT n FROM runs WHERE what = 'run' ORDER BY n DESC LIMIT 1 OFFSET ?)"
)
"""The readings of all but the newest runs; the runs, their bands and their diaries stay."""


@dataclass(frozen=True, slots=True)
class Row:
    """One statement with its values. `at_once`: it is on the disk before anything later is waited for."""

    statement: str
    values: tuple[Any, ...]
    at_once: bool = False
    kind: str = ""
    """What is counted where the journal has to leave it out; rows without one are never left out to save room."""

    @property
    def size(self) -> int:
        """Bytes of its values, nearly."""
        return sum(len(value) if isinstance(value, str) else 8 for value in self.values)


def dumped(value: Any) -> str:
    """Compact JSON; what is no number (a broken sensor's nan) is null, as RFC 8259 §6 has no such thing."""
    try:
        return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    except ValueError:
        return dumped(json.loads(json.dumps(value), parse_constant=lambda _: None))


def utc() -> str:
    """Now, as events say it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
