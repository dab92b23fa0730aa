"""Writes blocks: what a file says of a move, and what E stands at. Lengths mm, feedrates mm/min."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

from .infills import LINE
from .outlines import Point, Ring

FILAMENT_AREA = math.pi / 4 * 1.75**2
"""mm², of the usual 1.75 mm filament."""
NEAR = 1.6
"""mm: over less than this nothing is pulled back."""


def rounded(value: float) -> float:
    """To the micrometre, ties upwards with some margin: so that a last bit of the sine makes no other file."""
    return math.floor(value * 1000 + 0.5001) / 1000


@dataclass(frozen=True, slots=True)
class Manner:
    """How a file is written."""

    relative_e: bool
    hop: float  # mm; 0: none
    hop_by_g91: bool
    pull: float  # mm of filament
    travel_word: str  # G0 or G1
    arcs: bool
    layer_comment: str  # format with n and z, or empty
    print_feed: int
    first_feed: int
    travel_feed: int
    infill_feed: int


@dataclass(slots=True)
class Pen:
    manner: Manner
    lines: list[str] = field(default_factory=list)
    at: Point = (0.0, 0.0)
    z: float = 0.0
    e: int = 0  # 1e-5 mm
    feed: int = 0

    def say(self, *blocks: str) -> None:
        self.lines.extend(blocks)

    def filament(self, ticks: int) -> str:
        if self.manner.relative_e:
            return f"E{ticks / 1e5:.5f}"
        self.e += ticks
        return f"E{self.e / 1e5:.5f}"

    def _feed(self, feed: int) -> str:
        if feed == self.feed:
            return ""
        self.feed = feed
        return f" F{feed}"

    def rise(self, z: float) -> None:
        """To the height of a layer."""
        self.z = rounded(z)
        self.say(f"{self.manner.travel_word} Z{self.z:.3f}{self._feed(900)}")

    def travel(self, to: Point, pulled: bool = True) -> None:
        x, y = rounded(to[0]), rounded(to[1])
        far = math.hypot(x - self.at[0], y - self.at[1])
        if far < 0.001:
            return
        how = self.manner
        pulled = pulled and far > NEAR and how.pull > 0
        amount = round(how.pull * 1e5)
        if pulled:
            self.say(f"G1 {self.filament(-amount)}{self._feed(2400)}")
            self._hop(how.hop)
        self.say(f"{how.travel_word} X{x:.3f} Y{y:.3f}{self._feed(how.travel_feed)}")
        if pulled:
            self._hop(-how.hop)
            self.say(f"G1 {self.filament(amount)}{self._feed(2400)}")
        self.at = (x, y)

    def _hop(self, by: float) -> None:
        how = self.manner
        if not by:
            return
        if how.hop_by_g91:
            self.say("G91", f"G0 Z{by:.3f}{self._feed(900)}", "G90", "M83" if how.relative_e else "M82")
        else:
            self.say(f"{how.travel_word} Z{self.z + max(by, 0.0):.3f}{self._feed(900)}")

    def path(self, points: Ring, height: float, feed: int, width: float = LINE) -> None:
        """One line through all points, the first reached by a travel."""
        self.travel(points[0])
        area = width * height / FILAMENT_AREA * 1e5
        x0, y0 = self.at
        for px, py in points[1:]:
            x, y = rounded(px), rounded(py)
            ticks = math.floor(math.hypot(x - x0, y - y0) * area + 0.5001)
            if ticks:
                self.lines.append(f"G1 X{x:.3f} Y{y:.3f} {self.filament(ticks)}{self._feed(feed)}")
                x0, y0 = x, y
        self.at = (x0, y0)

    def spiral_to(self, to: Point, z: float, height: float, feed: int) -> None:
        """One piece of a line that rises all the way."""
        x, y, self.z = rounded(to[0]), rounded(to[1]), rounded(z)
        length = math.hypot(x - self.at[0], y - self.at[1])
        ticks = math.floor(length * LINE * height / FILAMENT_AREA * 1e5 + 0.5001)
        self.say(f"G1 X{x:.3f} Y{y:.3f} Z{self.z:.3f} {self.filament(ticks)}{self._feed(feed)}")
        self.at = (x, y)

    def circle(self, centre: Point, radius: float, start: float, height: float, feed: int) -> None:
        """A whole turn as three arcs, counter-clockwise (G3), centre by I and J (NIST RS274/NGC, §3.5.3)."""
        spots = [
            (
                rounded(centre[0] + radius * math.cos(start + math.tau * n / 3)),
                rounded(centre[1] + radius * math.sin(start + math.tau * n / 3)),
            )
            for n in (0, 1, 2, 0)
        ]
        self.travel(spots[0])
        ticks = math.floor(math.tau * radius / 3 * LINE * height / FILAMENT_AREA * 1e5 + 0.5001)
        for (x0, y0), (x, y) in itertools.pairwise(spots):
            i, j = rounded(centre[0] - x0), rounded(centre[1] - y0)
            self.say(f"G3 X{x:.3f} Y{y:.3f} I{i:.3f} J{j:.3f} {self.filament(ticks)}{self._feed(feed)}")
        self.at = spots[-1]
