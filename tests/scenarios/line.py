"""The line between runner and emulated printer: damages, loses, doubles, delays, falls silent; and keeps a trace of all bytes.

Also the place where the program can be killed between any two of its effects: once `dead`, nothing it does leaves a mark.
"""

from __future__ import annotations

import asyncio
import hashlib
import struct
from collections import Counter
from collections.abc import Callable
from random import Random
from typing import Any

from banderole.bench import MemoryPort
from banderole.rehearsal import VirtualLoop

from tests.scenarios.scenario import LineFaults

Receiver = Callable[[bytes], None]


class Line:
    """A port as the runner knows it, in front of the board's own. `trace` hashes every byte with its direction and time."""

    def __init__(self, loop: VirtualLoop, board: MemoryPort, faults: LineFaults, seed: int) -> None:
        self._loop = loop
        self._board = board
        self._faults = faults
        self._to_spoil = list(faults.spoilt)
        self._rng = Random(f"{seed} line")
        self._receiver: Receiver | None = None
        self._to_at = self._from_at = 0.0
        self._opened = 0
        self.opened_at: list[float] = []
        self.pulsed: list[float] = []  # DTR
        self.after_hearing: Callable[[float], None] = lambda at: None
        self.silent_until = 0.0
        self.dead = False
        self.kill_at: tuple[int, bool] | None = None  # at which write, and whether it still goes out
        self.killed: Callable[[], None] = lambda: None
        self.writes = 0
        self.written: list[tuple[float, bytes]] = []
        self.heard: list[tuple[float, bytes]] = []  # as the runner got it
        self.befell: Counter[str] = Counter()
        self.hash = hashlib.sha256()

    # ---- as the runner and the stage see it

    def open(self, receiver: Receiver) -> None:
        if self.dead:
            return
        self._board.open(self._arrived)
        self._opened += 1
        self._receiver = receiver
        self.opened_at.append(self._loop.time())
        self._note("open", b"")

    def close(self) -> None:
        self._receiver = None
        self._opened += 1
        self._board.close()

    def write(self, data: bytes) -> None:
        if self.dead:
            return
        self.writes += 1
        if self.kill_at is not None and self.writes == self.kill_at[0]:
            self.dead = True
            self._loop.call_soon(self.killed)
            if not self.kill_at[1]:
                return
        self._note("to", data)
        self.written.append((self._loop.time(), data))
        for piece in self._on_its_way(data, "in"):
            self._to_at = self._later(self._to_at, piece, self._board.write)

    def pulse_dtr(self) -> None:
        if not self.dead:
            self._note("dtr", b"")
            self.pulsed.append(self._loop.time())
            self._board.pulse_dtr()

    @property
    def there(self) -> bool:
        """Is the device plugged in?"""
        return self._board._now() >= self._board._plugged_in_at

    def befall(self, fault: str) -> None:
        self._board.befall(fault)

    # ---- the way

    def _arrived(self, data: bytes) -> None:
        if not data:
            self._hand_over(b"")
            return
        for piece in self._on_its_way(self._spoilt(data), "out"):
            self._from_at = self._later(self._from_at, piece, self._hand_over)

    def _hand_over(self, data: bytes) -> None:
        receiver = self._receiver
        if receiver is not None and not self.dead:
            self._note("from", data)
            self.heard.append((self._loop.time(), data))
            receiver(data)
            self.after_hearing(self._loop.time())

    def _later(self, last: float, data: bytes, arrive: Callable[[bytes], Any]) -> float:
        """On arrival, in order. The clock at which it arrives."""
        now = self._loop.time()
        at = max(last, now + self._rng.uniform(0.0, self._faults.late_s)) if self._faults.late_s else now
        if at <= now:
            arrive(data)
        else:
            self.befell["late"] += 1
            self._loop.call_at(at, self._arrives, data, arrive, self._opened)
        return at

    def _arrives(self, data: bytes, arrive: Callable[[bytes], Any], opened: int) -> None:
        if opened == self._opened or arrive is self._board.write:
            arrive(data)

    def _on_its_way(self, data: bytes, way: str) -> list[bytes]:
        """The pieces that arrive of one that was sent."""
        if self._loop.time() < self.silent_until:
            self.befell["silenced"] += 1
            return []
        faults = self._faults
        flip, lose, twice = (
            (faults.flip_in, faults.lose_in, faults.twice_in)
            if way == "in"
            else (faults.flip_out, faults.lose_out, faults.twice_out)
        )
        if flip or lose:
            data = self._damaged(data, flip, lose, way)
        if not data:
            return []
        if twice and self._rng.random() < twice:
            self.befell[f"twice_{way}"] += 1
            return [data, data]
        return [data]

    def _spoilt(self, data: bytes) -> bytes:
        for one, other in list(self._to_spoil):
            if one.encode() in data:
                self._to_spoil.remove((one, other))
                data = data.replace(one.encode(), other.encode(), 1)
        return data

    def _damaged(self, data: bytes, flip: float, lose: float, way: str) -> bytes:
        random, kept = self._rng.random, bytearray()
        for byte in data:
            chance = random()
            if chance < lose:
                self.befell[f"lost_{way}"] += 1
                continue
            if chance < lose + flip:
                self.befell[f"flipped_{way}"] += 1
                byte ^= 1 << self._rng.randrange(8)
            kept.append(byte)
        return bytes(kept)

    # ---- the trace

    def _note(self, what: str, data: bytes) -> None:
        self.hash.update(what.encode() + struct.pack("<dI", self._loop.time(), len(data)) + data)

    def note_event(self, text: str) -> None:
        self._note("event", text.encode())


def ends_the_task(loop: asyncio.AbstractEventLoop) -> None:
    """The run's own task is cancelled, as by a fault in what started it."""
    for task in asyncio.all_tasks(loop):
        if task.get_coro().__qualname__ == "Runner.run":  # type: ignore[union-attr]
            task.cancel()
