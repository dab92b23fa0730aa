"""What a runner has of the world beside its event loop's clock: the time of day, names nobody guesses, and its beat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from secrets import token_hex
from typing import Final

TICK_S: Final = 0.05
"""Between two looks at the clock: a tenth of the half second in which a heat-off must be on the wire."""


def _wall() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Clockwork:
    """The defaults are those of life; a rehearsal brings its own, so that it is the same each time.

    `rest_s`: between two looks while nothing falls due on the line. More than `TICK_S` only where no printer is.
    """

    wall: Callable[[], datetime] = _wall
    token: Callable[[int], str] = token_hex
    rest_s: float = TICK_S

    def utc(self) -> str:
        """The time of day as it stands in events."""
        return self.wall().isoformat(timespec="milliseconds").replace("+00:00", "Z")


LIFE: Final = Clockwork()
