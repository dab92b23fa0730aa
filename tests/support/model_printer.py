"""A printer in memory for conversations: a receive ring, a queue, a line counter, and manners that differ by firmware.

It shares nothing with what it tests: its own reading of numbers and checksums (public RepRap wiki, page "G-code"), its own
wording of replies. Time is an input. It knows what was really written, so it knows when a damaged line has passed the
checksum, which no host can notice on the line.
"""

from __future__ import annotations

import random
import re
from collections import deque
from dataclasses import dataclass, field

RING_BYTES = 127
"""A ring of 128 bytes holds 127 (common practice, no source)."""
_LEADING = re.compile(rb"\s*N(-?\d+)\s?")
_COMMAND = re.compile(rb"\s*[GMT]\d")


@dataclass(frozen=True)
class Manners:
    """How this firmware talks and listens."""

    numbers_ok: bool = False  # `ok N12 P15 B3`
    ok_behind_resend: bool = True
    temperatures_on_ok: bool = True  # `ok T:…`, else a line of its own and then `ok`
    queue: int = 1  # lines taken from the ring before the first is carried out
    flushes: bool = False  # a refusal empties the ring
    last_star: bool = True  # a line with two asterisks: which of them counts
    says_busy: bool = True
    line_s: float = 0.004
    long_s: float = 0.0  # now and then a line takes this long


@dataclass
class ModelPrinter:
    """Feed with `hear`, let it work with `work`; what it says is returned. `executed` is what it has carried out."""

    manners: Manners
    rng: random.Random
    lose_ok: float = 0.0
    double_ok: float = 0.0
    executed: list[tuple[int, bytes]] = field(default_factory=list)
    written: dict[int, bytes] = field(default_factory=dict)  # what the host gave each number, before any damage
    overflowed: bool = False
    passed: bool = False  # a damaged line was taken as good
    refusals: int = 0
    last: int = 0
    busy_until: float = 0.0

    def __post_init__(self) -> None:
        self._ring: deque[int] = deque()
        self._line = bytearray()
        self._queue: deque[tuple[int, bytes]] = deque()
        self._said: list[bytes] = []
        self._at_work: tuple[int, bytes] | None = None
        self._busy_said = 0.0

    # ---- the line

    def hear(self, data: bytes) -> None:
        """Bytes that have come over the wire; what does not fit the ring is gone."""
        for byte in data:
            if len(self._ring) >= RING_BYTES:
                self.overflowed = True
            else:
                self._ring.append(byte)

    def restart(self, banner: bool) -> bytes:
        """As after a reset: everything forgotten, the counter back at the start."""
        self._ring.clear()
        self._line.clear()
        self._queue.clear()
        self._at_work = None
        self.last = 0
        self.busy_until = 0.0
        return b"start\n" if banner else b""

    def next_moment(self) -> float | None:
        """When it has something to do by itself."""
        if self._at_work is None:
            return None
        return min(self.busy_until, self._busy_said + 1.0) if self.manners.says_busy else self.busy_until

    def work(self, now: float) -> bytes:
        """Everything it can do until now."""
        self._said = []
        while True:
            self._take_lines()
            if self._at_work is not None:
                if now < self.busy_until:
                    if self.manners.says_busy and now >= self._busy_said + 1.0:
                        self._busy_said = now
                        self._said.append(b"echo:busy: processing\n")
                    break
                self._finish(*self._at_work)
                self._at_work = None
            elif self._queue:
                self._begin(now)
            else:
                break
        return b"".join(self._said)

    def _take_lines(self) -> None:
        room = self.manners.queue
        while self._ring and len(self._queue) + (self._at_work is not None) < room:
            byte = self._ring.popleft()
            if byte not in b"\r\n":
                self._line.append(byte)
                continue
            line, self._line = bytes(self._line), bytearray()
            if line.strip():
                self._take(line)

    # ---- one line

    def _take(self, line: bytes) -> None:
        star = line.rfind(b"*") if self.manners.last_star else line.find(b"*")
        named = _LEADING.match(line)
        if star < 0 and named is None:
            self._take_bare(line)
            return
        if star < 0 or named is None:
            self._refuse(b"number and sum belong together")
            return
        total = 0
        for byte in line[:star]:
            total ^= byte
        digits = re.match(rb"\d+", line[star + 1 :])
        if digits is None or int(digits[0]) != total:
            self._refuse(b"checksum is wrong")
            return
        number, block = int(named[1]), line[named.end() : star]
        sets = re.fullmatch(rb"M110(?: N(\d+))?\s*", block)
        if sets is None and number != self.last + 1:
            self._refuse(b"line number out of turn")
            return
        if self.written.get(number) != block:
            self.passed = True
        self.last = number if sets is None or sets[1] is None else int(sets[1])
        self._queue.append((number, block))

    def _take_bare(self, line: bytes) -> None:
        """A line with neither number nor sum is carried out as it is: here it can only be a torn piece of one."""
        if _COMMAND.match(line):
            self.passed = True
        self._said.append(b"echo:nothing known of that\n")
        self._ok(self.last, b"")

    def _refuse(self, why: bytes) -> None:
        self.refusals += 1
        self._said.append(b"Error:%b, Last Line: %d\nResend: %d\n" % (why, self.last, self.last + 1))
        if self.manners.flushes:
            self._ring.clear()
        if self.manners.ok_behind_resend:
            self._said.append(b"ok\n")

    def _begin(self, now: float) -> None:
        self._at_work = self._queue.popleft()
        takes = self.manners.line_s * self.rng.uniform(0.2, 2.0)
        if self.manners.long_s and self._at_work[1][:1] == b"G" and self.rng.random() < 0.02:
            takes = self.manners.long_s
        self.busy_until, self._busy_said = now + takes, now

    def _finish(self, number: int, block: bytes) -> None:
        self.executed.append((number, block))
        temperatures = b"T:210.0 /210.0 B:60.0 /60.0 @:64 B@:0"
        if block == b"M105" and not self.manners.temperatures_on_ok:
            self._said.append(temperatures + b"\n")
        if block == b"M115":
            self._said.append(b"FIRMWARE_NAME:model SOURCE_CODE_URL:none\nCap:EMERGENCY_PARSER:0\n")
        self._ok(number, b" " + temperatures if block == b"M105" and self.manners.temperatures_on_ok else b"")

    def _ok(self, number: int, rest: bytes) -> None:
        fields = b" N%d P15 B3" % number if self.manners.numbers_ok else b""
        if self.rng.random() < self.lose_ok:
            return
        self._said.append(b"ok%b%b\n" % (fields, rest))
        if self.rng.random() < self.double_ok:
            self._said.append(b"ok%b%b\n" % (fields, rest))
