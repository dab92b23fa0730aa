"""Asking a printer who it is, and nothing else. Until it has answered properly only M110 and M115 go out.

It may be another device altogether, or a printer at work that nobody told us of: nothing here heats, moves or sets.
That is also why this is a conversation of its own. A run that is broken off makes safe, and a window that hears noise
asks for temperatures: both send what an unknown device must not get.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from banderole_protocol import (
    Banner,
    Capability,
    EndlessLine,
    Identity,
    LineSplitter,
    Ok,
    Reply,
    Report,
    Resend,
    frame,
    parse,
)
from banderole_protocol.probes import REMINDER

from banderole.cli.manner import Manner
from banderole.link.port import Receiver

BANNER_S: Final = 2.0
"""A board that restarts when its port is opened says so within this; another says nothing (common practice, no source)."""
AGAIN_S: Final = 1.0
"""Between two tries."""
ANSWER_WITHIN_S: Final = 15.0
"""From opening the port: slow boards boot for ten seconds (common practice, no source)."""
READING_TRIES: Final = 3
"""For temperatures: asked at once and each second again; a sound printer takes some milliseconds."""
GREETING: Final = frame(0, b"M110 N0") + frame(1, b"M115")
"""26 bytes: both fit the smallest receive buffer at once, so the second need not wait for the answer to the first."""
BEHIND_S: Final = 0.3
"""An `ok` behind a request comes at once, or never."""
TICK_S: Final = 0.02
KEPT: Final = 60
"""Bytes kept of what was heard, to show somebody who has the wrong speed."""


class Line(Protocol):
    """A serial port, as far as it is needed here."""

    def open(self, receiver: Receiver) -> None: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class NoPrinter(Exception):
    """Nobody answers as a printer does (exit 3): one line."""


@dataclass(slots=True)
class Answers:
    """What a printer said of itself. `reads` tells whether temperatures came; `measured` is in °C, by heater."""

    identity: dict[str, str] = field(default_factory=dict)
    capabilities: dict[str, bool] = field(default_factory=dict)
    measured: dict[str, float] = field(default_factory=dict)
    restarted: bool = False
    manner: Manner = field(default_factory=Manner)

    def as_json(self) -> dict[str, Any]:
        return {
            "identity": self.identity,
            "capabilities": self.capabilities,
            "reads": bool(self.measured),
            "measured": self.measured,
            "restarted": self.restarted,
            "manner": self.manner.as_json(),
        }


class Inquiry:
    """One conversation on one port."""

    def __init__(self, line: Line, name: str) -> None:
        self.answers = Answers()
        self._line = line
        self._name = name
        self._splitter = LineSplitter()
        self._heard = b""
        self._banner = False
        self._oks = 0  # since the last greeting, which is answered by two
        self._next = 2  # number of the next line
        self._gone = False

    async def ask(self) -> Answers:
        """Raises PortError, or NoPrinter; the port is closed again in any case."""
        self._line.open(self._received)
        try:
            await self._greet()
            for _ in range(READING_TRIES):
                self._line.write(frame(self._next, b"M105"))
                if await self._wait(lambda: bool(self.answers.measured), AGAIN_S):
                    break
            if self.answers.measured:
                await self._be_refused()
        finally:
            self._line.close()
        return self.answers

    async def _be_refused(self) -> None:
        """How it asks for a line again: a number without a block, which is never the next, does nothing to any printer."""
        manner = self.answers.manner
        self._line.write(REMINDER)
        if await self._wait(lambda: manner.asks_again is not None, AGAIN_S):
            await self._wait(lambda: bool(manner.ok_behind_asking), BEHIND_S)

    async def _greet(self) -> None:
        """After the banner or 2 s, then each second: numbering anew, and who it is."""
        began = _now()
        await self._wait(lambda: self._banner, BANNER_S)
        while _now() - began < ANSWER_WITHIN_S:
            self._banner, self._oks = False, 0
            self._line.write(GREETING)
            await self._wait(lambda: self._banner or self._said, AGAIN_S)
            if not self._banner and (self.answers.identity or self._oks >= 2):
                return  # with two answers and no identity it takes numbered lines and does not say who it is
        raise NoPrinter(f"{self._name}: {self._silence()}")

    @property
    def _said(self) -> bool:
        """It has said who it is, and all of it: what it can do comes before the last `ok`."""
        return bool(self.answers.identity) and self._oks >= 2

    async def _wait(self, done: Callable[[], bool], seconds: float) -> bool:
        until = _now() + seconds
        while not done():
            if self._gone:
                raise NoPrinter(f"{self._name}: unplugged meanwhile; plug it in again")
            if _now() >= until:
                return False
            await asyncio.sleep(TICK_S)
        return True

    def _received(self, data: bytes) -> None:
        if not data:
            self._gone = True
            return
        self._heard = (self._heard + data)[:KEPT]
        try:
            lines = self._splitter.feed(data)
        except EndlessLine:
            return  # no printer, or another speed; what was heard is shown at the end
        self.answers.manner.bytes_came(data)
        for line in lines:
            reply = parse(line)
            self.answers.manner.heard(line, reply)
            self._take(reply)

    def _take(self, reply: Reply) -> None:
        """Whatever else a device says does not tell who it is."""
        match reply:
            case Ok(identity=identity, readings=readings):
                self._oks += 1
                if identity is not None:
                    self._take(identity)
                if readings is not None:
                    self._take(Report(readings))
            case Identity(fields=fields):
                self.answers.identity = fields
            case Capability(name=name, enabled=enabled):
                self.answers.capabilities[name] = enabled
            case Report(readings=readings):
                heaters = {"nozzle": readings.nozzle, "bed": readings.bed, "chamber": readings.chamber}
                self.answers.measured = {name: one.measured for name, one in heaters.items() if one is not None}
            case Resend(line=number):
                self._next = number
            case Banner():
                self._banner = self.answers.restarted = True

    def _silence(self) -> str:
        if not self._heard:
            return (
                f"nothing answered within {ANSWER_WITHIN_S:.0f} s; is it the right port, the right --baud, and the "
                "printer switched on?"
            )
        shown = "".join(chr(byte) if 32 <= byte < 127 else "?" for byte in self._heard)
        return f"something answers, but not as a printer does ({shown!r}); is --baud right, and is it a printer?"


def _now() -> float:
    return asyncio.get_running_loop().time()
