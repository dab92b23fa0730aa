"""Speeds along a row of motions, and the time each takes: trapezoids joined at their corners, in squares of speeds.

In v² a motion at constant acceleration is a straight line over the path: over a motion of length L it can change by at most
W = 2aL. So the highest speeds at which each corner can be passed follow from two walks, one from behind (can it still slow
down for what comes?) and one from the front (could it have got so fast?), each a running minimum. A printer looks only so
far ahead; it enters no motion faster than it could stop within the motions it knows.

Lists in, lists out, one pass each: this is on the survey's hot path, and a call for each motion would double it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, chain, pairwise, repeat
from math import inf, sqrt

from .motion_limits import Axes

Values = Sequence[float]


def bounded(wanted: Values, axes: Axes, ways: Sequence[Values], length: Values) -> list[float]:
    """What is wanted of each motion (a speed, an acceleration) where no axis may exceed its own; `ways` mm by axis."""
    values = list(wanted)
    for most, way in zip(axes, ways, strict=True):
        if most < inf:
            values = [
                v if v * (d if d > 0.0 else -d) <= most * le else most * le / abs(d)
                for v, d, le in zip(values, way, length, strict=True)
            ]
    return values


def products(leaves: Sequence[Values], enters: Sequence[Values], length: Values) -> list[float]:
    """Scalar product of the directions of each two motions that follow each other: 1 straight on, -1 back; n - 1 of n.

    Directions as shares of `length` by axis, where each ends and where each begins: the same lists but where there are arcs.
    """
    (ax, ay, az), (bx, by, bz) = leaves, enters
    flat = zip(ax, bx[1:], ay, by[1:], length, length[1:], strict=False)
    if not any(az) and not any(bz):
        return [(ax * bx + ay * by) / (al * bl) for ax, bx, ay, by, al, bl in flat]
    return [
        (ax * bx + ay * by + az * bz) / (al * bl)
        for (ax, bx, ay, by, al, bl), az, bz in zip(flat, az, bz[1:], strict=False)
    ]


def rounded_corners(dots: Values, squares: Values, deviations: Values) -> list[float]:
    """Highest v² at each corner by junction deviation; `squares` are the motions' own highest v², one more than corners.

    The corner is passed on a circle that stays within δ of it: R = δ·s/(1 - s), s = sin(θ/2) with θ the angle between
    the legs; v² = aR. `deviations` are aδ at each corner (mm²/s²).
    """
    return [
        (m if k * (s := sqrt(0.5 + 0.5 * dot)) >= (m := va if va < vb else vb) * (1.0 - s) else k * s / (1.0 - s))
        if dot > -1.0
        else 0.0
        for dot, va, vb, k in zip(dots, squares, squares[1:], deviations, strict=False)
    ]


def jerked_corners(
    leaves: Sequence[Values],
    enters: Sequence[Values],
    length: Values,
    squares: Values,
    jerks: Sequence[tuple[Axes, int]],
) -> list[float]:
    """Highest v² at each corner where no axis may change its speed at once by more than its jerk (mm/s).

    Directions as for `products`; `jerks` come each with how many motions begin under it.
    """
    caps = [va if va < vb else vb for va, vb in pairwise(squares)]
    for axis, (out, into) in enumerate(zip(leaves, enters, strict=True)):
        if any(jerk[axis] < inf for jerk, _ in jerks):
            ends = [d / le for d, le in zip(out, length, strict=True)]
            begins = ends if into is out else [d / le for d, le in zip(into, length, strict=True)]
            most = chain.from_iterable([repeat(jerk[axis] * jerk[axis], count) for jerk, count in jerks])
            next(most)  # before the first motion lies no corner of these
            caps = [
                cap if cap * (change := (b - a) * (b - a)) <= square else square / change
                for cap, a, b, square in zip(caps, ends, begins[1:], most, strict=False)
            ]
    return caps


def speeds(caps: Values, changes: Values, entry: float, look_ahead: int) -> list[float]:
    """v² at each corner of n motions, n + 1 values: as high as can be, from `entry` to rest behind the last.

    `caps` are the highest v² where each motion begins, `changes` the most v² can change by over each (2aL).
    """
    reach = list(accumulate(changes, initial=0.0))
    ahead = reach[look_ahead:] + [reach[-1]] * look_ahead  # v² from which it can stop within the motions it knows
    u = 0.0
    walk = zip(reversed(caps), reversed(changes), reversed(reach[:-1]), reversed(ahead[: len(caps)]), strict=True)
    back = [
        u := ((cap if cap < s else s) if (cap if cap < (s := end - begin) else s) < (t := u + w) else t)
        for cap, w, begin, end in walk
    ]
    back.reverse()
    back.append(0.0)
    u = entry
    return [entry, *[u := (b if b < (t := u + w) else t) for b, w in zip(back[1:], changes, strict=True)]]


def times(length: Values, feeds: Values, changes: Values, squares: Values) -> list[float]:
    """s that each motion takes between the v² at its two ends, up to its feed or as near as it gets.

    With v the highest speed it reaches: T = L/v + ((v - v₀)² + (v - v₁)²)/(2av), what standing slower at the ends costs.
    """
    ends = [sqrt(u) for u in squares]
    middles = pairwise(squares)
    tops = [
        f if f * f <= (p := 0.5 * (a + b + w)) else sqrt(p)
        for f, w, (a, b) in zip(feeds, changes, middles, strict=True)
    ]
    return [
        le / v * (1.0 + ((x := v - a) * x + (y := v - b) * y) / w)
        for le, w, v, a, b in zip(length, changes, tops, ends, ends[1:], strict=False)
    ]
