"""The emulated printer at the far end of an emulated USB cable, a unix socket of the emulator.

The emulated USB line has no speed of its own: the board paces itself by its receiver (bench/uart.py), and here no more is
taken off the socket than its wire holds. The cable tells nothing of DTR, so a board here does not restart on opening: what
turns its heat off is a command, and nothing else. It has a supply of its own: with the cable out it stays as hot as it was.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Final

from banderole.bench import EmulatedPrinter, Manners

IN_FLIGHT: Final = 4096
"""Bytes on the emulated wire beyond which no more are taken: the machine then waits, as on a slow line."""
TURN_S: Final = 0.02
"""Longest sleep: how late a word from the test is heard."""
UNREAD: Final = 4096
"""Bytes that the cable holds for a machine that does not read; what comes then is lost, as in a USB bridge."""


class SocketPrinter:
    """A board that lives from `with` on, in a thread. Look at `board` and its log under `lock`."""

    def __init__(self, manners: Manners) -> None:
        self.board = EmulatedPrinter(manners)
        self.lock = threading.Lock()
        self._zero = time.monotonic()
        self._cable: socket.socket | None = None
        self._waiting = b""
        self._ending = False
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._live, name="printer", daemon=True)

    def __enter__(self) -> SocketPrinter:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._ending = True
        self._thread.join()
        self.unplug()
        if self._failure is not None and error is None:
            raise self._failure

    # --- the cable
    def plug(self, path: Path) -> None:
        cable = socket.socket(socket.AF_UNIX)
        cable.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, UNREAD)
        cable.connect(str(path))
        cable.setblocking(False)
        with self.lock:
            self._unplug()
            self._cable = cable

    def unplug(self) -> None:
        with self.lock:
            self._unplug()

    def _unplug(self) -> None:
        if self._cable is not None:
            self._cable.close()
        self._cable, self._waiting = None, b""

    # --- the clock of the log
    def now(self) -> float:
        """s since the board was made."""
        return time.monotonic() - self._zero

    def seen(self, kind: str, since: float = 0.0) -> list[tuple[float, float]]:
        """(clock, value) of each setpoint of a channel that took effect after `since`."""
        with self.lock:
            return [(row.at, row.value) for row in self.board.log.setpoints if row.channel == kind and row.at >= since]

    def executed(self, since: float = 0.0) -> list[str]:
        """Commands that were begun after `since`, in order."""
        with self.lock:
            return [row.text for row in self.board.log.commands if row.at >= since]

    def targets(self) -> tuple[float, float]:
        """°C that nozzle and bed are held at."""
        with self.lock:
            return self.board.machine.nozzles[0].target, self.board.machine.bed.target

    def wait_for(self, condition: Callable[[], bool], seconds: float, what: str) -> float:
        """The clock when it holds; fails after so many seconds."""
        end = self.now() + seconds
        while not condition():
            assert self._failure is None, self._failure
            assert self.now() < end, f"waited {seconds:g} s for {what}; last: {self.executed()[-8:]}"
            time.sleep(TURN_S)
        return self.now()

    # --- the thread
    def _live(self) -> None:
        try:
            while not self._ending:
                with self.lock:
                    cable, until = self._cable, self._turn()
                    readable = self.board.hearing.uart.in_flight < IN_FLIGHT
                _sleep(
                    cable if readable else None, TURN_S if until is None else min(TURN_S, max(0.0, until - self.now()))
                )
        except BaseException as failure:  # told where the printer is taken down: a thread has no caller
            self._failure = failure

    def _turn(self) -> float | None:
        """What is due; when to look again, None where only bytes can bring something."""
        now = self.now()
        try:
            if self._cable is not None and self.board.hearing.uart.in_flight < IN_FLIGHT:
                self._hear(self._cable, now)
            said = self.board.advance(now)
            if self._cable is not None:
                self._say(self._cable, said)
        except (ConnectionError, BrokenPipeError):  # the machine's power was cut
            self._unplug()
        return self.board.next_event(now)

    def _hear(self, cable: socket.socket, now: float) -> None:
        try:
            data = cable.recv(IN_FLIGHT)
        except BlockingIOError:
            return
        if data:
            self.board.receive(data, now)
        else:
            self._unplug()

    def _say(self, cable: socket.socket, said: bytes) -> None:
        self._waiting = (self._waiting + said)[:UNREAD]
        if not self._waiting:
            return
        try:
            self._waiting = self._waiting[cable.send(self._waiting) :]
        except BlockingIOError:
            return


def _sleep(cable: socket.socket | None, seconds: float) -> None:
    """Or until something comes in."""
    if cable is None:
        time.sleep(seconds)
        return
    try:
        select.select([cable], [], [], seconds)
    except (OSError, ValueError):
        return  # pulled out meanwhile
