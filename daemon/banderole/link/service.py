"""The service manager's side of a daemon: it is ready, what it does, it is alive (sd_notify(3), sd_watchdog_enabled(3)).

Alive is more than a loop that turns. Each of the daemon's tasks comes round a loop of its own at least every `ROUND_S`, and
says so; the watchdog is fed only after each of them has done that since the last time. What they wait for does not count: a
silent printer, a blind time, a ladder that is not proven, a disk that stalls, a broker that is absent are waited for in
rounds. A task that hangs or has died, or a stuck event loop, leaves the watchdog hungry: the manager ends the daemon, and
what is started then makes the printer safe.

Not among them is the thread that writes the journal: it may hang on a dying disk for as long as that likes, and a record
is not worth a run.

Without a service manager (no NOTIFY_SOCKET) all of this does nothing.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Mapping
from contextlib import asynccontextmanager
from typing import Any, Final, TypeVar

log = logging.getLogger("banderole.service")
T = TypeVar("T")

ROUND_S: Final = 2.0
"""A task that waits for something comes round as often as this: a few wake-ups a minute, against a watchdog of tens of
seconds."""
LOOK_S: Final = 1.0
"""Between two looks at whether all have come round. The status line is no newer than that either."""
MOST_STATUS: Final = 200
"""Characters of the status line: what one line of `systemctl status` shows."""
SLOW_SHARE: Final = 0.5
"""Of the watchdog's time without a feed, after which the log says who has not come round: the other half is left to read
it in, and a disk that stalls for 20 s is not worth a word."""

Beat = Callable[[], None]
"""Called by a task each time it comes round its own loop. Returns at once."""


def unheard() -> None:
    """The beat of a task that nobody watches."""


class Rounds:
    """Which tasks have come round since the last time all had. Pure: no clock, no I/O."""

    def __init__(self) -> None:
        self._expected: set[str] = set()
        self._missing: set[str] = set()

    def expect(self, task: str) -> Beat:
        """From now on this task has to come round. What it calls when it does."""
        self._expected.add(task)
        self._missing.add(task)
        return lambda: self._missing.discard(task)

    def retire(self, task: str) -> None:
        """It has ended, as it should: nobody waits for it any more."""
        self._expected.discard(task)
        self._missing.discard(task)

    @property
    def missing(self) -> list[str]:
        """Who has not come round yet."""
        return sorted(self._missing)

    def complete(self) -> bool:
        """Has each come round? If so, the next round begins. Nobody to expect is nobody alive."""
        if self._missing or not self._expected:
            return False
        self._missing = set(self._expected)
        return True


async def attended(waited: Awaitable[T], beat: Beat) -> T:
    """Wait for it in rounds: a task that waits for a thread which waits for a disk is not stuck."""
    task = asyncio.ensure_future(waited)
    try:
        while not (await asyncio.wait({task}, timeout=ROUND_S))[0]:
            beat()
    except asyncio.CancelledError:
        task.cancel()
        raise
    beat()
    return task.result()


@asynccontextmanager
async def beside(work: Coroutine[Any, Any, None], name: str) -> AsyncIterator[None]:
    """A task of that name, for as long as the block lasts."""
    task = asyncio.get_running_loop().create_task(work, name=name)
    try:
        yield
    finally:
        task.cancel()


class Notifier:
    """Datagrams to the service manager. Never waits, never raises; without an address it does nothing."""

    def __init__(self, address: str | None) -> None:
        self._address = _address_of(address)
        self._said = False

    def __bool__(self) -> bool:
        return self._address is not None

    def send(self, *assignments: str) -> bool:
        """`READY=1`, `STATUS=…` and so on. Whether the manager has it; where its queue is full it has not."""
        if self._address is None:
            return True
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as line:
                line.sendto("\n".join(assignments).encode(), socket.MSG_NOSIGNAL, self._address)
        except OSError as why:
            if not self._said:
                log.warning("the service manager cannot be told: %s", why)
            self._said = True
            return False
        return True


def _address_of(given: str | None) -> str | None:
    """A path, or a name in the abstract space, which begins with `@` here and with NUL for the kernel (unix(7))."""
    if not given or given[0] not in "/@" or len(given) < 2:
        return None
    return "\0" + given[1:] if given[0] == "@" else given


def watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    """Seconds within which the manager wants to be fed, or None where it does not (sd_watchdog_enabled(3))."""
    owner = environment.get("WATCHDOG_PID", str(pid))
    given = environment.get("WATCHDOG_USEC", "")
    if owner != str(pid) or not (given.isascii() and given.isdigit()) or int(given) == 0:
        return None
    return int(given) / 1e6


class Attendant:
    """Tells the manager when the daemon is ready and what it does, and feeds the watchdog round by round.

    Before the daemon is ready the manager's watchdog sleeps: a round extends the time
    that starting may take instead, so a start that hangs is ended as soon as a daemon that does.
    """

    def __init__(self, notifier: Notifier, watchdog: float | None) -> None:
        self.rounds = Rounds()
        self._notifier = notifier
        self._watchdog = watchdog
        self._ready = False
        self._told: set[str] = set()
        self._fed_at = time.monotonic()
        self._warned = False
        self._failed = False

    def ready(self) -> None:
        """The printer has been made safe, or there was nothing to make safe, and the local socket listens."""
        self._ready = True
        self._tell("READY=1")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    async def attend(self, doing: Callable[[], str]) -> None:
        """Until it is cancelled. `doing` gives the status in one line."""
        while self._notifier:
            self.look(self._said_by(doing))
            await asyncio.sleep(LOOK_S)

    def look(self, doing: str) -> None:
        """One look: what is new is told, and the watchdog fed if all have come round."""
        if self._ready:
            self._tell("READY=1")
        self._tell("STATUS=" + " ".join(doing.split())[:MOST_STATUS])
        if self.rounds.complete():
            self._feed()
        elif self._watchdog is not None and time.monotonic() - self._fed_at > SLOW_SHARE * self._watchdog:
            self._warn()

    def _said_by(self, doing: Callable[[], str]) -> str:
        """A fault in a sentence (ours, or of a disk that it asks) must not starve the watchdog."""
        try:
            return doing()
        except Exception:
            if not self._failed:
                log.exception("the status cannot be told")
            self._failed = True
            return "the status cannot be told: see the log"

    def _tell(self, assignment: str) -> None:
        """Once; again with the next look where the manager's queue was full."""
        name = assignment.partition("=")[0]
        if assignment in self._told or not self._notifier.send(assignment):
            return
        self._told = {one for one in self._told if one.partition("=")[0] != name} | {assignment}

    def _feed(self) -> None:
        self._fed_at, self._warned = time.monotonic(), False
        if self._watchdog is None:
            return
        self._notifier.send("WATCHDOG=1" if self._ready else f"EXTEND_TIMEOUT_USEC={self._watchdog * 1e6:.0f}")

    def _warn(self) -> None:
        if not self._warned:
            since = time.monotonic() - self._fed_at
            log.warning("not come round for %.0f s: %s; the watchdog is not fed", since, ", ".join(self.rounds.missing))
        self._warned = True


def attendant() -> Attendant:
    """As the environment of this process has it."""
    return Attendant(Notifier(os.environ.get("NOTIFY_SOCKET")), watchdog_s(os.environ, os.getpid()))
