"""What an arc is to the time of motion: which way it goes at its ends, and how fast it may be gone at all."""

from __future__ import annotations

from math import hypot, inf, sqrt
from typing import NamedTuple

from banderole_protocol.arcs import PLANES, SAME_MM, Arc, Point

from .motion_limits import FREE, Axes, MotionLimits

Direction = tuple[float, float, float]


class Bend(NamedTuple):
    """What makes a motion an arc: its radius, mm, and its directions (of length 1) where it begins and ends."""

    radius: float
    enters: Direction
    leaves: Direction

    def bounded(self, limits: MotionLimits, pull: float, feed: float, e: float) -> tuple[float, float]:
        """Acceleration (mm/s²) and speed (mm/s) along it, where so much is wanted; `e` mm of filament for one of path."""
        if limits.axis_acceleration is not FREE or limits.axis_speed is not FREE:
            # X and Y (or the plane's two) may each have the whole of it somewhere.
            most: Axes = (1.0, 1.0, max(abs(self.enters[2]), abs(self.leaves[2])), e)
            pull = limits.bounded(pull, limits.axis_acceleration, most)
            feed = limits.bounded(feed, limits.axis_speed, most)
        # It bends the machine off its way all along: v² = aR is as fast as the acceleration allows.
        return pull, min(feed, sqrt(pull * max(self.radius, SAME_MM)))


def bend_of(clockwise: bool, plane: str, start: Point, end: Point, arc: Arc) -> Bend:
    """How an arc of `arc_of` is bent, from start to end (mm)."""
    first, second = PLANES[plane]
    normal = 3 - first - second
    rise = (end[normal] - start[normal]) / arc.length if arc.length else 0.0
    flat = arc.radius * arc.sweep / arc.length if arc.length else 0.0  # the part of the path that lies in the plane
    directions = []
    for point in (start, end):
        across, up = point[first] - arc.centre[0], point[second] - arc.centre[1]
        turn = (-flat if clockwise else flat) / (hypot(across, up) or inf)
        direction = [rise, rise, rise]
        direction[first], direction[second] = -turn * up, turn * across
        directions.append((direction[0], direction[1], direction[2]))
    return Bend(arc.radius, directions[0], directions[1])
