"""Asking a printer who it is, and nothing else. Until it has answered properly only M110 and M115 go out.

It may be another device altogether, or a printer at work that nobody told us of: nothing here heats, moves or sets.
That is also why this is a conversation of its own: a run that is broken off makes safe, which sends what an unknown
device must not get.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from banderole_protocol import Capability, Identity, Report
from banderole_protocol.window import Acknowledged, Broken, Window

from banderole.link.port import Receiver

BANNER_S: Final = 2.0
"""A board that restarts when its port is opened says so within this; another says nothing (common practice, no source)."""
GREET_EVERY_S: Final = 1.0
ANSWER_WITHIN_S: Final = 15.0
"""From opening the port: slow boards boot for ten seconds (common practice, no source)."""
READING_WITHIN_S: Final = 3.0
"""For temperatures: asked at once and again by the window's probes; a sound printer takes some milliseconds."""
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

    def as_json(self) -> dict[str, Any]:
        return {
            "identity": self.identity,
            "capabilities": self.capabilities,
            "reads": bool(self.measured),
            "measured": self.measured,
            "restarted": self.restarted,
        }


class Inquiry:
    """One conversation on one port."""

    def __init__(self, line: Line, name: str) -> None:
        self.answers = Answers()
        self._line = line
        self._name = name
        self._window = Window()
        self._heard = b""
        self._banner = False
        self._answered = False
        self._gone = False

    async def ask(self) -> Answers:
        """Raises PortError, or NoPrinter; the port is closed again in any case."""
        self._line.open(self._received)
        try:
            await self._greet()
            self._window.ask_temperatures()
            await self._until(lambda: bool(self.answers.measured), READING_WITHIN_S)
        finally:
            self._line.close()
        return self.answers

    async def _greet(self) -> None:
        """After the banner or 2 s, then each second: numbering anew, and who it is."""
        began = _now()
        await self._wait(lambda: self._banner, BANNER_S)
        while _now() - began < ANSWER_WITHIN_S:
            self._banner = False
            self._window.greet()
            if await self._until(lambda: self._said or self._banner, GREET_EVERY_S) and self._said:
                return
            if self._answered and not self._banner:
                return  # it takes numbered lines and does not say who it is
        raise NoPrinter(f"{self._name}: {self._silence()}")

    @property
    def _said(self) -> bool:
        """It has said who it is, and all of it: what it can do comes before the `ok`."""
        return bool(self.answers.identity) and self._window.idle

    async def _until(self, done: Callable[[], bool], seconds: float) -> bool:
        """As `_wait`, and writes meanwhile: until it has answered only once, since the window asks after a garbled reply."""
        began, spoken = _now(), False
        while _now() - began < seconds:
            if self._answered or not spoken:
                self._window.tick(_now())
                self._write()
                spoken = True
            if await self._wait(done, TICK_S):
                return True
        return done()

    async def _wait(self, done: Callable[[], bool], seconds: float) -> bool:
        until = _now() + seconds
        while not done():
            if self._gone:
                raise NoPrinter(f"{self._name}: unplugged meanwhile; plug it in again")
            if _now() >= until:
                return False
            await asyncio.sleep(min(TICK_S, seconds))
        return True

    def _write(self) -> None:
        data = self._window.data_to_send(_now())
        if data:
            self._line.write(data)

    def _received(self, data: bytes) -> None:
        if not data:
            self._gone = True
            return
        self._heard = (self._heard + data)[:KEPT]
        self._take(self._window.receive(data, _now()))

    def _take(self, events: Iterable[Any]) -> None:
        for event in events:
            match event:
                case Identity(fields=fields):
                    self.answers.identity, self._answered = fields, True
                case Capability(name=name, enabled=enabled):
                    self.answers.capabilities[name] = enabled
                case Report(readings=readings):
                    heaters = {"nozzle": readings.nozzle, "bed": readings.bed, "chamber": readings.chamber}
                    self.answers.measured = {name: one.measured for name, one in heaters.items() if one is not None}
                case Acknowledged():
                    self._answered = True
                case Broken(restarted=True):
                    self._banner = self.answers.restarted = True
                    self._answered = False
                    self._window = Window()
                case _:
                    pass  # whatever else a device says does not tell who it is

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
