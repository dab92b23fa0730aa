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
"""Nats: edges between all steps."""
VAGUE: Final = 2.5
CLEAR: Final = 6.0
"""Strengths: an end of which only some edges tell; a foot or a cap that a person sees. Tuned on drawn towers."""
FRAMED: Final = 7.0
"""Nats that frames of steps are worth: as many as edges between all steps at most."""


@dataclass(frozen=True, slots=True)
class Place:
    """Steps: where the first begins, the rise, how many, and whether `top`, `cap` or nothing (`cut`) ends them at `stop`.

    What speaks for them: `low` (bed or foot) and `high` (top or cap), as strengths; `walls` and `inside`, nats of edges where
    steps meet; `framed`, whether something stands in the middle of each; `alone`, whether walls move where steps meet and
    nowhere else; `spoken`, how well the rise does among all. Against: `once` and `outside`.
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
    once: float
    outside: float
    spoken: float
    rise: Rise

    @property
    def mm(self) -> float:
        return self.rise.mm

    @property
    def held(self) -> bool:
        """Does it stand on the bed, or on a foot that a person sees?"""
        return self.plinth == 0 or self.low >= CLEAR

    @property
    def score(self) -> float:
        """What lies below and above weighs more than edges: those of a window are as regular as those between steps."""
        edges = 0.4 * max(0.0, min(FRAMED, self.walls)) + 0.25 * max(0.0, min(4.0, self.inside))
        return self.low + self.high + edges + self.spoken - min(10.0, self.once) - 6 * self.outside
