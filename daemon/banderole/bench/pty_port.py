"""The emulated printer on a pseudo-terminal: a host opens it as it would a serial device.

The kernel tells when the host opens and closes it; that stands for the DTR line, which a pseudo-terminal has not.
`run` is one loop around one `poll`: it sleeps until bytes come or the printer's next event.
"""

from __future__ import annotations

import errno
import os
import pty
import select
import threading
import time
import tty
from pathlib import Path
from types import TracebackType

from banderole.bench.firmware import EmulatedPrinter
from banderole.bench.manners import Manners
from banderole.bench.records import OnRecord

READ_BYTES = 4096
# Bytes in flight on the emulated wire beyond which no more are taken: the kernel then holds the host back, as it does
# on a slow line (Linux queues 4 kB for a serial port).
IN_FLIGHT = 4096
# Bytes kept for a host that does not read; beyond, the newest are lost, as in a USB bridge.
BACKLOG = 4 << 20
# s between looks whether a host has opened the terminal: the kernel tells of a close, not of an open.
CLOSED_LOOK_S = 0.01
# s at most in one poll, so that a stop is never missed for long.
LONGEST_SLEEP_S = 1.0


class PtyPrinter:
    """The board on a terminal of its own, in a thread (`with PtyPrinter() as p: …`) or by `run` in this one.

    `path` is the terminal; `link`, if given, a symbolic link to it that stays the same when the number changes.
    Look at `printer` and its records under `lock`, or after the end.
    """

    def __init__(
        self, manners: Manners | None = None, *, link: Path | None = None, on_record: OnRecord | None = None
    ) -> None:
        self.printer = EmulatedPrinter(manners, on_record)
        self.lock = threading.Lock()
        self.link = link
        self.path = ""
        self._master = -1
        self._zero = time.monotonic()
        self._backlog = bytearray()
        self._host_there = False
        self._stopping = False
        self._unplug = False
        self._back_at: float | None = None
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_out, False)
        self._thread: threading.Thread | None = None
        self._failure: BaseException | None = None
        self._plug_in()

    # --- life
    def __enter__(self) -> PtyPrinter:
        self._thread = threading.Thread(target=self._run_thread, name="emulated printer", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.stop()
        if self._thread is not None:
            self._thread.join()
        self.close()
        if self._failure is not None and error is None:
            raise self._failure

    def stop(self) -> None:
        """Ends `run` soon; may be called from a thread or a signal handler."""
        self._stopping = True
        self._wake()

    def unplug(self) -> None:
        """Takes the terminal away; after `replug_s` it is back, often under another number."""
        self._unplug = True
        self._wake()

    def close(self) -> None:
        """Takes the terminal and its link away; call it when `run` has ended."""
        self._unplug_now()
        for fd in (self._wake_in, self._wake_out):
            os.close(fd)

    def run(self) -> None:
        """Until `stop`."""
        while not self._stopping:
            with self.lock:
                until = self._work()
            self._sleep(until)

    def _run_thread(self) -> None:
        try:
            self.run()
        except BaseException as failure:  # told where the printer is taken down: a thread has no caller
            self._failure = failure

    # --- the terminal
    def _plug_in(self) -> None:
        self._master, slave = pty.openpty()
        try:
            tty.setraw(slave)
            self.path = os.ttyname(slave)
        finally:
            os.close(slave)
        os.set_blocking(self._master, False)
        self._host_there = False
        self._back_at = None
        if self.link is not None:
            fresh = self.link.with_name(f".{self.link.name}.{os.getpid()}")
            fresh.symlink_to(self.path)
            fresh.replace(self.link)  # in one step: nobody finds the name missing or half made

    def _unplug_now(self) -> None:
        # The name goes first: the number may be another's at once, and a name left for a moment would lead there.
        if self.link is not None and self.link.is_symlink() and os.readlink(self.link) == self.path:
            self.link.unlink()
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
        self._backlog.clear()

    # --- one turn
    def _now(self) -> float:
        return time.monotonic() - self._zero

    def _work(self) -> float | None:
        """All that is due; returns the clock at which something else is, None if only bytes can bring it."""
        now = self._now()
        if self._unplug or self.printer.unplugged:
            self._unplug = self.printer.unplugged = False
            self._unplug_now()
            self._back_at = now + self.printer.manners.replug_s
        if self._back_at is not None:
            if now < self._back_at:
                self.printer.advance(now)
                return self._back_at
            self._plug_in()
        self._look_for_host(now)
        if self._host_there:
            self._read(now)
        data = self.printer.advance(now)
        if self._host_there:
            self._backlog += data[: max(0, BACKLOG - len(self._backlog))]
            self._write()
        else:
            self._backlog.clear()
        return self.printer.next_event(now)

    def _look_for_host(self, now: float) -> None:
        """The master hangs up while nobody has the terminal open."""
        watch = select.poll()
        watch.register(self._master, 0)
        there = not any(event & select.POLLHUP for _, event in watch.poll(0))
        if there and not self._host_there:
            self._host_there = True
            self.printer.opened(now)
        elif not there and self._host_there:
            self._read(now)  # what the host wrote last, before it left
            self._host_there = False

    def _read(self, now: float) -> None:
        while self.printer.hearing.uart.in_flight < IN_FLIGHT:
            try:
                data = os.read(self._master, READ_BYTES)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno == errno.EIO:  # nobody has the terminal open any more
                    return
                raise
            self.printer.receive(data, now)

    def _write(self) -> None:
        if not self._backlog:
            return
        try:
            del self._backlog[: os.write(self._master, self._backlog)]
        except BlockingIOError:
            return
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            self._backlog.clear()

    def _sleep(self, until: float | None) -> None:
        left = LONGEST_SLEEP_S if until is None else min(LONGEST_SLEEP_S, max(0.0, until - self._now()))
        watch = select.poll()
        watch.register(self._wake_out, select.POLLIN)
        if self._master >= 0 and self._host_there:
            events = select.POLLIN if self.printer.hearing.uart.in_flight < IN_FLIGHT else 0
            watch.register(self._master, events | (select.POLLOUT if self._backlog else 0))
        elif self._master >= 0:
            left = min(left, CLOSED_LOOK_S)
        # poll counts whole ms and Python rounds up: the board is late by less than one, never early in a spin.
        if any(fd == self._wake_out for fd, _ in watch.poll(left * 1000.0)):
            os.read(self._wake_out, READ_BYTES)

    def _wake(self) -> None:
        os.write(self._wake_in, b"w")
