"""The planner: motions wait in a short queue and are carried out one behind the other on a motion clock.

A simple, honest model: a motion lasts its length over its feedrate (times the feed factor), or, with an acceleration,
as long as it takes from rest to rest. So a real board's times, which joins motions, lie between the two; what matters
here is the order of things and that the queue runs ahead of the motion.
"""

from __future__ import annotations

import math
from collections import deque

from banderole.bench.records import Move

# Radii of an arc's two ends may differ by this much, mm (NIST RS274/NGC, NISTIR 6556 §3.5.3).
ARC_TOLERANCE_MM = 0.002
# Path shorter than this, mm, is a full turn when it should be an arc: the ends coincide.
SAME_PLACE_MM = 1e-9


class Planner:
    """Motions planned and not yet carried out. Times are those of the clock; `speed` makes motion that much faster."""

    __slots__ = ("_acceleration", "_speed", "depth", "queue", "rest_at")

    def __init__(self, depth: int, speed: float, acceleration: float = 0.0) -> None:
        self.depth = depth
        self.queue: deque[Move] = deque()
        self.rest_at = -math.inf  # clock at which the last motion planned ends
        self._speed = speed
        self._acceleration = acceleration  # mm/s²; 0 = none to speak of

    def room_at(self) -> float:
        """Clock at which there is room for one more; in the past if there is some now."""
        queue = self.queue
        return queue[-self.depth].end if len(queue) >= self.depth else -math.inf

    def times(self, length: float, feed: float, factor: float, now: float) -> tuple[float, float]:
        """Begin and end of a motion planned now: length in mm, feed in mm/min, factor in %."""
        start = self.rest_at if self.rest_at > now else now
        if self._acceleration:
            return start, start + rest_to_rest(length, feed * factor / 6000.0, self._acceleration) / self._speed
        return start, start + length * 6000.0 / (feed * factor * self._speed)

    def add(self, move: Move) -> None:
        self.queue.append(move)
        self.rest_at = move.end

    def stop(self, now: float) -> Move | None:
        """Drops what is planned; returns the motion that was under way, cut short at `now`, if there was one."""
        under_way = self.queue[0] if self.queue and self.queue[0].start < now else None
        self.queue.clear()
        self.rest_at = now
        if under_way is not None:
            _cut(under_way, now)
        return under_way


def rest_to_rest(length: float, speed: float, acceleration: float) -> float:
    """s for a path of `length` mm at mm/s and mm/s², standing at both ends: L/v + v/a, or 2√(L/a) if v is not reached."""
    if length >= speed * speed / acceleration:
        return length / speed + speed / acceleration
    return 2.0 * math.sqrt(length / acceleration)


def _cut(move: Move, now: float) -> None:
    share = (now - move.start) / (move.end - move.start)
    move.x1 = move.x0 + share * (move.x1 - move.x0)  # an arc is cut on its chord: near enough for a stop
    move.y1 = move.y0 + share * (move.y1 - move.y0)
    move.z1 = move.z0 + share * (move.z1 - move.z0)
    move.length *= share
    move.e *= share
    move.filament *= share
    move.end = now


def arc_length(
    start: tuple[float, float, float],
    end: tuple[float, float, float],
    centre: tuple[float, float] | None,
    radius: float | None,
    clockwise: bool,
) -> float:
    """Path of an arc in the XY plane, helical if Z changes, in mm; centre is relative to the start (I, J).

    Raises ValueError in words for an arc that is none (NIST RS274/NGC §3.5.3).
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    if centre is None:
        if radius is None:
            raise ValueError("an arc needs I and J, or R")
        centre = _centre(dx, dy, radius, clockwise)
    i, j = centre
    first, last = math.hypot(i, j), math.hypot(dx - i, dy - j)
    if abs(first - last) > ARC_TOLERANCE_MM or first == 0.0:
        raise ValueError(f"the arc's ends lie {first:.3f} and {last:.3f} mm from its centre")
    sweep = math.atan2(dy - j, dx - i) - math.atan2(-j, -i)
    if clockwise:
        sweep = -sweep
    if math.hypot(dx, dy) < SAME_PLACE_MM:
        sweep = math.tau
    else:
        sweep %= math.tau
    return math.hypot(first * sweep, end[2] - start[2])


def _centre(dx: float, dy: float, radius: float, clockwise: bool) -> tuple[float, float]:
    chord = math.hypot(dx, dy)
    if chord < SAME_PLACE_MM or chord > 2 * abs(radius) + ARC_TOLERANCE_MM:
        raise ValueError(f"no arc of radius {radius:.3f} mm joins ends {chord:.3f} mm apart")
    height = math.sqrt(max(0.0, radius * radius - chord * chord / 4.0))
    # The centre lies left of the chord for a short arc that turns left; R < 0 asks for the long one.
    side = height if clockwise == (radius < 0) else -height
    return dx / 2 - side * dy / chord, dy / 2 + side * dx / chord
