"""A window and a model printer, a wire between them that takes time and does damage, and an honest account of what happened."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field

from banderole_protocol.replies import Report
from banderole_protocol.window import Acknowledged, Broken, Rewritten, Window

from tests.support.model_printer import Manners, ModelPrinter

BYTE_S = 10 / 115200
"""8N1: ten bits a byte."""
LATENCY_S = 0.002
PATIENCE_S = 900.0
"""Virtual seconds after which a conversation counts as stuck."""


@dataclass
class Faults:
    """Shares of bytes and replies that go wrong; `restart_after` lines the printer begins anew, with or without its banner."""

    to_printer: float = 0.0
    from_printer: float = 0.0
    lose_ok: float = 0.0
    double_ok: float = 0.0
    restart_after: int | None = None
    banner: bool = True

    @property
    def miscounts(self) -> bool:
        """Can more lines be counted as taken than were?"""
        return bool(self.from_printer or self.double_ok or self.to_printer)


@dataclass
class Wire:
    """One direction: bytes arrive in order, late, some of them damaged or lost."""

    rng: random.Random
    damage: float
    damaged: int = 0
    _on_way: deque[tuple[float, bytes]] = field(default_factory=deque)
    _free_at: float = 0.0

    def put(self, data: bytes, now: float) -> None:
        """Written at `now`; cut into pieces as a driver may."""
        while data:
            size = self.rng.choice((1, 2, 3, 7, 16, 64, 200))
            piece, data = data[:size], data[size:]
            self._free_at = max(self._free_at, now) + len(piece) * BYTE_S
            self._on_way.append((self._free_at + LATENCY_S, self._harm(piece)))

    def _harm(self, piece: bytes) -> bytes:
        if not self.damage:
            return piece
        out = bytearray()
        for byte in piece:
            if self.rng.random() >= self.damage:
                out.append(byte)
                continue
            self.damaged += 1
            kind = self.rng.randrange(4)
            if kind < 3:  # a wrong bit, any other byte, a line end; else lost
                out.append((byte ^ (1 << self.rng.randrange(8)), self.rng.randrange(256), 10)[kind])
        return bytes(out)

    def next_moment(self) -> float | None:
        """When the next piece arrives."""
        return self._on_way[0][0] if self._on_way else None

    def get(self, now: float) -> bytes:
        """What has arrived by now."""
        out = b""
        while self._on_way and self._on_way[0][0] <= now:
            out += self._on_way.popleft()[1]
        return out


class Conversation:
    """A whole file over the wire. Afterwards: `taken` tags as acknowledged, `broken`, `printer`, `window`."""

    def __init__(self, seed: int, lines: int, manners: Manners, faults: Faults, window_bytes: int) -> None:
        self.rng = random.Random(seed)
        self.faults = faults
        self.window = Window(window_bytes)
        self.printer = ModelPrinter(manners, self.rng, faults.lose_ok, faults.double_ok)
        self.down, self.up = Wire(self.rng, faults.to_printer), Wire(self.rng, faults.from_printer)
        self.blocks = [self._some_block(i) for i in range(lines)] + [b"M400"]
        self.taken: list[int] = []
        self.broken: Broken | None = None
        self.rewrites = 0
        self.early = 0  # lines acknowledged before they were carried out
        self.now = 0.0
        self._fed = 0
        self._poll_at = 1.0
        self.restarted = False
        self._asked_last = 0
        self._told_last = False

    def _some_block(self, index: int) -> bytes:
        x, y = self.rng.uniform(0, 200), self.rng.uniform(0, 200)
        long = b" E%.5f F%d" % (self.rng.uniform(0, 900), 1200 + index) if self.rng.random() < 0.5 else b""
        return b"G1 X%.3f Y%.3f%b" % (x, y, long) if self.rng.random() < 0.97 else b"M106 S%d" % (index % 256)

    def run(self) -> None:
        """To the end, loud or good. Raises AssertionError when nothing moves any more."""
        self.window.greet()
        done = False
        while self.broken is None and not (done and self._at_rest()):
            self._host(asking=not done)
            self._machine()
            done = done or self._done()
            if done and self._at_rest():
                break
            moments = [self.down.next_moment(), self.up.next_moment(), self.printer.next_moment(), self._poll_at]
            moments.append(self.window.next_deadline())
            later = [moment for moment in moments if moment is not None and moment > self.now]
            self.now = min(later)
            assert self.now < PATIENCE_S, f"stuck in {self.window.state} with {self.window.out_lines} lines out"

    def _done(self) -> bool:
        """All fed and settled, and a request of the very end answered as only an executed one is."""
        window = self.window
        if self._fed < len(self.blocks) or not window.idle:
            return False
        if self._told_last:
            return True
        if self._asked_last < 8:
            self._asked_last += 1
            window.ask_temperatures()
            return False
        return True

    def _at_rest(self) -> bool:
        """Nothing on its way, nothing to be done: what has been acknowledged too early has been carried out by now."""
        moments = (self.down.next_moment(), self.up.next_moment(), self.printer.next_moment())
        return moments == (None, None, None) and self.window.idle

    def _host(self, asking: bool) -> None:
        window = self.window
        for event in window.receive(self.up.get(self.now), self.now) + window.tick(self.now):
            match event:
                case Acknowledged(tags=tags):
                    self._acknowledged([tag for tag in tags if tag is not None])
                case Broken():
                    self.broken = event
                    return
                case Rewritten():
                    self.rewrites += 1
                case Report() if self._asked_last:
                    self._told_last = True
        while window.wants and self._fed < len(self.blocks):
            window.send(self.blocks[self._fed], self._fed)
            self._fed += 1
        if self.now >= self._poll_at:
            self._poll_at = self.now + 1.0
            if asking:
                window.ask_temperatures()
        data = window.data_to_send(self.now)
        for line in data.split(b"\n"):
            if b" " in line:  # else an empty line, or a number without a block: neither is ever carried out
                number, _, rest = line.partition(b" ")
                block = rest[: rest.rindex(b"*")]
                before = self.printer.written.setdefault(int(number[1:]), block)
                assert before == block, f"number {number!r} was given to two blocks"
        self.down.put(data, self.now)

    def _acknowledged(self, tags: list[int]) -> None:
        done = len(self.executed())
        for tag in tags:
            self.taken.append(tag)
            self.early += tag >= done

    def _machine(self) -> None:
        printer, restart = self.printer, self.faults.restart_after
        if restart is not None and not self.restarted and len(printer.executed) >= restart:
            self.restarted = True
            self.down.get(1e9)
            self.up.put(printer.restart(self.faults.banner), self.now)
        printer.hear(self.down.get(self.now))
        self.up.put(printer.work(self.now), self.now)

    def executed(self) -> list[bytes]:
        """The blocks of the file that were carried out."""
        return [block for _, block in self.printer.executed if block not in (b"M105", b"M110 N0", b"M115")]
