"""What the board sends: lines with their end, and all that may befall them on the way."""

from __future__ import annotations

import math
from collections import deque
from random import Random

from banderole.bench.manners import Manners
from banderole.bench.noise import Noise
from banderole.bench.records import Log

# Bytes kept for a host that never takes them: far above what a board says between two looks, and above ENDLESS.
KEPT_BYTES = 4 << 20
# Bytes of the line that never ends (fault S8).
ENDLESS = 1 << 20
LINE_ENDS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}


class Voice:
    """Gathers bytes to the host. What is said while `mute` is lost; what is said before `held_until` waits for it."""

    def __init__(self, manners: Manners, log: Log) -> None:
        self.noise = Noise(manners.noise_out, f"{manners.seed} line out")
        self.mute = False
        self.held_until = -math.inf
        self.oks_to_lose = 0
        self.oks_to_add = 0
        self.twists: deque[str] = deque()  # what befalls the next lines: damaged, merged, doubled, split
        self._manners = manners
        self._log = log
        self._end = LINE_ENDS[manners.line_end]
        self._rng = Random(f"{manners.seed} replies")
        self._out = bytearray()

    def say(self, text: str, now: float) -> None:
        line = text.encode("latin-1") + self._end
        if self.twists:
            line = self._twisted(line, self.twists.popleft(), now)
        self._put(line)

    def ok(self, text: str, now: float) -> None:
        """An acknowledgement: sent once, unless chance or a fault has it otherwise."""
        if self.oks_to_lose or self._chance(self._manners.drop_ok):
            self.oks_to_lose = max(0, self.oks_to_lose - 1)
            self._log.event(now, "ok_lost", text)
            return
        self.say(text, now)
        if self.oks_to_add or self._chance(self._manners.extra_ok):
            self.oks_to_add = max(0, self.oks_to_add - 1)
            self._log.event(now, "ok_extra", text)
            self.say("ok", now)

    def never_end(self) -> None:
        """A megabyte without a line end."""
        self._put(b"\xa5" * ENDLESS)

    def ready_at(self) -> float:
        """Clock at which there is something to take; infinite if there is nothing."""
        return self.held_until if self._out else math.inf

    def take(self, now: float) -> bytes:
        if not self._out or now < self.held_until:
            return b""
        data = self.noise.pass_on(bytes(self._out))
        self._out.clear()
        return data

    def forget(self) -> None:
        """Drops what waits: the board restarted, or nobody was there to hear it."""
        self._out.clear()

    def _put(self, data: bytes) -> None:
        if not self.mute and len(self._out) + len(data) <= KEPT_BYTES:
            self._out += data

    def _chance(self, probability: float) -> bool:
        return probability > 0.0 and self._rng.random() < probability

    def _twisted(self, line: bytes, twist: str, now: float) -> bytes:
        self._log.event(now, "reply_twisted", f"{twist}: {line!r}")
        match twist:
            case "damaged":
                at = self._rng.randrange(len(line) - len(self._end))
                return line[:at] + bytes([line[at] ^ 1 << self._rng.randrange(8)]) + line[at + 1 :]
            case "merged":
                return line[: -len(self._end)]
            case "doubled":
                return line + line
            case "split":  # a line end where none was sent
                at = self._rng.randrange(1, max(2, len(line) - len(self._end)))
                return line[:at] + self._end + line[at:]
            case _:
                raise ValueError(f"no such twist of a reply: {twist!r}")
