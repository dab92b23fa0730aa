"""Why the likeliest place is not sure, or nothing at all. Pure.

Sure is only what leads every other reading by far, stands out from chance, has something that ends where the first step begins
(which looks like the next, where that is no foot that a person sees), and figures that are known to half a layer. A wrong
one spoils a print.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from .layer_signature import FEATURES, Layer
from .step_figures import Seen
from .step_place import CLEAR, LATTICE, LEAST_COUNT, LEAST_OUTLINE, Place
from .step_places import Places

LEAST_LEAD: Final = 3.0
"""Nats: at a twentieth of the likelihood another reading is still one."""
LEAST_INSIDE: Final = 5.0
"""Nats of edges inside, where the outline says nothing: steps of another infill."""
LEAST_BRIDGES: Final = 15.0
"""Nats of bridges from which on they are no chance."""
OTHER: Final = 0.01
"""Share by which the path of neighbouring steps must differ where only the infill tells: an infill repeats, steps do not."""
CHANCE: Final = 1e-3
"""How likely such a repetition may be by chance, everything that was tried counted."""
AGREED_CHANCE: Final = 5e-3
"""And where both ends are on the grid: so often two changes divide a part in three. Most parts asked about have steps."""
MOST_PART: Final = 0.5
"""Share of what speaks for the rise that may speak for a half or a third of it."""
LEAST_WHOLE: Final = 0.7
"""Share of what repeats after two rises that must repeat after one."""
MOST_OUTSIDE: Final = 0.2
"""Share of what repeats that may begin below the first step or end above the last: a foot has holes and rims of its own."""
STRAY: Final = 1.9
"""Halves of a layer, so far is about a whole one."""


def nothing(best: Place, places: Places, layers: Sequence[Layer]) -> bool:
    """Is what repeats no more than an infill's own pattern, or chance, without edges between steps?"""
    if _chance(best, places) and max(best.walls, best.inside) < LATTICE:
        return True
    return best.rise.outline < LEAST_OUTLINE and not _inside(best, layers)


def doubt(best: Place, rival: Place | None, places: Places) -> str | None:
    """Why the likeliest place is not sure, or None; `rival`: the next that is another reading."""
    what = f"steps of {best.mm:.2f} mm"
    if _chance(best, places):
        return f"{what} may be chance"
    if rival is not None and best.score - rival.score < LEAST_LEAD:
        return f"{what}, but {_difference(best, rival, places)}"
    if best.rise.part > MOST_PART:
        return f"{what}, but perhaps of a half or a third of that"
    if best.rise.whole < LEAST_WHOLE:
        return f"{what}, but perhaps of a multiple of that"
    seen = places.lattice.seen(best)
    if not best.seen or not (best.like or best.low >= CLEAR) or _begins_late(best, seen):
        return f"{what}, but not where the first begins"
    if best.outside > MOST_OUTSIDE:
        return f"{what}, but what repeats reaches out of them"
    if best.end == "cut" and best.count == LEAST_COUNT:
        return f"{what}, but only {best.count}, and not where they end"
    if places.figures(best).off > places.half:
        return f"{what}, but not to half a layer"
    if best.rise.outline < LEAST_OUTLINE and _strays(best, seen):
        return f"{what}, but infills change a layer beside them"
    return None


def _difference(best: Place, rival: Place, places: Places) -> str:
    if abs(best.mm - rival.mm) > 2 * places.pair:
        return f"perhaps of {rival.mm:.2f} mm"
    return "not where the first begins" if abs(best.plinth - rival.plinth) > places.half else "not where they end"


def _chance(best: Place, places: Places) -> bool:
    """May what repeats be chance? Each end is on the grid of the edges by chance too, where there are edges."""
    agree = best.held + (best.high >= 2) if max(best.walls, best.inside) >= LATTICE else 0
    return best.rise.chance * (2 * places.pair / best.mm) ** agree > (AGREED_CHANCE if agree == 2 else CHANCE)


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
