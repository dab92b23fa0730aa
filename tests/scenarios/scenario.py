"""What a scenario is: everything that one simulated run is made of. Plain data; `drawing` makes it of a seed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

from tests.support.towers import LAYER, STEPS, How

RISE: Final = STEPS[1]
BANDS: Final = len(STEPS)


@dataclass(frozen=True, slots=True)
class Moment:
    """When something happens: at so many seconds of the clock, or `after_s` the nth event of a kind."""

    at_s: float | None = None
    kind: str = ""
    nth: int = 1
    after_s: float = 0.0

    def __str__(self) -> str:
        return f"{self.at_s:g}s" if self.at_s is not None else f"{self.kind}#{self.nth}+{self.after_s:g}s"


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happens: `what` names it (see `play`), `words` are its own."""

    what: str
    when: Moment
    words: tuple[Any, ...] = ()

    def __str__(self) -> str:
        return f"{self.what}{list(self.words) if self.words else ''}@{self.when}"


@dataclass(frozen=True, slots=True)
class LineFaults:
    """What befalls bytes on their way, all through a run: probabilities for a byte, or for one piece as it was written."""

    flip_in: float = 0.0  # of a byte to the printer
    flip_out: float = 0.0
    lose_in: float = 0.0
    lose_out: float = 0.0
    twice_in: float = 0.0  # of a piece
    twice_out: float = 0.0
    late_s: float = 0.0  # a piece comes up to so much later, in order
    spoilt: tuple[
        tuple[str, str], ...
    ] = ()  # of what the printer says: where it has the first it comes as the other, once each

    @property
    def any(self) -> bool:
        return any(
            (self.flip_in, self.flip_out, self.lose_in, self.lose_out, self.twice_in, self.twice_out, self.late_s)
        )

    @property
    def damages(self) -> bool:
        """May bytes become others, or fewer?"""
        return any((self.flip_in, self.flip_out, self.lose_in, self.lose_out))


@dataclass(frozen=True, slots=True)
class Person:
    """Who stands by: what is done about a hold, and after how long (s)."""

    comes_s: float = 20.0
    resumes: int = 2  # so many holds; then it is stopped


@dataclass(frozen=True, slots=True)
class Scenario:
    """One run. `kinds`: the kinds of faults that are switched on; `solo`: it is one alone, and its end is known."""

    seed: int
    how: How
    channels: tuple[tuple[str, float, float], ...]  # scheduled: name, first, change
    settle: dict[str, Any]
    hold_before: int | None
    printer: dict[str, Any]  # the printer file, as data
    board: tuple[str, ...]  # settings of the emulated board
    found: dict[str, float]  # factors as the printer has them before
    kinds: tuple[str, ...] = ()
    solo: bool = False
    line: LineFaults = field(default_factory=LineFaults)
    happenings: tuple[Happening, ...] = ()
    person: Person = field(default_factory=Person)
    text: str = ""  # a G-code file of its own, instead of `how`
    layer: float = LAYER  # mm
    rise: float = RISE  # mm of a band

    def band_of(self, move: dict[str, Any]) -> int:
        """The one rule: a layer by its middle, a block of a spiral by its own path's middle. Counted from 0."""
        flat = abs(move["z1"] - move["z0"]) < 1e-4
        middle = move["z1"] - self.layer / 2 if flat else (move["z0"] + move["z1"]) / 2
        return max(0, min(BANDS - 1, math.floor((middle + 0.001) / self.rise)))

    def settings(self) -> dict[str, Any]:
        """The board's settings, by name."""
        return dict(setting.partition("=")[::2] for setting in self.board)

    def number(self, setting: str, default: float) -> float:
        return float(self.settings().get(setting, default))

    def told(self) -> str:
        """In one line."""
        parts = [
            f"seed {self.seed}",
            f"kinds {','.join(self.kinds) or 'none'}{' alone' if self.solo else ''}",
            f"tower {self.how}",
            f"channels {self.channels}",
            f"settle {self.settle}",
            f"printer {self.printer}",
            f"board {' '.join(self.board)}",
            f"found {self.found}",
            f"line {self.line}",
            f"happens {'; '.join(map(str, self.happenings)) or 'nothing'}",
            f"person {self.person}",
        ]
        return " | ".join(parts)
