"""A journal's file: opened, held to be sound, and set aside if it is not. Blocking; it belongs to the writer's thread."""

from __future__ import annotations

import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from banderole.record.schema import APPLICATION_ID, PAGE_BYTES, TABLES, VERSION

FILE: Final = "journal.sqlite"
BUSY_S: Final = 5.0
"""For another of our programs that writes to it, such as `make-safe`; readers never hold a writer up (WAL)."""
CHECKED_BYTES: Final = 256 << 20
"""A journal is looked through whole at its opening up to this size: some thousand hours of printing, and some ten seconds on
a memory card (20 MB/s, common practice, no source). In a larger one damage is found when it is met."""
WAL_BYTES: Final = 4 << 20
"""What SQLite may leave of its log after a checkpoint; it grows beyond 1 MB only while a reader holds an old picture."""


class NewerJournal(Exception):
    """Written by a later version of Banderole: nothing is written to it, nothing of it is lost."""


class Unsound(sqlite3.DatabaseError):
    """It is a database, but not as we leave one."""


def open_journal(path: Path) -> sqlite3.Connection:
    """The journal at `path`, made if it is not there. Raises sqlite3.Error, OSError, NewerJournal; `is_corrupt` tells which."""
    connection = sqlite3.connect(path, isolation_level=None, timeout=BUSY_S)
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")  # NORMAL loses rows at a power cut
        connection.execute(f"PRAGMA journal_size_limit = {WAL_BYTES}")
        if _value(connection, "SELECT count(*) FROM sqlite_master") == 0:
            _make(connection, path.parent)
        held_sound(connection)
        if path.stat().st_size <= CHECKED_BYTES:
            quick_check(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def held_sound(connection: sqlite3.Connection) -> None:
    """Raises Unsound for what is not ours, NewerJournal for what only a later version understands."""
    if _value(connection, "PRAGMA application_id") != APPLICATION_ID:
        raise Unsound("it is no journal of ours")
    if (version := _value(connection, "PRAGMA user_version")) > VERSION:
        raise NewerJournal(f"it is of version {version}, this program knows {VERSION}: use the newer one")


def quick_check(connection: sqlite3.Connection) -> None:
    """Looks the whole file through. Raises Unsound."""
    found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if found != "ok":
        raise Unsound(found.splitlines()[0][:200])


def is_corrupt(why: Exception) -> bool:
    """Is the file itself wrong, rather than the disk full, read-only or slow?"""
    if isinstance(why, Unsound):
        return True
    code = getattr(why, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def set_aside(path: Path) -> Path:
    """Takes a corrupt journal out of the way, with its logs: kept for a person, never read again. Raises OSError.

    A log that stayed behind would be worked into the new file.
    """
    fresh = path.with_name(f"{path.name}.corrupt-{datetime.now(UTC):%Y%m%dT%H%M%S%f}")
    path.replace(fresh)
    for part in ("-wal", "-shm", "-journal"):
        companion = Path(f"{path}{part}")
        if companion.exists():
            companion.replace(f"{fresh}{part}")
    return fresh


def _make(connection: sqlite3.Connection, folder: Path) -> None:
    """All or nothing: what is killed halfway is found empty, and made again."""
    connection.execute("BEGIN IMMEDIATE")
    for statement in filter(str.strip, TABLES.split(";")):
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.execute("COMMIT")
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)  # the name, too, must be on the disk
    finally:
        os.close(descriptor)


def _value(connection: sqlite3.Connection, query: str) -> int:
    return int(connection.execute(query).fetchone()[0])
