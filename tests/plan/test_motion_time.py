"""Time of motion: against an integral reckoned apart, and what must hold of any path."""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from itertools import accumulate, pairwise

import pytest
from banderole.bench.motion import rest_to_rest
from banderole.plan.bends import Bend, bend_of
from banderole.plan.motion_limits import MotionLimits
from banderole.plan.motion_time import Motion, MotionTime, seconds_of
from banderole_protocol.arcs import arc_of
from banderole_protocol.words import words_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

A = 1000.0
FAR = 10_000  # motions known to a planner that sees the whole path


def path(points: list[tuple[float, float]], feeds: list[float]) -> list[Motion]:
    moves = zip(pairwise(points), feeds, strict=False)
    return [
        Motion(x1 - x0, y1 - y0, 0.0, 0.03, feed, math.dist((x0, y0), (x1, y1))) for ((x0, y0), (x1, y1)), feed in moves
    ]


def some_path(seed: int, motions: int, reach: float = 8.0) -> list[Motion]:
    numbers = random.Random(seed)
    points = [(0.0, 0.0)]
    for _ in range(motions):
        x, y = points[-1]
        points.append((x + numbers.uniform(-reach, reach), y + numbers.uniform(0.01, reach)))
    return path(points, [numbers.choice([20.0, 60.0, 150.0]) for _ in points])


def corner_square(before: Motion, after: Motion, deviation: float) -> float:
    """By the angle between the legs, the way it is drawn: not by the product of directions."""
    turn = math.atan2(after.dy, after.dx) - math.atan2(before.dy, before.dx)
    half = math.cos(math.remainder(turn, math.tau) / 2)  # the sine of half the angle between the legs
    return math.inf if half >= 1.0 else A * deviation * half / (1.0 - half)


def integral(motions: list[Motion], deviation: float) -> float:
    """∫ ds/v with v² the least of the feed's square and, from each corner, its square + 2a·distance."""
    ends = list(accumulate((one.length for one in motions), initial=0.0))
    caps = [0.0, *(corner_square(one, other, deviation) for one, other in pairwise(motions)), 0.0]

    def speed(s: float) -> float:
        own = motions[min(bisect_right(ends, s), len(motions)) - 1].feed ** 2
        slopes = min(cap + 2 * A * abs(s - at) for cap, at in zip(caps, ends, strict=True))
        others = min(
            one.feed**2 + 2 * A * max(begin - s, s - end, 0.0)
            for one, begin, end in zip(motions, ends, ends[1:], strict=False)
        )
        return math.sqrt(min(own, slopes, others))

    # v rises from rest as a root: with s = end ∓ u² its reciprocal has no pole.
    total = 0.0
    for begin, end in pairwise(ends):
        half = math.sqrt((end - begin) / 2)
        total += quad(lambda u, at=begin: 2 * u / speed(at + u * u), 0.0, half, limit=400)[0]
        total += quad(lambda u, at=end: 2 * u / speed(at - u * u), 0.0, half, limit=400)[0]
    return total


@pytest.mark.parametrize("seed", range(6))
def test_as_an_integral_over_the_path(seed: int) -> None:
    motions = some_path(seed, 6)
    known = sum(seconds_of(motions, MotionLimits.of(A, 0.05), FAR))
    assert known == pytest.approx(integral(motions, 0.05), rel=2e-4)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 60), st.floats(0.02, 30.0))
def test_never_faster_than_feed_and_never_slower_than_from_rest_to_rest(seed: int, count: int, reach: float) -> None:
    motions = some_path(seed, count, reach)
    for one, seconds in zip(motions, seconds_of(motions), strict=True):
        assert one.length / one.feed * (1 - 1e-12) <= seconds
        # As the emulated board with an acceleration does it: each motion for itself.
        assert seconds <= rest_to_rest(one.length, one.feed, A) * (1 + 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 60))
def test_never_faster_than_the_acceleration_allows(seed: int, count: int) -> None:
    """From rest to rest no path of length L can take less than 2√(L/a), and a slower printer takes no less time."""
    motions = some_path(seed, count, 0.5)
    whole = sum(seconds_of(motions))
    assert whole >= 2 * math.sqrt(sum(one.length for one in motions) / A) * (1 - 1e-12)
    assert sum(seconds_of(motions, MotionLimits.of(A / 2))) >= whole


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 12), st.floats(0.05, 0.95))
def test_a_straight_motion_in_two_takes_the_same_time(seed: int, count: int, share: float) -> None:
    motions = some_path(seed, count)
    split = []
    for one in motions:
        for part in (share, 1 - share):
            split.append(one._replace(dx=one.dx * part, dy=one.dy * part, de=one.de * part, length=one.length * part))
    whole = sum(seconds_of(motions, look_ahead=FAR))
    assert sum(seconds_of(split, look_ahead=FAR)) == pytest.approx(whole, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 40))
def test_the_way_back_takes_the_same_time(seed: int, count: int) -> None:
    motions = some_path(seed, count)
    back = [one._replace(dx=-one.dx, dy=-one.dy) for one in reversed(motions)]
    there = seconds_of(motions, look_ahead=FAR)
    assert seconds_of(back, look_ahead=FAR) == pytest.approx(list(reversed(there)), rel=1e-8)


LIMITS = [
    MotionLimits(),
    MotionLimits(printing=800.0, travel=2000.0, filament=3000.0),
    MotionLimits(jerk=(8.0, 8.0, 0.4, 5.0)),
    MotionLimits(axis_acceleration=(500.0, 900.0, 100.0, 40.0), axis_speed=(80.0, 200.0, 10.0, 2.0)),
]


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("size", [1, 7, 64])
def test_the_borders_of_batches_leave_no_trace(limits: MotionLimits, size: int) -> None:
    """Put in by rows of any length, reckoned in batches of any size, as one by one in one batch."""
    motions = [one._replace(de=0.0 if n % 5 == 0 else 0.03) for n, one in enumerate(some_path(3, 500, 2.0))]
    for at in (0, 6, 7, 8, 63, 64, 100, 200, 201, 499):  # filament alone: one, several in turn, at borders
        motions[at] = Motion(0.0, 0.0, 0.0, 0.8 if at % 2 else -0.8, 30.0 + at, 0.8)
    rows = MotionTime(limits, batch=size)
    for begin in range(0, len(motions), size):
        row = motions[begin : begin + size]
        dx, dy, dz, de, feed, length = ([one[field] for one in row] for field in range(6))
        rows.bucket(len(row))  # opened before they are put in, for what comes behind them
        rows.extend(
            dx, dy, dz, de, feed, length, [at for at, one in enumerate(row) if not (one.dx or one.dy or one.dz)]
        )
    rows.finish()
    single = seconds_of(motions, limits)
    sums = [sum(single[begin : begin + size]) for begin in range(0, len(motions), size)]
    assert rows.totals()[: len(sums)] == pytest.approx(sums, rel=1e-9)


@given(st.integers(0, 10**6), st.lists(st.tuples(st.integers(0, 60), st.sampled_from(LIMITS)), max_size=8))
@settings(max_examples=20)
def test_limits_that_change_within_a_row_hold_from_that_motion_on(
    seed: int, changes: list[tuple[int, MotionLimits]]
) -> None:
    motions, arcs = some_path(seed, 60, 3.0), (1, 8, 15, 16, 59)
    directions = [(math.cos(at), 0.8 * math.sin(at), 0.6 * math.sin(at)) for at in range(61)]
    for at in (0, 9, 10, 30):
        motions[at] = Motion(0.0, 0.0, 0.0, -0.8, 30.0, 0.8)
    bends = [(at, Bend(0.3 + at, directions[at], directions[at + 1])) for at in arcs]
    for at, bend in bends:
        motions[at] = Motion(*motions[at][:5], 1.3 * motions[at].length, bend)
    changes.sort(key=lambda change: change[0])
    rows, single = MotionTime(LIMITS[0]), MotionTime(LIMITS[0])
    for at, one in enumerate(motions):
        for where, limits in changes:
            if where == at:
                single.limits_changed(limits)
        single.add(*one)
    dx, dy, dz, de, feed, length = ([one[field] for one in motions] for field in range(6))
    rows.extend(dx, dy, dz, de, feed, length, [0, 9, 10, 30], bends, changes)
    if changes:
        assert rows.limits == changes[-1][1]
    rows.finish()
    single.finish()
    assert rows.totals() == pytest.approx(single.totals(), rel=1e-9)


def test_a_planner_that_sees_less_is_slower_and_can_always_stop() -> None:
    straight = [Motion(0.1, 0.0, 0.0, 0.01, 100.0, 0.1)] * 400
    seen = [sum(seconds_of(straight, look_ahead=ahead)) for ahead in (4, 16, FAR)]
    assert seen[0] > seen[1] > seen[2]
    # 16 motions of 0.1 mm: it enters none faster than v = √(2a·1.6 mm) = 56.57 mm/s. 40 mm at v, and v/a for
    # both ends; within a motion it may get up to 57.45 mm/s, which is the tolerance.
    v = math.sqrt(2 * A * 1.6)
    assert seen[1] == pytest.approx(40.0 / v + v / A, rel=0.01)


def test_filament_alone_has_its_own_acceleration_and_stands_at_both_ends() -> None:
    pull = Motion(0.0, 0.0, 0.0, -2.0, 40.0, 2.0)
    motions = [Motion(30.0, 0.0, 0.0, 1.0, 60.0, 30.0), pull, Motion(30.0, 0.0, 0.0, 0.0, 60.0, 30.0)]
    seconds = seconds_of(motions, MotionLimits(filament=5000.0))
    assert seconds[1] == pytest.approx(rest_to_rest(2.0, 40.0, 5000.0))
    assert seconds[0] == seconds[2] == pytest.approx(rest_to_rest(30.0, 60.0, A))


def test_pauses_count_where_they_are_and_motion_stands_before_and_after() -> None:
    clock = MotionTime()
    clock.add(30.0, 0.0, 0.0, 0.0, 60.0, 30.0)
    assert clock.bucket() == 1
    clock.pause(2.5)
    clock.add(30.0, 0.0, 0.0, 0.0, 60.0, 30.0)
    clock.finish()
    each = rest_to_rest(30.0, 60.0, A)
    assert clock.totals() == pytest.approx([each, each + 2.5])


def test_what_is_no_motion_takes_no_time() -> None:
    clock = MotionTime()
    clock.extend([0.0, 1.0, 1.0], [0.0] * 3, [0.0] * 3, [0.0] * 3, [60.0, 0.0, math.inf], [0.0, 1.0, 1.0])
    clock.extend([], [], [], [], [], [])
    clock.add(math.inf, 0.0, 0.0, 0.0, 60.0, math.inf)
    clock.add(1.0, 0.0, 0.0, math.nan, 60.0, 1.0)
    clock.finish()
    assert clock.totals() == [0.0]


def test_a_quarter_arc_joins_its_straights_without_a_corner() -> None:
    arc = arc_of(False, "G17", (10.0, 0.0, 0.0), (20.0, 10.0, 0.0), {"I": 0.0, "J": 10.0})
    assert arc is not None
    bend = bend_of(False, "G17", (10.0, 0.0, 0.0), (20.0, 10.0, 0.0), arc)
    assert bend.enters == pytest.approx((1.0, 0.0, 0.0))
    assert bend.leaves == pytest.approx((0.0, 1.0, 0.0))
    before, after = Motion(10.0, 0.0, 0.0, 0.3, 60.0, 10.0), Motion(0.0, 10.0, 0.0, 0.3, 60.0, 10.0)
    whole = 20.0 + 10.0 * math.pi / 2
    quarter = Motion(10.0, 10.0, 0.0, 0.5, 60.0, arc.length, bend)
    assert sum(seconds_of([before, quarter, after])) == pytest.approx(rest_to_rest(whole, 60.0, A), rel=1e-6)


def test_jerk_bounds_the_change_of_each_axis() -> None:
    """At a right angle X goes from v to 0: v ≤ jerk. Straight on it bounds nothing."""
    legs = [Motion(50.0, 0.0, 0.0, 0.0, 60.0, 50.0), Motion(0.0, 50.0, 0.0, 0.0, 60.0, 50.0)]
    lost = [60.0 / 2000, (60.0 - 8.0) ** 2 / (2000 * 60.0)]
    seconds = seconds_of(legs, MotionLimits(jerk=(8.0, 9.0, 1.0, 1.0)))
    assert seconds == pytest.approx([50 / 60 + sum(lost)] * 2)


def test_limits_as_a_file_sets_them() -> None:
    limits = MotionLimits.of(900.0, 0.03)

    def told(block: bytes) -> MotionLimits | None:
        return limits.changed_by(words_of(block))

    assert told(b"M204 P700 T1500 R3000") == MotionLimits(700.0, 1500.0, 3000.0, 0.03)
    assert told(b"M204 S650") == MotionLimits(650.0, 650.0, 900.0, 0.03)
    assert told(b"M201 X500 E4000") is not None
    changed = told(b"M203 X500 Z12")
    assert changed is not None
    assert changed.axis_speed == (500.0, math.inf, 12.0, math.inf)
    changed = told(b"M205 X8 Y7")
    assert changed is not None
    assert changed.jerk == (8.0, 7.0, math.inf, math.inf)
    back = changed.changed_by(words_of(b"M205 J0.05"))
    assert back is not None
    assert (back.junction, back.jerk) == (0.05, None)
    for nothing in (b"M204", b"M204 P900", b"M204 P-5", b"M205 S0 T0", b"M201 X0", b"G1 X5", b"M203 X1" + b"0" * 400):
        assert told(nothing) is None
