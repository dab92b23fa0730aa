"""Regular steps from a part's shape alone: their rise, where the first begins, how many; or that there are none.

`layer_events` says where something happens, `rise_search` at which distances that repeats, `step_places` where steps of
such a rise may lie. Here is judged. An answer is given only where the rise stands out from chance, is no half and no
multiple of a better one, and where two things agree on the place: what lies below the first step, what ends the last, the
edges between them. Less is no answer, with what it might be: a wrong one spoils a print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO, Final

from banderole_protocol.modal import EMode

from .blocks import blocks_of
from .itinerary import Itinerary
from .layer_events import trains_of
from .layer_signature import FEATURES, Layer, LayerSignatures
from .rise_search import Rise, rises_of
from .step_figures import round_figures
from .step_marks import BOTTOM_MM
from .step_place import CLEAR, FULL, LATTICE, LEAST_COUNT, VAGUE, Place
from .step_places import Places

LEAST_OUTLINE: Final = 20.0
"""Nats of the outline from which on steps are seen from outside. Parts without steps came to 17 at most."""
LEAST_AGREED: Final = 10.0
"""And where both ends agree with frames, or with edges that are nowhere else: few steps, or signs that differ, repeat little."""
LEAST_INSIDE: Final = 5.0
"""Nats of edges inside, where the outline says nothing: steps of another infill."""
LEAST_BRIDGES: Final = 15.0
"""Nats of bridges from which on they are no chance."""
OTHER: Final = 0.01
"""Share by which the path of neighbouring steps must differ where only the infill tells: an infill repeats, steps do not."""
CHANCE: Final = 1e-3
"""How likely such a repetition may be by chance, everything that was tried counted."""
LEAST_SCORE: Final = 7.0
LEAST_MARGIN: Final = 1.0
"""What must speak for a place, and how much more than for any other that is not in line with it; see `Place.score`. From here
on, tuned on drawn towers: so that no answer is wrong, rather than that there are many."""
LEAST_WHOLE: Final = 0.7
"""Share of what repeats after two or three rises that must repeat after one."""
MOST_PART: Final = 0.5
"""Share of what speaks for the rise that may speak for a half or a third of it."""
MOST_OUTSIDE: Final = 0.2
"""Share of what repeats that may begin below the first step or end above the last."""
MOST_OUTSIDE_SEEN: Final = 0.35
"""And where a foot is seen: it has holes and rims of its own."""
AHEAD: Final = 3.0
"""So much more than for any other place must speak for one whose first step no foot and no edges tell."""
MOST_CANDIDATES: Final = 3


@dataclass(frozen=True, slots=True)
class Stairs:
    """Regular steps; mm. `significance`: how likely such a repetition is by chance. `why`: what speaks for them."""

    plinth_mm: float
    rise_mm: float
    count: int
    significance: float
    why: str


@dataclass(frozen=True, slots=True)
class NoStairs:
    """No answer: nothing regular, or (`uncertain`) something that may be read in several ways, the likeliest first."""

    uncertain: bool
    why: str
    candidates: tuple[Stairs, ...] = ()


def find_stairs(file: BinaryIO, where: str, e_mode: EMode | None) -> Stairs | NoStairs:
    """The steps of an open file. Raises InputError for what is no G-code."""
    signatures = LayerSignatures()
    for _ in Itinerary(blocks_of(file, where), None, e_mode, None, signatures.observer).items():
        pass
    return stairs_of(signatures)


def stairs_of(signatures: LayerSignatures) -> Stairs | NoStairs:
    """The steps of what was gathered. Parts in turn must all say the same."""
    if signatures.cut_short:
        return NoStairs(True, "the file has more layers or parts than are looked at")
    return combine([find_in(part.layers, part.spiral) for part in signatures.parts()])


def combine(found: Sequence[Stairs | NoStairs]) -> Stairs | NoStairs:
    """What several parts say together: an answer where one is sure and each other may be read so."""
    if not found:
        return NoStairs(False, "nothing is deposited")
    if len(found) == 1:
        return found[0]
    sure = [one for one in found if isinstance(one, Stairs)]
    readings = [(one,) if isinstance(one, Stairs) else one.candidates for one in found]
    if sure and all(any(_close(sure[0], one) for one in may_be) for may_be in readings):
        return sure[0]
    candidates = tuple(dict.fromkeys(may_be[0] for may_be in readings if may_be))
    if not candidates:
        return found[0]
    return NoStairs(True, "parts in turn differ", candidates[:MOST_CANDIDATES])


def find_in(layers: Sequence[Layer], spiral: bool = False) -> Stairs | NoStairs:
    """The steps in one part's layers, from the bed upwards; `spiral`: its rows are turns, and begin anywhere. Pure."""
    if len(layers) < 20:
        return NoStairs(False, "too few layers")
    trains = trains_of(layers)
    rises = rises_of(layers, trains)
    if not rises:
        return NoStairs(False, "nothing repeats along the height")
    places = Places(layers, trains, spiral)
    most = Rise(0.0, max(rise.outline for rise in rises), max(rise.all for rise in rises))
    found = sorted((place for rise in rises for place in places.of(rise, most)), key=lambda place: -place.score)
    best = _best(found, places)
    if best is None:
        return NoStairs(False, "nothing repeats at even distances")
    stairs = _stairs(best, places)
    if best.rise.outline < (LEAST_AGREED if _agreed(best, places) else LEAST_OUTLINE) and not _inside(best, layers):
        return NoStairs(False, "what repeats along the height is the infill's own pattern, or chance")
    rivals = [place for place in found if not _same(place, best, places)]
    doubt = _doubt(best, rivals, places, spiral)
    if doubt is None:
        return stairs
    candidates = [stairs]
    for place in rivals:
        other = _stairs(place, places)
        if len(candidates) < MOST_CANDIDATES and all(not _close(other, one) for one in candidates):
            candidates.append(other)
    return NoStairs(True, doubt, tuple(candidates))


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
    return best


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


def _agreed(place: Place, places: Places) -> bool:
    """Do bed or foot, top or cap, and what lies between them say the same?"""
    return place.held and place.high >= 2 and (place.framed or _alone(place, places))


def _inside(place: Place, layers: Sequence[Layer]) -> bool:
    """Where the outline says nothing: are there steps of another infill, or bridges?"""
    if place.inside >= LEAST_INSIDE and _differ(layers, place):
        return True
    return place.rise.bridges > LEAST_BRIDGES and place.low > 2 and place.high >= 2


def _differ(layers: Sequence[Layer], place: Place) -> bool:
    """Does the path of nearly each step differ from its neighbour's in length?"""
    length = FEATURES.index("length")
    means = []
    for n in range(place.count):
        low, high = place.plinth + (n + 0.2) * place.mm, place.plinth + (n + 0.8) * place.mm
        inside = [layer.values[length] for layer in layers if low < layer.z < high]
        if inside:
            means.append(sum(inside) / len(inside))
    others = [abs(above - below) > OTHER * below for below, above in pairwise(means)]
    return len(others) >= LEAST_COUNT - 1 and sum(others) >= 0.8 * len(others)


def _doubt(best: Place, rivals: list[Place], places: Places, spiral: bool) -> str | None:
    """Why the best place is no answer, or None."""
    what = f"steps of {best.mm:.2f} mm"
    alone = _alone(best, places)
    agree = best.held + (best.high >= 2) if max(best.walls, best.inside) >= LEAST_INSIDE else 0
    if best.rise.chance * (2 * places.pair / best.mm) ** agree > CHANCE:  # each end on the edges' grid, by chance
        return f"{what} may be chance"
    if any(_times(best, times, places, alone) for times in (2, 3)):
        return f"{what}, or of twice or three times that"
    if best.rise.part > MOST_PART:
        return f"{what}, or of a half or a third of that"
    ahead = best.score - rivals[0].score if rivals else math.inf
    raft = 0 < best.plinth < BOTTOM_MM and best.end == "cut" and best.walls < FULL
    if not alone and (raft or best.low < 1 or (not best.held and (spiral or _floats(best, ahead)))):
        return f"{what}, but not where the first begins"
    if best.end == "cut" and best.count == LEAST_COUNT:
        return f"{what}, but only {best.count}, and not where they end"
    if not alone and best.outside > (MOST_OUTSIDE if best.low < CLEAR else MOST_OUTSIDE_SEEN):
        return f"{what}, but what repeats reaches out of them"
    if not alone and _unended(best):
        return f"{what}, but not where they end"
    if best.score < LEAST_SCORE:
        return f"{what}, but much in the part does not follow them"
    if ahead < LEAST_MARGIN:
        return f"{what}, but not where the first begins"
    return None


def _alone(best: Place, places: Places) -> bool:
    """Do walls move (or, where they never do, infills change) where steps meet and nowhere else, and does what ends the steps,
    or lies below them, agree?"""
    agrees = best.low >= 0 if best.end != "cut" else best.low >= VAGUE
    walls = best.rise.outline >= LEAST_AGREED
    edges = best.walls if walls else best.inside
    return agrees and edges >= FULL and places.lattice.alone(best.plinth, best.mm, best.count, walls)


def _floats(best: Place, ahead: float) -> bool:
    """Above something that is no foot to the eye: do neither the end nor the edges between steps hold it in place?"""
    edged = best.walls >= LATTICE or (best.rise.outline < LEAST_OUTLINE and best.inside >= FULL)
    return best.end == "cut" or not (edged or ahead > AHEAD)


def _unended(best: Place) -> bool:
    """Does nothing say where steps end, and neither a foot nor edges that they are there?"""
    if best.walls >= FULL or best.end == "top" or (best.end == "cap" and (best.high >= CLEAR or best.walls >= LATTICE)):
        return False
    there = best.rise.outline > 1.5 * LEAST_OUTLINE or max(best.walls, best.inside) >= LATTICE
    return best.low < CLEAR or not there


def _times(best: Place, times: int, places: Places, alone: bool) -> bool:
    """May steps be so many times as high? Not where ends that are seen hold another number of steps, nor where each has a
    frame or an edge of its own."""
    if best.rise.whole[times - 2] >= LEAST_WHOLE and not (times == 2 and best.rise.turns):
        return False
    if best.held and best.end != "cut" and best.count % times:
        return False
    if alone and (not best.rise.turns or best.rise.outline < LEAST_AGREED):
        return False  # where only infills tell, each change is a step: within one none changes
    if best.framed and not places.lattice.marked(best, times):
        return False
    return (times == 2 and best.rise.turns) or not places.lattice.crossed(best, times)


def _stairs(place: Place, places: Places) -> Stairs:
    plinth, rise = round_figures(place.plinth, place.mm, places.lattice.seen(place), places.half)
    low = "the bed" if place.plinth == 0 else "a foot" if place.low > 2 else "the edges between steps"
    end = {"top": "the top", "cap": "a cap"}.get(place.end, "the edges between steps")
    return Stairs(
        plinth, rise, place.count, place.rise.chance, f"{low} and {end} agree" if low != end else f"{low} say so"
    )


def _close(one: Stairs, other: Stairs) -> bool:
    return abs(one.plinth_mm - other.plinth_mm) < 0.4 and abs(one.rise_mm - other.rise_mm) < 0.1
