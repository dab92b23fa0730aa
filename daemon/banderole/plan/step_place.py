"""A place where steps may lie, and what speaks for and against it; strengths and nats, heights in mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from .rise_search import Rise

LEAST_COUNT: Final = 3
"""Of two steps one distance is known: no regularity."""
LATTICE: Final = 3.0
"""Nats: edges between steps that are there."""
FULL: Final = 5.0
"""Nats: edges between all steps; more tells no more."""
VAGUE: Final = 2.5
CLEAR: Final = 6.0
"""Strengths: an end of which only some edges tell; a foot or a cap that a person sees."""
SEEN: Final = 2.0
"""Strength from which on something ends below the first step: it tells where that begins."""
FRAMED: Final = 7.0
"""Nats that frames of steps are worth: as many as edges between all steps at most."""
LEAST_OUTLINE: Final = 10.0
"""Nats of the outline below which it tells nothing, and an infill may."""

WEIGHTS: Final = {
    "low": 0.24,
    "high": 0.74,
    "seen": 1.54,
    "begun": 1.87,
    "like": 1.00,
    "walls": 0.40,
    "inside": 0.15,
    "alone": 1.99,
    "crossed": 1.78,
    "spoken": 0.99,
    "whole": 4.18,
    "part": -2.98,
    "outside": -8.12,
}
"""Nats that each sign is worth, by which a reading of a part is likelier than another of the same part: fitted by greatest
likelihood to drawn towers whose steps are known (`python -m tests.benchmarks.step_weights`)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Steps: where the first begins, the rise, how many, and whether `top`, `cap` or nothing (`cut`) ends them at `stop`.

    What speaks for them: `low` (bed or foot) and `high` (top or cap), as strengths; `walls` and `inside`, nats of edges where
    steps meet; `framed`, whether something stands in the middle of each; `spoken`, how well the rise does among all. What
    repeats `outside` of them speaks against. What is `begun`, `like`, `alone`, `crossed` is said by `Lattice`.
    """

    plinth: float
    count: int
    end: str
    stop: float
    low: float
    high: float
    walls: float
    inside: float
    framed: bool
    outside: float
    spoken: float
    rise: Rise
    begun: bool = False
    like: bool = False
    alone: bool = False
    crossed: bool = False

    @property
    def mm(self) -> float:
        return self.rise.mm

    @property
    def held(self) -> bool:
        """Does it stand on the bed, or on a foot that a person sees?"""
        return self.plinth == 0 or self.low >= CLEAR

    @property
    def seen(self) -> bool:
        """Does it stand on the bed, or on something that ends where it begins?"""
        return self.plinth == 0 or self.low > SEEN

    @property
    def signs(self) -> dict[str, float]:
        """What speaks for it, one number each; see WEIGHTS."""
        inside = self.inside if self.rise.outline < LEAST_OUTLINE else 0.0
        return {
            "low": self.low,
            "high": self.high,
            "seen": self.seen,
            "begun": self.begun,
            "like": self.like,
            "walls": min(FRAMED, max(0.0, self.walls)),
            "inside": min(FRAMED, max(0.0, inside)),
            "alone": self.alone,
            "crossed": self.crossed,
            "spoken": self.spoken,
            "whole": self.rise.whole,
            "part": min(1.5, self.rise.part),
            "outside": self.outside,
        }

    @property
    def score(self) -> float:
        """Nats: by how much more it is likelier than another reading of the same part."""
        return sum(WEIGHTS[name] * sign for name, sign in self.signs.items())
