"""The emulated printer as a port inside the event loop: no kernel, no thread; the loop's clock, real or virtual."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from banderole.bench.firmware import EmulatedPrinter
from banderole.bench.manners import Manners

Receiver = Callable[[bytes], None]
# Words and answers in one turn of the loop, which others are waiting for as well.
ROUNDS = 64
SAME_S = 1e-9  # two moments no farther apart are one: differences of clock times are rounded


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
        self._timer_at = 0.0
        self._pump_soon = False
        self._plugged_in_at = 0.0
        self._skip: Callable[[float], bool] | None = None  # of a loop in virtual time: no timer for what is next anyway

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
        self._skip = getattr(loop, "skip_to", None)
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

    def befall(self, fault: str) -> None:
        """One more fault to come, `NAME@WHEN`, by the printer's own clock. Raises ValueError with one clear line."""
        self.printer.befall(fault)
        self._ask_pump()

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
        if self._receiver is None:
            self._pump_soon = False
            return
        # Rounding, and a loop that calls a clock tick early, must not make `due` seem still to come: in virtual time
        # the same timer would be set for ever; nor must what a board says depend, in its last bit, on who woke it.
        now: float | None = self._now() if self._now() > due + SAME_S else due
        self._pump_soon = True  # what the receiver writes is seen to here, not in a turn of its own
        rounds = ROUNDS
        try:
            while now is not None and rounds:
                rounds -= 1
                now = self._round(now)
        finally:
            self._pump_soon = False
        if now is not None:
            self._ask_pump()

    def _round(self, now: float) -> float | None:
        """What the board says at this moment; the moment to go on at, None where a timer brings it."""
        if self._deliver(now):
            return now
        if self._receiver is None:
            return None
        at = self.printer.next_event(now)
        if at is not None and self._skip is not None and self._zero is not None and self._skip(self._zero + at):
            return at
        self._set_timer(at)
        return None

    def _deliver(self, now: float) -> bool:
        """What the board says; whether something was said, and so may have been answered."""
        if self._receiver is None:
            return False
        data = self.printer.advance(now)
        if data:
            self._receiver(data)
        if self.printer.unplugged:
            self.unplug()
        return bool(data)

    def _set_timer(self, at: float | None) -> None:
        if self._timer is not None:
            if at == self._timer_at:
                return
            self._timer.cancel()
            self._timer = None
        if at is not None and self._loop is not None and self._zero is not None:
            self._timer, self._timer_at = self._loop.call_at(self._zero + at, self._timer_due, at), at

    def _timer_due(self, at: float) -> None:
        self._timer = None
        self._pump(at)
