"""The journal of one printer: SQLite in its state folder, written by a thread of its own.

`put` returns at once whatever the disk does, so no run ever waits for it. Rows go through a bounded queue; what is `at_once`
is committed and synced as soon as the thread gets to it, the rest within `BATCH_S`. A disk that is full, read-only or
slow costs rows, never time: it is told once, tried again, and what had to be left out is counted in the journal itself.
A corrupt journal is set aside and a new one begun: never trusted, never fatal.
"""

from __future__ import annotations

import logging
import queue
import sqlite3
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from banderole.record.budget import Budget
from banderole.record.journal_file import FILE, NewerJournal, is_corrupt, open_journal, set_aside
from banderole.record.schema import BEGIN, ENTRY, PAGE_BYTES, Row, dumped, utc

log = logging.getLogger("banderole.journal")

BATCH_S: Final = 10.0
"""What is not `at_once` may be lost for so long by a power cut: readings and progress."""
RETRY_S: Final = 10.0
"""Between two tries on a disk that refuses."""
SLOW_S: Final = 5.0
"""For one commit. A worn memory card takes a second or two now and then; more is worth a word."""
OPEN_S: Final = 30.0
"""Likewise for the first one, which looks the whole file through."""
MOST_QUEUED: Final = 4000
"""Rows on their way to the thread: at ten events a second, which is much, a stall of over six minutes."""
MOST_WAITING: Final = 2000
"""Rows that wait for a disk that refuses; beyond, what may be left out is. Twice as many, and everything is."""
MOST_BEGUN: Final = 8
"""Runs whose first row is kept at hand for a journal that is begun anew: those of a daemon that entries may still come of."""
CLOSE_S: Final = 25.0
"""At the end, for a disk that stalls for 20 s. Heat is off by then."""
FRAME_BYTES: Final = PAGE_BYTES + 24
"""A page in the log, with its header (SQLite, "WAL-mode file format")."""
WRITTEN_TIMES: Final = 2.2
"""A byte is written to the log, and once more when that is worked into the file; a fifth is SQLite's own bookkeeping."""

Told = Callable[[str], None]


@dataclass(slots=True)
class _Asked:
    """Somebody waits until all before it is on the disk."""

    done: threading.Event = field(default_factory=threading.Event)
    kept: bool = False
    closing: bool = False


class Journal:
    """`told` is called from the writer's thread, once for each ailment, with a sentence for a person."""

    def __init__(self, folder: Path, told: Told | None = None, budget: Budget | None = None) -> None:
        self.path = folder / FILE
        self.left_out: Counter[str] = Counter()
        self._told = told
        self._said: set[str] = set()
        self._budget = budget or Budget(time.monotonic())
        self._queue: queue.Queue[tuple[Row, ...] | _Asked] = queue.Queue(MOST_QUEUED)
        self._overflow = 0  # counted by the caller's thread alone
        self._overflow_seen = 0
        self._rows: list[Row] = []
        self._begun: deque[Row] = deque(maxlen=MOST_BEGUN)
        self._asked: list[_Asked] = []
        self._connection: sqlite3.Connection | None = None
        self._not_before = 0.0
        self._last_run = ""
        self._usable = True
        self._lost = False
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
        self._thread.start()

    # ---- the caller's side: nothing here waits, but for those who ask to

    def put(self, *rows: Row) -> None:
        """Rows for the journal, in order. Returns at once; what finds the queue full is left out, and counted."""
        try:
            self._queue.put_nowait(rows)
        except queue.Full:
            self._overflow += len(rows)

    def flush(self, seconds: float = CLOSE_S) -> bool:
        """Waits until all that was put before is on the disk; False where that is not so after `seconds`."""
        return self._ask(_Asked(), seconds)

    def close(self, seconds: float = CLOSE_S) -> bool:
        """As `flush`, and then the file is closed. A disk that does not answer is left to itself. May be repeated."""
        if self._closed:
            return True
        self._closed = True
        kept = self._ask(_Asked(closing=True), seconds)
        self._thread.join(0.5 if kept else 0.0)
        return kept

    def _ask(self, asked: _Asked, seconds: float) -> bool:
        until = time.monotonic() + seconds
        try:
            self._queue.put(asked, timeout=seconds)
        except queue.Full:
            return False
        return asked.done.wait(max(0.0, until - time.monotonic())) and asked.kept

    # ---- the writer's thread

    def _work(self) -> None:
        closing = False
        while not closing:
            try:
                self._gather()
                self._commit()
            except Exception:  # of our own making; without the thread nothing would be kept at all
                log.exception("the journal's writer has a fault")
                self._rows.clear()
                self._lost = True
                self._let_go()
                self._tell("fault", "has a fault of its own; some of the record is lost")
            closing = self._answer()
        self._let_go()

    def _gather(self) -> None:
        """Waits for what is to be committed now: something at once, somebody who asks, or a batch that is due."""
        until = time.monotonic() + BATCH_S
        urgent = False
        while not urgent:
            now = time.monotonic()
            if now >= until:
                return
            if self._rows and any(row.at_once for row in self._rows):
                until = min(until, max(now, self._not_before))
            try:
                urgent = self._take(self._queue.get(timeout=max(0.0, until - now)))
            except queue.Empty:
                return
        with suppress(queue.Empty):  # what has come meanwhile goes into the same commit
            while True:
                self._take(self._queue.get_nowait())

    def _take(self, item: tuple[Row, ...] | _Asked) -> bool:
        """Keep it; must it be acted on now?"""
        if isinstance(item, _Asked):
            self._asked.append(item)
            return True
        kept = [self._keep(row) for row in item]
        return any(kept) and time.monotonic() >= self._not_before

    def _keep(self, row: Row) -> bool:
        """Is it kept, and wants to be written at once?"""
        waiting = len(self._rows)
        room = waiting < MOST_WAITING and self._budget.allows(_cost([row]), time.monotonic())
        if (row.kind and not room) or waiting >= 2 * MOST_WAITING:
            self.left_out[row.kind or "essential"] += 1
            return False
        if row.statement == BEGIN:
            self._begun.append(row)
        self._rows.append(row)
        return row.at_once

    def _commit(self) -> None:
        if not self._rows and not self._overflowed() and not self.left_out:
            return
        began, most = time.monotonic(), OPEN_S if self._connection is None else SLOW_S
        try:
            self._write()
        except (sqlite3.Error, OSError) as why:
            self._refused(why)
        except NewerJournal as why:
            self._unusable(str(why))
        else:
            self._not_before = 0.0
        if (taken := time.monotonic() - began) > most:
            self._tell("slow", f"took {taken:.0f} s for one entry: the disk is slow, or failing")

    def _write(self) -> None:
        """One transaction with all that waits. Raises sqlite3.Error, OSError, NewerJournal; then all of it still waits."""
        again: list[Row] = []
        if self._connection is None:
            self._connection = open_journal(self.path)
            self._usable = True
            again = [row for row in self._begun if not any(row is one for one in self._rows)]  # it may be another file
        connection = self._connection
        left_out = self._left_out_row()
        rows = [*self._rows, *([left_out] if left_out else [])]
        if not rows:
            return
        connection.execute("BEGIN IMMEDIATE")
        for row in (*again, *rows):
            self._execute(connection, row)
        connection.execute("COMMIT")
        self._budget.spend(_cost(rows), time.monotonic())
        self._last_run = next((str(row.values[0]) for row in reversed(rows) if row.statement == ENTRY), self._last_run)
        self._rows.clear()
        if left_out:
            self.left_out.clear()

    def _execute(self, connection: sqlite3.Connection, row: Row) -> None:
        try:
            connection.execute(row.statement, row.values)
        except sqlite3.Error as why:
            if not _of_the_row(why):
                raise
            log.info("journal, left out: %s", why)
            self.left_out[row.kind or "essential"] += 1

    def _left_out_row(self) -> Row | None:
        """What was left out, as an entry of its own: once there is a run to write it under, and room for it."""
        self._overflowed()
        if not self.left_out or not self._budget.allows(FRAME_BYTES, time.monotonic()):
            return None
        run = next((str(row.values[0]) for row in reversed(self._rows) if row.statement == ENTRY), self._last_run)
        return Row(ENTRY, (run, None, utc(), "left_out", dumped(dict(self.left_out)))) if run else None

    def _overflowed(self) -> bool:
        """Takes over what the caller's side has counted."""
        fresh = self._overflow - self._overflow_seen
        self._overflow_seen += fresh
        if fresh:
            self.left_out["queue"] += fresh
        return fresh > 0

    # ---- what goes wrong

    def _refused(self, why: sqlite3.Error | OSError) -> None:
        log.info("journal: %s", why)
        self._let_go()
        if is_corrupt(why):
            self._start_anew(why)
        elif isinstance(why, sqlite3.OperationalError | OSError):
            self._not_before = time.monotonic() + RETRY_S
            self._tell("refused", f"cannot be written ({_reason(why)}): the run goes on, its record may be incomplete")
        else:
            raise why

    def _start_anew(self, why: Exception) -> None:
        """Once; a disk that spoils the new one too is tried again later."""
        try:
            aside = set_aside(self.path)
            self._tell("corrupt", f"was corrupt ({why}): set aside as {aside.name}, a new one is begun")
            self._write()
        except (sqlite3.Error, OSError) as again:
            log.info("journal, begun anew: %s", again)
            self._let_go()
            self._not_before = time.monotonic() + RETRY_S
            self._tell("refused", f"cannot be begun anew ({_reason(again)}): the run goes on without a record")

    def _unusable(self, why: str) -> None:
        self._usable = False
        self._tell("newer", f"cannot be used: {why}")
        self._rows.clear()
        self._not_before = time.monotonic() + RETRY_S

    def _tell(self, ailment: str, text: str) -> None:
        if ailment in self._said:
            return
        self._said.add(ailment)
        log.info("the journal %s %s", self.path, text)
        if self._told is not None:
            self._told(f"the journal {text}")  # without its path, which is nobody's business on a broker

    def _let_go(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(sqlite3.Error):  # what could not be written is told already
                connection.close()

    def _answer(self) -> bool:
        """Tells those who asked; is one of them closing the journal?"""
        asked, self._asked = self._asked, []
        if not asked:
            return False
        for one in asked:
            one.kept = self._usable and not self._rows and not self._lost
            one.done.set()
        self._lost = False
        return any(one.closing for one in asked)


def _of_the_row(why: sqlite3.Error) -> bool:
    """Of a run that was never begun here, with a value that no column takes, with a fault of ours: it costs the row alone."""
    ours = (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError)
    return isinstance(why, ours) or getattr(why, "sqlite_errorcode", None) == sqlite3.SQLITE_ERROR


def _reason(why: Exception) -> str:
    """In words, without the path that an OSError has with it."""
    return (why.strerror if isinstance(why, OSError) else None) or str(why)


def _cost(rows: list[Row]) -> float:
    """Bytes that a commit of these writes: a leaf and an index for each kind of row, a page that splits, the payload."""
    return FRAME_BYTES * (1 + 2 * len({row.statement for row in rows})) + WRITTEN_TIMES * sum(row.size for row in rows)
