"""The time that motion takes, as a printer's planner makes it: accelerations, corners, and how far it looks ahead.

Motions are put in, singly or by the thousand, and their seconds come out summed by *bucket* (a layer, a band). What is kept
is one batch and the buckets. A planner knows `LOOK_AHEAD` motions: what lies farther ahead changes nothing any more, so a
batch is reckoned but for its last so many, and the borders of batches leave no trace.

The planner's model (trapezoids, junction deviation or jerk, stop within the motions known) is common practice of printer
firmware, no source. What no planner's arithmetic shows (heating, homing, a person) is put in by `pause`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from itertools import groupby, pairwise, repeat
from math import inf, isfinite
from typing import Final, NamedTuple

from .bends import Bend, Direction
from .motion_limits import FREE, Axes, MotionLimits
from .motion_scan import bounded, jerked_corners, products, rounded_corners, speeds, times

LOOK_AHEAD: Final = 16
"""Motions that a planner knows: 8 to 32 by the board (common practice, no source)."""
BATCH: Final = 4096
"""Motions reckoned at once: enough that a batch's own cost does not count, about a megabyte at most."""
LARGEST: Final = 1e9
"""mm, mm/s. A motion beyond it is a misprint, of which no time can be told; a batch whose sum is beyond it is looked through."""


class Motion(NamedTuple):
    """One motion: mm by axis, feed mm/s, path mm; of an arc its bend.

    `length` of a motion of filament alone is that of the filament. A `length` or `feed` of 0 is no motion.
    """

    dx: float
    dy: float
    dz: float
    de: float
    feed: float
    length: float
    bend: Bend | None = None


class _Leg(NamedTuple):
    """What the next corner must know of the motion before it: shares of its path by axis at its end, v², mm/s²."""

    shares: Axes
    square: float
    acceleration: float


class MotionTime:
    """Times of motions, summed by bucket; bucket 0 is open from the start. Lengths mm, speeds mm/s, times s."""

    def __init__(self, limits: MotionLimits | None = None, look_ahead: int = LOOK_AHEAD, batch: int = BATCH) -> None:
        self._limits = limits if limits is not None else MotionLimits()
        self._look_ahead = look_ahead
        self._batch = batch
        self._caps: list[float] = []  # v² where each motion begins, at most
        self._changes: list[float] = []  # what v² can change by over each
        self._feeds: list[float] = []
        self._lengths: list[float] = []
        self._entry = 0.0  # v² where the first of these begins
        self._last: _Leg | None = None  # None: the next motion begins at rest
        self._totals = [0.0]
        self._marks: list[tuple[int, int]] = [(0, 0)]  # (index of the first motion, bucket), ascending

    # ---- putting in

    def extend(
        self,
        dx: list[float],
        dy: list[float],
        dz: list[float],
        de: list[float],
        feed: list[float],
        length: list[float],
        alone: Sequence[int] = (),
        bent: Sequence[tuple[int, Bend]] = (),
        changes: Sequence[tuple[int, MotionLimits]] = (),
    ) -> None:
        """Motions in a row: lists of one length, as `Motion` has them.

        `alone` are the indices of those of filament alone, `bent` the arcs, each with its index, `changes` the limits that
        hold from the motion of an index on.
        """
        columns, begin = (dx, dy, dz, de, feed, length), 0
        for _, alike in groupby(_spans(self._limits, changes, len(length)), _bounds):
            spans = list(alike)
            end = begin + sum(count for _, count in spans)
            self._extend(
                [column[begin:end] for column in columns],
                {at - begin for at in alone if begin <= at < end},
                {at - begin: bend for at, bend in bent if begin <= at < end},
                spans,
            )
            begin = end
        if changes:
            self._limits = changes[-1][1]

    def _extend(
        self,
        columns: Sequence[list[float]],
        alone: Set[int],
        bends: Mapping[int, Bend],
        spans: Sequence[tuple[MotionLimits, int]],
    ) -> None:
        """One row of `extend`, under limits that differ in accelerations and jerk alone."""
        *_, de, feed, length = columns
        held = [limits for limits, count in spans for limits in repeat(limits, count)]
        if not (min(length) > 0.0 and max(length) < inf and min(feed) > 0.0):
            for at, (x, y, z, e, speed, path) in enumerate(zip(*columns, strict=True)):
                self._limits = held[at]
                self.add(x, y, z, e, speed, path, bends.get(at))
            return
        ways, limits = columns[:4], held[0]
        feeds = bounded(feed, limits.axis_speed, ways, length)
        wanted = [limits.printing if e else limits.travel for limits, e in zip(held, de, strict=True)]
        for at in alone:
            wanted[at] = held[at].filament
        pulls = bounded(wanted, limits.axis_acceleration, ways, length)
        enters = leaves = ways
        if bends:
            enters = _along(ways, length, {at: bend.enters for at, bend in bends.items()})
            leaves = _along(ways, length, {at: bend.leaves for at, bend in bends.items()})
        for at, bend in bends.items():
            pulls[at], feeds[at] = bend.bounded(limits, wanted[at], feed[at], de[at] / length[at])
        squares = [f * f for f in feeds]

        def leg(at: int, side: Sequence[list[float]]) -> _Leg:
            return _Leg(_shares(side[0][at], side[1][at], side[2][at], de[at], length[at]), squares[at], pulls[at])

        first = self._corner(limits, self._last, leg(0, enters))
        caps = [first, *self._corners(spans, leaves, enters, length, squares, pulls)]
        for corner in {at + side for at in alone for side in (0, 1)}:
            if 0 < corner < len(caps):
                both = corner in alone and corner - 1 in alone
                caps[corner] = self._corner(held[corner], leg(corner - 1, leaves), leg(corner, enters)) if both else 0.0
        self._caps += caps
        self._changes += [2.0 * a * le for a, le in zip(pulls, length, strict=True)]
        self._feeds += feeds
        self._lengths += length
        self._last = leg(-1, leaves)
        if len(self._lengths) >= self._batch + self._look_ahead:
            self._reckon(len(self._lengths) - self._look_ahead)

    def add(
        self,
        dx: float,
        dy: float,
        dz: float,
        de: float,
        feed: float,
        length: float,
        bend: Bend | None = None,
    ) -> None:
        """One motion of any kind, as `Motion` has it: straight, an arc, or filament alone."""
        if not (0.0 < length < LARGEST and 0.0 < feed < LARGEST and abs(de) < LARGEST):
            return
        limits, shares = self._limits, _shares(dx, dy, dz, de, length)
        alone = not (dx or dy or dz or bend)
        wanted = limits.filament if alone else limits.printing if de else limits.travel
        if bend is None:
            begins = ends = shares
            acceleration = limits.bounded(wanted, limits.axis_acceleration, shares)
            speed = limits.bounded(feed, limits.axis_speed, shares)
        else:
            begins, ends = (*bend.enters, shares[3]), (*bend.leaves, shares[3])
            acceleration, speed = bend.bounded(limits, wanted, feed, shares[3])
        self._caps.append(self._corner(limits, self._last, _Leg(begins, speed * speed, acceleration)))
        self._changes.append(2.0 * acceleration * length)
        self._feeds.append(speed)
        self._lengths.append(length)
        self._last = _Leg(ends, speed * speed, acceleration)
        if len(self._lengths) >= self._batch + self._look_ahead:
            self._reckon(len(self._lengths) - self._look_ahead)

    def pause(self, seconds: float = 0.0) -> None:
        """Motion comes to rest (a drain, a change of tool), and stays so for so many seconds (a wait, homing)."""
        self._last = None
        if isfinite(seconds) and seconds > 0.0:
            self._totals[-1] += seconds

    def limits_changed(self, limits: MotionLimits) -> None:
        """From the next motion on these hold."""
        self._limits = limits

    @property
    def limits(self) -> MotionLimits:
        """Those that hold for the next motion."""
        return self._limits

    def bucket(self, still: int = 0) -> int:
        """Opens a bucket, into which the time of the motions that follow counts but for the next `still`; its index."""
        self._totals.append(0.0)
        self._marks.append((len(self._lengths) + still, len(self._totals) - 1))
        return len(self._totals) - 1

    # ---- taking out

    def finish(self) -> None:
        """Motion comes to rest here; all that was put in is reckoned."""
        self._last = None
        self._reckon(len(self._lengths))

    def totals(self) -> list[float]:
        """Seconds by bucket. Whole only after `finish`: before it the last motions are still open."""
        return list(self._totals)

    # ---- corners

    def _corner(self, limits: MotionLimits, last: _Leg | None, begins: _Leg) -> float:
        """v² at most where a motion begins behind the last one."""
        if last is None:
            return 0.0
        here, there = last.shares, begins.shares
        if any(here[:3]) != any(there[:3]):
            return 0.0  # between the head and filament alone there is no common direction
        squares = (last.square, begins.square)
        if limits.jerk is not None:
            ways: list[tuple[float, float]] = list(zip(here, there, strict=True))
            return jerked_corners(ways, ways, (1.0, 1.0), squares, [(limits.jerk, 2)])[0]
        x, y, z, e = (a * b for a, b in zip(here, there, strict=True))
        dot = x + y + z if any(here[:3]) else e
        deviation = limits.junction * min(last.acceleration, begins.acceleration)
        return rounded_corners((dot,), squares, (deviation,))[0]

    def _corners(
        self,
        spans: Sequence[tuple[MotionLimits, int]],
        leaves: Sequence[list[float]],
        enters: Sequence[list[float]],
        length: list[float],
        squares: list[float],
        pulls: list[float],
    ) -> list[float]:
        """v² at most at each corner between two of a row: behind the one's end, before the other's begin."""
        if spans[0][0].jerk is not None:
            jerks = [(limits.jerk or FREE, count) for limits, count in spans]
            return jerked_corners(leaves, enters, length, squares, jerks)
        k = spans[0][0].junction
        deviations = [k * (a if a < b else b) for a, b in pairwise(pulls)]
        return rounded_corners(products(leaves[:3], enters[:3], length), squares, deviations)

    # ---- reckoning

    def _reckon(self, count: int) -> None:
        """The first `count` motions are done with: their seconds go into their buckets."""
        squares = speeds(self._caps, self._changes, self._entry, self._look_ahead)[: count + 1]
        lengths, feeds, changes = self._lengths[:count], self._feeds[:count], self._changes[:count]
        seconds = times(lengths, feeds, changes, squares)
        self._entry = squares[count]
        for row in (self._caps, self._changes, self._feeds, self._lengths):
            del row[:count]
        later = [(at - count, bucket) for at, bucket in self._marks if at > count]
        done = [mark for mark in self._marks if mark[0] <= count]
        for (begin, bucket), end in zip(done, [*(at for at, _ in done[1:]), count], strict=True):
            self._totals[bucket] += sum(seconds[begin:end])
        self._marks = [(0, done[-1][1]), *later]


def _spans(
    limits: MotionLimits, changes: Sequence[tuple[int, MotionLimits]], size: int
) -> Iterator[tuple[MotionLimits, int]]:
    """Under which limits, these at first, how many of so many motions are made."""
    begin = 0
    for at, later in [*changes, (size, limits)]:
        if at > begin:
            yield limits, at - begin
            begin = at
        limits = later


def _bounds(span: tuple[MotionLimits, int]) -> tuple[Axes, Axes, float, bool]:
    """What must not differ where motions are reckoned together."""
    limits = span[0]
    return limits.axis_speed, limits.axis_acceleration, limits.junction, limits.jerk is None


def _along(ways: Sequence[list[float]], length: list[float], directions: Mapping[int, Direction]) -> list[list[float]]:
    """`ways`, but of the motions of these indices along a direction."""
    x, y, z, e = (way.copy() for way in ways)
    for at, (dx, dy, dz) in directions.items():
        path = length[at]
        x[at], y[at], z[at] = dx * path, dy * path, dz * path
    return [x, y, z, e]


def _shares(dx: float, dy: float, dz: float, de: float, length: float) -> Axes:
    return dx / length, dy / length, dz / length, de / length


def seconds_of(
    motions: Iterable[Motion], limits: MotionLimits | None = None, look_ahead: int = LOOK_AHEAD
) -> list[float]:
    """s that each motion takes, in a row from rest to rest."""
    clock = MotionTime(limits, look_ahead)
    for motion in motions:
        clock.bucket()
        clock.add(*motion)
    clock.finish()
    return clock.totals()[1:]
