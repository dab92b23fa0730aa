"""Regular steps from a part's shape alone: their rise, where the first begins, how many; or that there are none.

`layer_events` says where something happens, `rise_search` at which distances that repeats, `step_places` where steps of
such a rise may lie, `step_doubt` why the best of them is not sure. Here one is chosen, and told: as sure, or as the likeliest
with what else it might be.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Final

from banderole_protocol.modal import EMode

from .blocks import blocks_of
from .itinerary import Itinerary
from .layer_events import trains_of
from .layer_signature import Layer, LayerSignatures
from .rise_search import Rise, rises_of
from .step_doubt import doubt, nothing
from .step_place import Place
from .step_places import Places

MOST_CANDIDATES: Final = 3
MOST_LOOKED_AT: Final = 40
"""Places that are asked for their figures: many say the same."""
LEAST_LAYERS: Final = 20
"""A lower part has no steps that could be told from chance, and says nothing of those beside it: a purge line laid down
higher than the first layer is a part in turn, too."""


@dataclass(frozen=True, slots=True)
class Stairs:
    """Regular steps; mm. `significance`: how likely such a repetition is by chance. `why`: what speaks for them."""

    plinth_mm: float
    rise_mm: float
    count: int
    significance: float
    why: str


@dataclass(frozen=True, slots=True)
class Unsure:
    """Something regular that may be read in several ways, the likeliest first; `why` it is not sure."""

    why: str
    candidates: tuple[Stairs, ...] = ()


@dataclass(frozen=True, slots=True)
class NoStairs:
    """Nothing regular."""

    why: str


Answer = Stairs | Unsure | NoStairs


def find_stairs(file: BinaryIO, where: str, e_mode: EMode | None) -> Answer:
    """The steps of an open file. Raises InputError for what is no G-code."""
    signatures = LayerSignatures()
    for _ in Itinerary(blocks_of(file, where), None, e_mode, None, signatures.observer).items():
        pass
    return stairs_of(signatures)


def stairs_of(signatures: LayerSignatures) -> Answer:
    """The steps of what was gathered. Parts in turn must all say the same."""
    if signatures.cut_short:
        return Unsure("the file has more layers or parts than are looked at")
    parts = signatures.parts()
    tall = [part for part in parts if len(part.layers) >= LEAST_LAYERS]
    return combine([find_in(part.layers, part.spiral) for part in tall or parts])


def combine(found: Sequence[Answer]) -> Answer:
    """What several parts say together: sure where one is and each other may be read so."""
    if not found:
        return NoStairs("nothing is deposited")
    if len(found) == 1:
        return found[0]
    sure = [one for one in found if isinstance(one, Stairs)]
    readings = [_readings(one) for one in found]
    if sure and all(any(_close(sure[0], one) for one in may_be) for may_be in readings):
        return sure[0]
    ranked = [may_be[n] for n in range(MOST_CANDIDATES) for may_be in readings if n < len(may_be)]
    if not ranked:
        return found[0]
    shared = {one: sum(any(_close(one, other) for other in may_be) for may_be in readings) for one in ranked}
    candidates = _distinct(sorted(shared, key=lambda one: -shared[one]))
    agree = not sure and shared[candidates[0]] == len(found)
    return Unsure(found[0].why if agree else "parts in turn differ", candidates)


def _distinct(readings: Iterable[Stairs]) -> tuple[Stairs, ...]:
    """The first of them that are not nearly the same."""
    kept: list[Stairs] = []
    for one in readings:
        if len(kept) < MOST_CANDIDATES and all(not _close(one, other) for other in kept):
            kept.append(one)
    return tuple(kept)


def _readings(one: Answer) -> tuple[Stairs, ...]:
    return (one,) if isinstance(one, Stairs) else one.candidates if isinstance(one, Unsure) else ()


def find_in(layers: Sequence[Layer], spiral: bool = False) -> Answer:
    """The steps in one part's layers, from the bed upwards; `spiral`: its rows are turns, and begin anywhere. Pure."""
    if len(layers) < LEAST_LAYERS:
        return NoStairs("too few layers")
    found, places = places_in(layers, spiral)
    if not found:
        return NoStairs("nothing repeats along the height at even distances")
    best = found[0]
    if nothing(best, places, layers):
        return NoStairs("what repeats along the height is the infill's own pattern, or chance")
    stairs, *others = [reading(place, places) for place in found[:MOST_LOOKED_AT]]
    by_place = zip(found[1:MOST_LOOKED_AT], others, strict=True)
    rival = next((place for place, other in by_place if _other(other, stairs, places.half)), None)
    why_not = doubt(best, rival, places)
    return stairs if why_not is None else Unsure(why_not, _distinct([stairs, *others]))


def places_in(layers: Sequence[Layer], spiral: bool) -> tuple[list[Place], Places]:
    """Where steps may lie in one part, the likeliest first, and what tells of it."""
    trains = trains_of(layers)
    rises = rises_of(layers, trains)
    places = Places(layers, trains, spiral)
    most = Rise(0.0, max((rise.outline for rise in rises), default=0.0), max((rise.all for rise in rises), default=0.0))
    found = sorted((place for rise in rises for place in places.of(rise, most)), key=lambda place: -place.score)
    return found, places


def reading(place: Place, places: Places) -> Stairs:
    """What a place says, in figures as they were likely drawn."""
    figures = places.figures(place)
    low = "the bed" if place.plinth == 0 else "a foot" if place.seen else "the edges between steps"
    end = {"top": "the top", "cap": "a cap"}.get(place.end, "the edges between steps")
    why = f"{low} and {end} agree" if low != end else f"{low} say so"
    return Stairs(figures.plinth, figures.rise, place.count, place.rise.chance, why)


def _other(one: Stairs, best: Stairs, half: float) -> bool:
    """Is it another reading: another number of steps, or an end more than half a layer away?"""
    ends = [abs(one.plinth_mm + n * one.rise_mm - best.plinth_mm - n * best.rise_mm) for n in (0, best.count)]
    return one.count != best.count or max(ends) > half


def _close(one: Stairs, other: Stairs) -> bool:
    return abs(one.plinth_mm - other.plinth_mm) < 0.4 and abs(one.rise_mm - other.rise_mm) < 0.1
