"""What the board hears: bytes on the wire to lines taken or refused, and orders that act as they arrive."""

from __future__ import annotations

import re
from collections import deque

from banderole.bench.line_discipline import Line, LineDiscipline, Refusal
from banderole.bench.manners import Manners
from banderole.bench.noise import Noise, lose_unseen
from banderole.bench.uart import Uart

_AT_ONCE = re.compile(rb"\s*(?:N\d+\s*)?M(108|112|410)(?!\d)")
_SETPOINT = re.compile(rb"\s*N\d+\s*M(?:104|140|220|221|207|900) ?[SK]")
_MOTION = re.compile(rb"\s*N\d+\s*G[01] ")
_DEPOSIT = re.compile(rb"\s*N\d+\s*G1 [^*]*[XY][^*]*E")
# Bytes of a demanded bit flip's line at least: a flip in a lone line end would damage nothing that is numbered.
FLIP_LEAST = 8
# Bytes kept of a line whose end has not come: an order shows at its head.
TAIL_BYTES = 64


class Hearing:
    """The receiver, the checks of a line, and what damages lines before they are checked."""

    def __init__(self, manners: Manners) -> None:
        self.uart = Uart(manners.baud, manners.receive_bytes, manners.max_line)
        self.discipline = LineDiscipline()
        self.noise = Noise(manners.noise_in, f"{manners.seed} line in")
        self.setpoints_to_falsify = 0
        self.motions_to_falsify = 0
        self.deposits_to_falsify = 0
        self.at_once: deque[tuple[float, str]] = deque()  # clock and code of orders for the emergency parser
        self._listens = manners.emergency_parser
        self._tail = b""

    def send(self, data: bytes, now: float) -> None:
        """Bytes from the host."""
        data = self.noise.pass_on(data, FLIP_LEAST)
        self.uart.send(data, now)
        if self._listens:
            self._listen(data)

    def take(self) -> tuple[bytes, Line | Refusal | None]:
        """The next line that has arrived, as heard, and what the checks say; None for an empty one."""
        raw = self.uart.take()
        if self.setpoints_to_falsify or self.motions_to_falsify or self.deposits_to_falsify:
            raw = self._falsified(raw)
        return raw, self.discipline.check(raw)

    def restart(self, now: float) -> None:
        """A board that boots hears nothing that came before."""
        self.uart.clear(now)
        self.discipline.last = 0
        self.at_once.clear()
        self._tail = b""

    def _listen(self, data: bytes) -> None:
        lines = (self._tail + data).split(b"\n")
        self._tail = lines.pop()
        left = len(self._tail)  # bytes behind the line end looked at
        self._tail = self._tail[:TAIL_BYTES]
        for line in reversed(lines):
            found = _AT_ONCE.match(line)
            if found is not None:
                self.at_once.appendleft((self.uart.arrival(left), f"M{found.group(1).decode()}"))
            left += 1 + len(line)
        if len(self.at_once) > 1:
            self.at_once = deque(sorted(self.at_once))

    def _falsified(self, raw: bytes) -> bytes:
        if self.setpoints_to_falsify and _SETPOINT.match(raw):
            falsified = lose_unseen(raw)
            if falsified is not None:
                self.setpoints_to_falsify -= 1
                return falsified
        if self.motions_to_falsify and _MOTION.match(raw):
            falsified = lose_unseen(raw)
            if falsified is not None:
                self.motions_to_falsify -= 1
                return falsified
        if self.deposits_to_falsify and _DEPOSIT.match(raw):
            falsified = lose_unseen(raw)
            if falsified is not None:
                self.deposits_to_falsify -= 1
                return falsified
        return raw
