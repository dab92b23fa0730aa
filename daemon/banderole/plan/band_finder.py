"""Regular steps from a part's shape alone: where its edges are, which of them are alike, and whether those come evenly.

An edge is a height at which layers change. Edges alike (the same change) that come at even distances are a comb; its
distance is the rise. The plinth is taken only where two things agree on it: whole steps counted down from the part's top,
and the end of what does not repeat. Less is no answer (a cap may end where a window does): a wrong one spoils a print.

Not found yet, and said to be none: marks that differ from step to step, and steps on walls that lean.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import BinaryIO, Final

from banderole_protocol.modal import EMode

from .blocks import blocks_of
from .itinerary import Itinerary
from .layer_signature import FEATURES, SMALLEST, Layer, LayerSignatures

LEAST_EDGES: Final = 4
"""Edges alike that make a comb: of three, two even distances come about by chance too often."""
LEAST_LAYERS: Final = 5
"""A step of fewer layers settles nothing: it is a pattern of the inside."""
CHANCE: Final = 1e-3
"""How likely a comb may be among edges set down at random, all combs that were looked for counted."""
PARTNERED: Final = 0.9
"""Share of the edges above the plinth that must have one like them a rise higher or lower."""
MOST_KINDS: Final = 200
"""Kinds of edges that are kept apart. A part with more has no steps, or none that this finds."""
_CHANGES: Final = (FEATURES.index("overhang"), FEATURES.index("ended"))
"""These hold a layer against the one below already."""
ALIKE: Final = 0.02
"""Changes that differ by less than this share of themselves are alike."""


@dataclass(frozen=True, slots=True)
class Stairs:
    """Regular steps; mm. `significance`: the chance of such a comb among random edges. `alternatives`: other rises."""

    plinth_mm: float
    rise_mm: float
    count: int
    significance: float
    alternatives: tuple[float, ...]
    why: str


@dataclass(frozen=True, slots=True)
class NoStairs:
    """No answer: nothing regular, or (`uncertain`) something that does not say where steps begin."""

    uncertain: bool
    why: str


@dataclass(frozen=True, slots=True)
class Edge:
    """Between two layers: its height (mm), and how FEATURES change there."""

    z: float
    change: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Comb:
    """Edges alike at even distances: the lowest, the distance (mm), how many, and the chance of it."""

    lowest: float
    rise: float
    edges: int
    chance: float


def find_stairs(file: BinaryIO, where: str, e_mode: EMode | None) -> Stairs | NoStairs:
    """The steps of an open file. Raises InputError for what is no G-code. Parts in turn must all say the same."""
    signatures = LayerSignatures()
    for _ in Itinerary(blocks_of(file, where), None, e_mode, None, signatures.observer).items():
        pass
    if signatures.cut_short:
        return NoStairs(True, "the file has more layers or parts than are looked at")
    parts = [part.layers for part in signatures.parts() if len(part.layers) >= LEAST_EDGES * LEAST_LAYERS]
    found = [find_in(layers) for layers in parts]
    if not found:
        return NoStairs(False, "too few layers")
    first = found[0]
    for other in found[1:]:
        if not (isinstance(first, Stairs) and isinstance(other, Stairs)):
            if isinstance(first, NoStairs) and isinstance(other, NoStairs):
                continue
            return NoStairs(True, "parts in turn differ")
        if (first.plinth_mm, first.rise_mm, first.count) != (other.plinth_mm, other.rise_mm, other.count):
            return NoStairs(True, "parts in turn have different steps")
    return first


def find_in(layers: Sequence[Layer]) -> Stairs | NoStairs:
    """The steps in one part's layers, from the bed upwards. Pure."""
    edges = _edges(layers)
    kinds = _kinds(edges)
    if kinds is None:
        return NoStairs(False, "no regular steps: nearly every layer changes in its own way")
    height = sorted(layer.height for layer in layers)[len(layers) // 2]
    combs = [comb for kind in kinds if (comb := _comb(kind, layers, height, len(kinds))) is not None]
    if not combs:
        return NoStairs(False, "no regular steps: no edges alike come at even distances")
    best = min(combs, key=lambda comb: (comb.chance, comb.rise))
    others = sorted({round(c.rise, 2) for c in combs if abs(c.rise - best.rise) > height / 2})
    if others:
        return NoStairs(True, f"uncertain: edges come every {best.rise:.2f} mm and every {others[0]:g} mm")
    lone = [edge.z for edge in edges if not _has_partner(edge, edges, best.rise, height)]
    return _placed(best, combs, edges, lone, layers[-1].z, height)


def _placed(
    best: Comb, combs: list[Comb], edges: list[Edge], lone: list[float], top: float, height: float
) -> Stairs | NoStairs:
    """Where the first step begins: the base is what lies under the lowest comb and does not repeat."""
    low = min(comb.lowest for comb in combs)
    base = max((z for z in lone if z <= low + height / 2), default=0.0)
    count = max(0, math.floor((top - base + height / 2) / best.rise))
    plinth = top - count * best.rise
    share = 1 - sum(1 for z in lone if z > base + height / 2) / max(1, sum(1 for e in edges if e.z > base))
    if share < PARTNERED:
        return NoStairs(True, f"uncertain: only {share:.0%} of the edges repeat every {best.rise:.2f} mm")
    at_base = base > 0 and abs(plinth - base) <= height / 2
    if count < LEAST_EDGES - 1 or not at_base:
        return NoStairs(True, f"uncertain: steps of {best.rise:.2f} mm, but not where the first begins")
    why = f"{best.edges} edges alike, {best.rise:.2f} mm apart; the top and the end of the base agree on the plinth"
    return Stairs(round(plinth, 2), round(best.rise, 3), count, best.chance, (), why)


def _edges(layers: Sequence[Layer]) -> list[Edge]:
    found = []
    for below, layer in itertools.pairwise(layers):
        change = tuple(
            b if of in _CHANGES else b - a for of, (a, b) in enumerate(zip(below.values, layer.values, strict=True))
        )
        if any(abs(by) > least for by, least in zip(change, SMALLEST, strict=True)):
            found.append(Edge(below.z, change))
    return found


def _kinds(edges: list[Edge]) -> list[list[Edge]] | None:
    kinds: list[list[Edge]] = []
    for edge in edges:
        for kind in kinds:
            if _alike(kind[0].change, edge.change):
                kind.append(edge)
                break
        else:
            if len(kinds) == MOST_KINDS:
                return None
            kinds.append([edge])
    return kinds


def _alike(one: tuple[float, ...], other: tuple[float, ...], slack: float = 1.0) -> bool:
    pairs = zip(one, other, SMALLEST, strict=True)
    return all(abs(a - b) <= slack * (least + ALIKE * abs(a)) for a, b, least in pairs)


def _comb(kind: list[Edge], layers: Sequence[Layer], height: float, tried: int) -> Comb | None:
    """The chance: of all orders and places of so many edges among the layers, those within one layer of even."""
    count = len(kind)
    if count < LEAST_EDGES:
        return None
    rise = (kind[-1].z - kind[0].z) / (count - 1)
    if rise < LEAST_LAYERS * height:
        return None
    if any(abs(edge.z - kind[0].z - n * rise) > height * 0.75 for n, edge in enumerate(kind)):
        return None
    log = math.lgamma(count) + (count - 2) * math.log(3 / len(layers)) + math.log(tried)
    chance = math.exp(min(0.0, log))
    return Comb(kind[0].z, rise, count, chance) if chance <= CHANCE else None


def _has_partner(edge: Edge, edges: list[Edge], rise: float, height: float) -> bool:
    """With twice the room: what was sorted into two kinds by a hair is still alike."""
    near = (other for other in edges if abs(abs(other.z - edge.z) - rise) <= height)
    return any(_alike(edge.change, other.change, 2.0) for other in near)
