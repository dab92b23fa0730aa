"""The emulated printer as a port inside the event loop: no kernel, no thread; the loop's clock, real or virtual."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from banderole.bench.firmware import EmulatedPrinter
from banderole.bench.manners import Manners

Receiver = Callable[[bytes], None]


class MemoryPort:
    """What a run needs of a port: open, write, unsent, pulse_dtr, close.

    `absent` makes the error of an open while the board is unplugged, or while the port is open already.
    """

    def __init__(
        self,
        printer: EmulatedPrinter | Manners | None = None,
        *,
        absent: Callable[[str], Exception] = ConnectionError,
    ) -> None:
        self.printer = printer if isinstance(printer, EmulatedPrinter) else EmulatedPrinter(printer)
        self._absent = absent
        self._loop: asyncio.AbstractEventLoop | None = None
        self._zero: float | None = None  # the loop's clock at the printer's zero
        self._receiver: Receiver | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._pump_soon = False
        self._plugged_in_at = 0.0

    @property
    def is_open(self) -> bool:
        return self._receiver is not None

    def open(self, receiver: Receiver) -> None:
        """In a running loop. `receiver` gets what arrives; b"" once, when the board is unplugged."""
        if self._receiver is not None:
            raise self._absent("emulated: already opened by this program")
        loop = self._loop = asyncio.get_running_loop()
        if self._zero is None:
            self._zero = loop.time()
        now = self._now()
        if now < self._plugged_in_at:
            raise self._absent("emulated: unplugged; plug it in again")
        self.printer.advance(now)  # what was said while nobody listened is lost
        self._receiver = receiver
        self.printer.opened(now)
        self._ask_pump()

    def write(self, data: bytes) -> None:
        """Puts bytes on the emulated wire at once; dropped when the port is not open."""
        if self._receiver is not None:
            self.printer.receive(data, self._now())
            self._ask_pump()

    def unsent(self) -> int:
        """Nothing waits here: the wire takes all."""
        return 0

    def pulse_dtr(self) -> None:
        if self._receiver is not None:
            self.printer.pulse_dtr(self._now())
            self._ask_pump()

    def close(self) -> None:
        """The board lives on: when the port is opened again, its time has gone by as well."""
        self._receiver = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def unplug(self) -> None:
        """Takes the board away for `replug_s`: the receiver gets b"", and opening fails meanwhile."""
        self.printer.unplugged = False
        self._plugged_in_at = self._now() + self.printer.manners.replug_s
        receiver = self._receiver
        self.close()
        if receiver is not None and self._loop is not None:
            self._loop.call_soon(receiver, b"")

    def _now(self) -> float:
        assert self._loop is not None
        assert self._zero is not None
        return self._loop.time() - self._zero

    def _ask_pump(self) -> None:
        # Never from inside write(): its caller is in the middle of something when the reply would come.
        if not self._pump_soon and self._loop is not None:
            self._pump_soon = True
            self._loop.call_soon(self._pump)

    def _pump(self, due: float = 0.0) -> None:
        """Delivers what the board says by now, and sets the one timer for what it does next, at `due`."""
        self._pump_soon = False
        receiver = self._receiver
        if receiver is None or self._loop is None or self._zero is None:
            return
        # Rounding, and a loop that calls a clock tick early, must not make `due` seem still to come: in virtual time
        # the same timer would be set for ever.
        now = max(self._now(), due)
        data = self.printer.advance(now)
        if data:
            receiver(data)
        if self.printer.unplugged:
            self.unplug()
        if self._receiver is None:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        at = self.printer.next_event(now)
        if at is not None:
            self._timer = self._loop.call_at(self._zero + at, self._pump, at)
