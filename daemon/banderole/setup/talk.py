"""A cold conversation: one numbered line, its answer, the next. For what neither heats nor needs watching.

Whoever uses it sends nothing that heats. A line is written again when it is refused, so each is carried out once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from banderole_protocol import (
    Banner,
    EndlessLine,
    Fatal,
    LineSplitter,
    Ok,
    Refusal,
    Reply,
    Report,
    Resend,
    frame,
    parse,
)
from banderole_protocol.readings import Readings

TICK_S: Final = 0.01
BANNER_S: Final = 2.0
"""A board that restarts when its port is opened says so within this; another says nothing (common practice, no source)."""
GREETED_S: Final = 15.0
"""From opening the port: slow boards boot for ten seconds (common practice, no source)."""
ANSWER_S: Final = 5.0
AGAIN_S: Final = 1.0
TRIES: Final = 5
QUIET_S: Final = 0.1
"""After a refusal: the `ok` that most boards send behind it must not pass for the next answer."""
STILL_S: Final = 0.4
"""Nothing more comes of a burst: a board that is awake answers a line within some hundredths of a second."""


class Line(Protocol):
    """A port, as far as it is needed here."""

    def open(self, receiver: Callable[[bytes], None]) -> None: ...
    def write(self, data: bytes) -> None: ...
    def pulse_dtr(self) -> None: ...
    def close(self) -> None: ...


class NoPrinter(Exception):
    """It does not answer, or no longer (exit 3): one line."""


class Talk:
    """One conversation on one port; `async with Talk(line, name) as talk`."""

    def __init__(self, line: Line, name: str) -> None:
        self.heard: list[Reply] = []
        self.gone = False
        self._line = line
        self._name = name
        self._splitter = LineSplitter()
        self._next = 0

    async def __aenter__(self) -> Talk:
        """Raises PortError, NoPrinter."""
        self._line.open(self._received)
        try:
            await self.wait(lambda: any(isinstance(one, Banner) for one in self.heard), BANNER_S)
            await self.greet(GREETED_S)
        except BaseException:
            self._line.close()
            raise
        return self

    async def __aexit__(self, *why: object) -> None:
        self._line.close()

    async def greet(self, within: float = ANSWER_S) -> None:
        """Numbering anew, whatever half line the printer may hold. Raises NoPrinter."""
        until = _now() + within
        while _now() < until:
            self._line.write(b"\n")
            await self.quiet(QUIET_S)  # what it says of that half line, and what it throws away with it, is over then
            self.heard.clear()
            self._next = 1
            self._line.write(frame(0, b"M110 N0"))
            if await self.wait(self._answered, AGAIN_S) and not self._refused:
                await self.quiet(QUIET_S)
                return
        raise NoPrinter(f"{self._name}: the printer no longer answers; look at it, then begin again")

    async def say(self, block: bytes, within: float = ANSWER_S) -> list[Reply]:
        """One block → what was heard until its `ok`, that included. Raises NoPrinter where none comes."""
        for _ in range(TRIES):
            self.heard.clear()
            self._line.write(frame(self._next, block))
            await self.wait(self._answered, within)
            if self._refused:
                await self.quiet(QUIET_S)
                continue
            if not self._answered():
                break
            self._next += 1
            return list(self.heard)
        raise NoPrinter(
            f"{self._name}: no answer to {block.decode('ascii')} within {within:.0f} s; look at the printer"
        )

    async def readings(self) -> Readings | None:
        """Temperatures, asked for."""
        await self.say(b"M105")
        await self.wait(lambda: self._readings() is not None, QUIET_S)
        return self._readings()

    async def burst(self, first: bytes, lines: Sequence[bytes], after: float, busy: float, most: float) -> list[Reply]:
        """`first` under the next number; `after` s later all the lines at once → what is heard.

        The board is busy for `busy` s; then until nothing has come for a while, for `most` s at most.
        """
        self.heard.clear()
        self._line.write(frame(self._next, first))
        await self.quiet(after)
        self._line.write(b"".join(lines))
        await self.quiet(busy)
        until, heard = _now() + most, -1
        while heard != len(self.heard) and _now() < until:
            heard = len(self.heard)
            await self.quiet(STILL_S)
        return list(self.heard)

    def pulse_dtr(self) -> None:
        """Restart the board, where its DTR line does that."""
        self.heard.clear()
        self._line.pulse_dtr()

    @property
    def next_number(self) -> int:
        return self._next

    async def wait(self, done: Callable[[], bool], seconds: float) -> bool:
        """Until `done`, for so long at most. Raises NoPrinter where the device is gone or has stopped itself."""
        until = _now() + seconds
        while not done():
            if (fatal := next((one for one in self.heard if isinstance(one, Fatal)), None)) is not None:
                raise NoPrinter(f"{self._name}: the printer has stopped itself ({fatal.text}); look at it")
            if self.gone:
                raise NoPrinter(f"{self._name}: unplugged meanwhile; plug it in again")
            if _now() >= until:
                return False
            await asyncio.sleep(TICK_S)
        return True

    async def quiet(self, seconds: float) -> None:
        """Let time pass."""
        await self.wait(lambda: False, seconds)

    @property
    def _refused(self) -> bool:
        return any(isinstance(one, Resend | Refusal) for one in self.heard)

    def _answered(self) -> bool:
        return any(isinstance(one, Ok | Resend) for one in self.heard)

    def _readings(self) -> Readings | None:
        for one in reversed(self.heard):
            if isinstance(one, Report):
                return one.readings
            if isinstance(one, Ok) and one.readings is not None:
                return one.readings
        return None

    def _received(self, data: bytes) -> None:
        if not data:
            self.gone = True
            return
        try:
            lines = self._splitter.feed(data)
        except EndlessLine:
            return  # another speed, or no printer: it shows as no answer
        self.heard.extend(parse(line) for line in lines)


def _now() -> float:
    return asyncio.get_running_loop().time()
