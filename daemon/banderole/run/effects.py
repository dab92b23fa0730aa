"""What the engine asks of the world outside, a closed list, and what that world tells it beside bytes and time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from banderole.plan.itinerary import Item


@dataclass(frozen=True, slots=True)
class Notify:
    """An event for record and outlets; `fields` as in the contract."""

    kind: str
    fields: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Raw:
    """Bytes to the printer past all numbering: what its emergency parser takes."""

    data: bytes


@dataclass(frozen=True, slots=True)
class PulseDtr:
    """Restart the board by its DTR line."""


@dataclass(frozen=True, slots=True)
class Reopen:
    """Close the port and open it again by its stable name."""


@dataclass(frozen=True, slots=True)
class NeedItem:
    """The next item of the itinerary, please: answered by `Engine.give`."""


@dataclass(frozen=True, slots=True)
class Latch:
    """Keep this trip until a person resets it."""

    trip: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Unfinished:
    """From now on the printer is not as it was found: what to put back, by channel."""

    prior: dict[str, float]


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over. `exit` as in the contract; `proven`: heat is off and was seen to be."""

    state: str
    exit: int
    reason: str
    proven: bool


Effect = Notify | Raw | PulseDtr | Reopen | NeedItem | Latch | Unfinished | Ended


# What comes in beside the protocol's own events.


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed."""


@dataclass(frozen=True, slots=True)
class Given:
    """The item asked for; None at the end of the file."""

    item: Item | None


@dataclass(frozen=True, slots=True)
class PortOpened:
    """The port is open (again)."""


@dataclass(frozen=True, slots=True)
class PortLost:
    """The device is gone, or could not be opened again."""

    reason: str


@dataclass(slots=True, eq=False)
class Ours:
    """A block that is not the file's: why it was inserted, s its motion takes, and whether the printer has taken it."""

    block: bytes
    reason: str
    seconds: float = 0.0
    taken: bool = False
