"""The board's receiver: bytes that take their time on the wire, and a ring that overflows while nobody reads it."""

from __future__ import annotations

import math

# Bytes that may wait before the wire: as much as any operating system queues for a serial port, with room to spare.
WIRE_LIMIT = 4 << 20
# Fraction of a byte time forgiven when counting whole bytes, against rounding of the clock.
SLACK = 1e-3


class Uart:
    """Bytes in flight and bytes arrived. The board reads at once while it has room for commands (`reading`)."""

    def __init__(self, baud: int, ring: int, max_line: int) -> None:
        self.lost = 0  # bytes that found the ring full
        self.next_line_at = math.inf  # clock at which the next whole line has arrived
        self._byte_s = 10.0 / baud if baud else 0.0  # 8N1: start bit, eight, stop bit
        self._ring = ring
        self._max_line = max_line
        self._arrived = bytearray()
        self._wire = bytearray()
        self._wire_from = -math.inf  # clock at which the first byte in flight began
        self._reading = True

    @property
    def in_flight(self) -> int:
        """Bytes handed over that have not arrived yet, by the last look."""
        return len(self._wire)

    def send(self, data: bytes, now: float) -> None:
        """Puts bytes on the wire, behind those that are there."""
        if len(self._wire) + len(data) > WIRE_LIMIT:
            raise BufferError(f"more than {WIRE_LIMIT} bytes before the wire: ask `in_flight` before sending")
        if not self._reading or (self.next_line_at == math.inf and len(self._wire) > 4 * self._max_line):
            self._settle(now)
        if not self._wire:
            self._wire_from = now
        self._wire += data
        if self.next_line_at == math.inf:
            self._find()

    def arrival(self, back: int) -> float:
        """Clock at which the byte `back` places before the last one in flight arrives (0 = the last)."""
        return self._wire_from + (len(self._wire) - back) * self._byte_s

    def stop_reading(self) -> None:
        """The board has no room for another line: from here on bytes gather in the ring."""
        self._reading = False

    def read_on(self, now: float) -> int:
        """The board reads again; returns how many bytes were lost meanwhile."""
        if self._reading:
            return 0
        before = self.lost
        self._settle(now)
        self._reading = True
        self._find()
        return self.lost - before

    def take(self) -> bytes:
        """The next whole line without its end; only when `next_line_at` has come."""
        arrived = self._arrived
        if arrived:
            at = arrived.find(b"\n")
            if at >= 0:
                line = bytes(arrived[:at])
                del arrived[: at + 1]
                self._find()
                return line if at <= self._max_line else line[: self._max_line]
        at = self._wire.find(b"\n")
        line = bytes(arrived + self._wire[:at]) if arrived else bytes(self._wire[:at])
        arrived.clear()
        self._drop_from_wire(at + 1)
        self._find()
        return line if len(line) <= self._max_line else line[: self._max_line]

    def clear(self, now: float) -> None:
        """Throws away all that has arrived by now."""
        reading, self._reading = self._reading, True
        self._settle(now)
        self._reading = reading
        self._arrived.clear()
        self._find()

    def _settle(self, now: float) -> None:
        count = len(self._wire)
        if count and self._byte_s:
            count = min(count, max(0, int((now - self._wire_from) / self._byte_s + SLACK)))
        if not count:
            return
        room = count if self._reading else max(0, self._ring - len(self._arrived))
        self._arrived += self._wire[: min(room, count)]
        self.lost += max(0, count - room)
        self._drop_from_wire(count)

    def _drop_from_wire(self, count: int) -> None:
        del self._wire[:count]
        self._wire_from += count * self._byte_s

    def _find(self) -> None:
        if self._arrived and b"\n" in self._arrived:
            self.next_line_at = -math.inf
            return
        at = self._wire.find(b"\n")
        self.next_line_at = self._wire_from + (at + 1) * self._byte_s if at >= 0 else math.inf
        if len(self._arrived) > 2 * self._max_line:  # a line that never ends: keep what marks it as too long
            del self._arrived[2 * self._max_line :]
