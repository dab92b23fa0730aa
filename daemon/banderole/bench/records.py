"""What the emulated printer really did, row by row: the ground truth that runs are judged by."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

OnRecord = Callable[[dict[str, Any]], None]


class Command(NamedTuple):
    """A command that began to be carried out: its line number (None where it had none), its text, the clock."""

    number: int | None
    text: str
    at: float


class Received(NamedTuple):
    """A line as the board heard it, damage included; `refused` is why it was not taken, "" where it was."""

    at: float
    raw: str
    refused: str


class Setpoint(NamedTuple):
    """A setpoint that took effect: channel, its value in the unit of the command (°C, 0–255, %, s, mm), the tool."""

    at: float
    number: int | None
    channel: str  # nozzle, bed, fan, feed, flow, advance, retract
    value: float
    tool: int


class Event(NamedTuple):
    """Anything else worth knowing: a refused line, lost bytes, motors let go, a fault that fired."""

    at: float
    kind: str
    detail: str


@dataclass(slots=True)
class Move:
    """One motion, carried out. Lengths in mm of the machine (G92 taken out), times on the clock in s.

    What binds when a motion is planned (`flow`, `factor`) is as planned; the nozzle is as it was while the motion ran:
    `target` when it began, `target_end` and the true temperature `nozzle` when it ended.
    """

    kind: str  # line, arc, filament (E alone), retract (G10, G11), home
    number: int | None
    start: float
    end: float
    x0: float
    y0: float
    z0: float
    x1: float
    y1: float
    z1: float
    length: float  # mm of path; of filament where only E moves
    e: float  # mm of filament as commanded, forward positive
    filament: float  # mm of filament as pushed: with the flow factor
    feed: float  # mm/min as commanded
    factor: float  # %, M220
    flow: float  # %, M221
    fan: float  # 0–255, M106
    tool: int
    known: bool  # every axis was homed and its motor has held since
    target: float = 0.0
    target_end: float = 0.0
    nozzle: float = 0.0

    @property
    def deposits(self) -> bool:
        """Moves in the machine while filament goes forward."""
        return self.filament > 0.0 and self.kind in ("line", "arc")


class Log:
    """Bounded lists of rows, and the callback that gets every one of them."""

    def __init__(self, limit: int, on_record: OnRecord | None) -> None:
        self.lines: deque[Received] = deque(maxlen=limit)
        self.commands: deque[Command] = deque(maxlen=limit)
        self.setpoints: deque[Setpoint] = deque(maxlen=limit)
        self.moves: deque[Move] = deque(maxlen=limit)
        self.events: deque[Event] = deque(maxlen=limit)
        self.executed = 0
        self.on_record = on_record
        self._kept = limit > 0 or on_record is not None

    def line(self, raw: bytes, at: float, refused: str = "") -> None:
        if not self._kept:
            return
        row = Received(at, raw.decode("latin-1"), refused)
        self.lines.append(row)
        if self.on_record is not None:
            self.on_record({"row": "line", **row._asdict()})

    def command(self, number: int | None, text: bytes, at: float) -> None:
        self.executed += 1
        if not self._kept:
            return
        row = Command(number, text.decode("latin-1"), at)
        self.commands.append(row)
        if self.on_record is not None:
            self.on_record({"row": "command", **row._asdict()})

    def setpoint(self, at: float, number: int | None, channel: str, value: float, tool: int = 0) -> None:
        row = Setpoint(at, number, channel, value, tool)
        self.setpoints.append(row)
        if self.on_record is not None:
            self.on_record({"row": "setpoint", **row._asdict()})

    def move(self, row: Move) -> None:
        self.moves.append(row)
        if self.on_record is not None:
            self.on_record({"row": "move", **{name: getattr(row, name) for name in Move.__slots__}})

    def event(self, at: float, kind: str, detail: str = "") -> None:
        row = Event(at, kind, detail)
        self.events.append(row)
        if self.on_record is not None:
            self.on_record({"row": "event", **row._asdict()})

    def deposits(self) -> list[Move]:
        """The motions that laid filament down, in order."""
        return [move for move in self.moves if move.deposits]

    def kinds(self) -> list[str]:
        """The kinds of all events, in order."""
        return [event.kind for event in self.events]
