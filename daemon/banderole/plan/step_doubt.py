"""Why a place is no answer, though nothing speaks for another one more. Pure.

An answer is given only where the rise stands out from chance, is no half and no multiple of a better one, and where two things
agree on the place: what lies below the first step, what ends the last, the edges between them. A wrong one spoils a print.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from .layer_signature import FEATURES, Layer
from .step_figures import Seen
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
SURE_CHANCE: Final = 1e-6
"""And how likely at most where three steps are all there is."""
AGREED_CHANCE: Final = 5e-3
"""And where both ends are on the grid: so often two changes divide a part in three. Most parts asked about have steps."""
LEAST_SCORE: Final = 7.0
LEAST_MARGIN: Final = 1.0
"""What must speak for a place, and how much more than for any other that is not in line with it; see `Place.score`. From here
on, tuned on drawn towers: so that no answer is wrong, rather than that there are many."""
LEAST_WHOLE: Final = 0.7
"""Share of what repeats after two or three rises that must repeat after one."""
ALL: Final = 0.9
"""And where shapes take turns: each change comes again, the other way, at the next step. Halves of steps differ in more."""
MOST_PART: Final = 0.5
"""Share of what speaks for the rise that may speak for a half or a third of it."""
MOST_OUTSIDE: Final = 0.2
"""Share of what repeats that may begin below the first step or end above the last."""
MOST_OUTSIDE_SEEN: Final = 0.35
"""And where a foot is seen: it has holes and rims of its own."""
STRAY: Final = 1.9
"""Halves of a layer, so far is about a whole one."""
AHEAD: Final = 3.0
"""So much more than for any other place must speak for one whose first step no foot and no edges tell."""


def nothing(best: Place, places: Places, layers: Sequence[Layer]) -> bool:
    """Is what repeats no more than an infill's own pattern, or chance?"""
    if _chance(best, places) and best.score < LEAST_SCORE:
        return True  # no likelier than chance, and much in the part does not follow it
    least = LEAST_AGREED if _agreed(best, places) else LEAST_OUTLINE
    return best.rise.outline < least and not _inside(best, layers)


def doubt(best: Place, rivals: list[Place], places: Places, spiral: bool) -> str | None:
    """Why the best place is no answer, or None."""
    what = f"steps of {best.mm:.2f} mm"
    alone = _alone(best, places)
    if _chance(best, places):
        return f"{what} may be chance"
    if any(_times(best, times, places, alone) for times in (2, 3)):
        return f"{what}, or of twice or three times that"
    if best.rise.part > MOST_PART:
        return f"{what}, or of a half or a third of that"
    ahead = best.score - rivals[0].score if rivals else math.inf
    raft = 0 < best.plinth < BOTTOM_MM and best.end == "cut" and best.walls < FULL
    bare = best.low < 1 and not (_hangs(best, rivals, places) and ahead > AHEAD)
    filled = best.rise.outline < LEAST_AGREED and best.plinth > best.mm - places.pair
    if filled and best.outside > MOST_OUTSIDE_SEEN:
        return f"{what}, but what lies below them may be one of them, filled otherwise"
    if not alone and (raft or bare or (not best.held and (spiral or _floats(best, ahead)))):
        return f"{what}, but not where the first begins"
    if best.end == "cut" and best.count == LEAST_COUNT and (best.low < CLEAR or not (alone or _plain(best))):
        return f"{what}, but only {best.count}, and not where they end"
    beyond = best.plinth > best.mm - places.pair and best.low < CLEAR
    if (beyond or not alone) and best.outside > (MOST_OUTSIDE if best.low < CLEAR else MOST_OUTSIDE_SEEN):
        return f"{what}, but what repeats reaches out of them"
    if not alone and _unended(best):
        return f"{what}, but not where they end"
    seen = places.lattice.seen(best)
    if best.plinth == 0 and _begins_late(best, seen):
        return f"{what}, but not where the first begins"
    if best.plinth > 0 and best.rise.outline < LEAST_AGREED and _strays(best, seen):
        return f"{what}, but infills change a layer beside them"
    if best.score < LEAST_SCORE and not (alone and best.inside >= FULL):
        return f"{what}, but much in the part does not follow them"
    if ahead < LEAST_MARGIN or any(_edged(place, best) for place in rivals):
        return f"{what}, but not where the first begins"
    return None


def _chance(best: Place, places: Places) -> bool:
    """May what repeats be chance? Each end is on the grid of the edges by chance too, where there are edges."""
    agree = best.held + (best.high >= 2) if max(best.walls, best.inside) >= LATTICE else 0
    return best.rise.chance * (2 * places.pair / best.mm) ** agree > (AGREED_CHANCE if agree == 2 else CHANCE)


def _agreed(place: Place, places: Places) -> bool:
    """Do bed or foot, top or cap, and what lies between them say the same?"""
    return place.held and place.high >= 2 and (place.framed or place.walls > LATTICE or _alone(place, places))


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


def _alone(best: Place, places: Places) -> bool:
    """Do walls move (or, where they never do, infills change) where steps meet and nowhere else, and does what ends the steps,
    or lies below them, agree?"""
    agrees = best.low >= 0 if best.end != "cut" else best.low >= VAGUE
    if best.low <= 0 and not places.lattice.outline.like_next(best.plinth, best.mm):
        return False  # without an edge below it the lowest step may be the upper part of a plinth
    walls = best.rise.outline >= LEAST_AGREED
    edges = best.walls if walls else best.inside
    return agrees and edges >= FULL and places.lattice.alone(best.plinth, best.mm, best.count, walls)


def _hangs(best: Place, rivals: list[Place], places: Places) -> bool:
    """Where nothing tells a plinth from steps: is it lower than a step, so that steps counted down from the top (or a cap) end
    there, with an edge at each, and the lowest like the next; and does no foot speak for another?"""
    if any(
        abs(place.mm - best.mm) < places.pair and 0 < place.plinth < best.plinth and place.low >= VAGUE
        for place in rivals
    ):
        return False
    counted = (best.end == "top" or best.high >= CLEAR) and best.walls >= FULL and best.plinth < best.mm - places.pair
    return counted and places.lattice.outline.like_next(best.plinth, best.mm)


def _floats(best: Place, ahead: float) -> bool:
    """Above something that is no foot to the eye: do neither the end nor the edges between steps hold it in place?"""
    edged = best.walls >= LATTICE or (best.rise.outline < LEAST_OUTLINE and best.inside >= FULL)
    return best.end == "cut" or not (edged or ahead > AHEAD)


def _edged(place: Place, best: Place) -> bool:
    """Has another place, nearly as good, a foot and all edges, where the best has none?"""
    return place.walls >= FULL and place.low >= VAGUE and best.walls < 0 and best.score - place.score < AHEAD


def _plain(best: Place) -> bool:
    """Do edges between them, or all that repeats, say that as few as three steps are no chance?"""
    return best.walls > LATTICE or best.rise.chance < SURE_CHANCE


def _begins_late(best: Place, seen: Seen) -> bool:
    """Is there an edge where steps meet, but not above the first? It is a plinth, perhaps, of about that height."""
    between = {n for n, _, _ in seen} - {0, best.count}
    return bool(between) and 1 not in between


def _strays(best: Place, seen: Seen) -> bool:
    """Does an edge lie a whole layer beside where the ends have it?"""
    at = {n: z for n, z, _ in seen}
    if not {0, best.count} <= at.keys():
        return False
    rise = (at[best.count] - at[0]) / best.count
    return any(abs(z - at[0] - n * rise) > STRAY * slack for n, z, slack in seen)


def _unended(best: Place) -> bool:
    """Does nothing say where steps end, and neither a foot nor edges that they are there?"""
    if best.walls >= FULL or best.end == "top" or (best.end == "cap" and (best.high >= CLEAR or best.walls >= LATTICE)):
        return False
    there = best.rise.outline > 1.5 * LEAST_OUTLINE or max(best.walls, best.inside) >= LATTICE
    return best.low < CLEAR or not there


def _times(best: Place, times: int, places: Places, alone: bool) -> bool:
    """May steps be so many times as high? Not where ends that are seen hold another number of steps, nor where each has a
    frame or an edge of its own."""
    if best.count // times < 2:
        return False
    if best.rise.whole[times - 2] >= LEAST_WHOLE and not (times == 2 and best.rise.turns):
        return False
    if best.held and best.end != "cut" and best.count % times:
        return False
    if alone and (not best.rise.turns or best.rise.outline < LEAST_AGREED or best.rise.whole[0] >= ALL):
        return False  # each change is a step: within one none changes
    if best.framed and not places.lattice.marked(best, times):
        return False
    return (times == 2 and best.rise.turns) or not places.lattice.crossed(best, times)
