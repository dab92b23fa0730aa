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
from .step_doubt import LEAST_WHOLE, MOST_OUTSIDE, doubt, nothing
from .step_figures import round_figures
from .step_place import CLEAR, FULL, Place
from .step_places import Places

MOST_CANDIDATES: Final = 3
MOST_LOOKED_AT: Final = 12
"""Places that are asked for their figures: those of further ones nobody would look for."""
PLAIN: Final = 0.05
"""Share of what repeats that may begin in a plinth that is plain."""
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
    trains = trains_of(layers)
    rises = rises_of(layers, trains)
    if not rises:
        return NoStairs("nothing repeats along the height")
    places = Places(layers, trains, spiral)
    most = Rise(0.0, max(rise.outline for rise in rises), max(rise.all for rise in rises))
    found = sorted((place for rise in rises for place in places.of(rise, most)), key=lambda place: -place.score)
    best = _best(found, places)
    if best is None:
        return NoStairs("nothing repeats at even distances")
    stairs = _stairs(best, places)
    if nothing(best, places, layers):
        return NoStairs("what repeats along the height is the infill's own pattern, or chance")
    rivals = [place for place in found if not _same(place, best, places)]
    why_not = doubt(best, [place for place in rivals if _other(place, best, stairs, places)], places, spiral)
    if why_not is None:
        return stairs
    return Unsure(why_not, _distinct([stairs, *(_stairs(place, places) for place in rivals[:MOST_LOOKED_AT])]))


def _best(found: list[Place], places: Places) -> Place | None:
    """The place with most to speak for it; but not one that takes several steps for one, nor one that begins within a frame."""
    if any(place.framed for place in found):
        found = [place for place in found if place.held or place.outside <= MOST_OUTSIDE]
    if not found:
        return None
    best = found[0]
    for place in found:
        if place.score < best.score - 7:
            break
        if (
            place.spoken > 0.6 * best.spoken
            and any(abs(place.mm * times - best.mm) < places.pair for times in (2, 3, 4, 5))
            and _on(best.plinth, place, places)
            and (
                max(0.0, place.walls) + max(0.0, place.inside) > max(0.0, best.walls) + max(0.0, best.inside) + 1.5
                or (min(place.rise.whole) >= LEAST_WHOLE and not place.rise.turns)
            )
        ):
            return place
    return next((place for place in found if _raised(place, best, places)), best)


def _raised(one: Place, best: Place, places: Places) -> bool:
    """Counted from the bed there is one step more than one's edges tell: are its steps upon a plinth of about their height?"""
    near = best.plinth == 0 and abs(one.plinth - best.mm) < 2 * places.pair and one.count == best.count - 1
    return (
        near
        and one.end == best.end != "cut"
        and one.stop == best.stop
        and one.walls + one.inside > best.walls + best.inside + 2 * FULL
    )


def _on(z: float, place: Place, places: Places) -> bool:
    """Is a height one of the place's boundaries, or in line with them?"""
    steps = (z - place.plinth) / place.mm
    return abs(steps - round(steps)) * place.mm < places.pair


def _same(one: Place, best: Place, places: Places) -> bool:
    """Are the boundaries of the one among those of the best, or in line with them?"""
    times = round(one.mm / best.mm)
    if times < 1 or abs(one.mm - times * best.mm) >= places.pair * times:
        return False
    return best.framed or _on(one.plinth, best, places)  # a frame's own edges come again as well


def _other(place: Place, best: Place, stairs: Stairs, places: Places) -> bool:
    """Is it another reading of the part? Not where it says the same in other layers, or where its first step is no step."""
    if place.low < CLEAR and best.outside <= PLAIN and not places.lattice.outline.steps_from(place.plinth, place.mm):
        return False
    near = 2.2 * places.pair
    ends = [abs(place.plinth + n * place.mm - best.plinth - n * best.mm) for n in (0, best.count)]
    if place.count != best.count or max(ends) > near:
        return True
    if place.walls + place.inside < best.walls + best.inside - FULL:
        return False
    said = _stairs(place, places)
    ends = [abs(said.plinth_mm + n * said.rise_mm - stairs.plinth_mm - n * stairs.rise_mm) for n in (0, best.count)]
    return max(ends) > places.half


def _stairs(place: Place, places: Places) -> Stairs:
    figures = round_figures(place.plinth, place.mm, place.count, places.lattice.seen(place), places.half)
    low = "the bed" if place.plinth == 0 else "a foot" if place.low > 2 else "the edges between steps"
    end = {"top": "the top", "cap": "a cap"}.get(place.end, "the edges between steps")
    return Stairs(
        figures.plinth,
        figures.rise,
        place.count,
        place.rise.chance,
        f"{low} and {end} agree" if low != end else f"{low} say so",
    )


def _close(one: Stairs, other: Stairs) -> bool:
    return abs(one.plinth_mm - other.plinth_mm) < 0.4 and abs(one.rise_mm - other.rise_mm) < 0.1
