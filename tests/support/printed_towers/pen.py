"""Writes G-code: start, moves, retractions and end, in one of several manners of writing."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from tests.support.printed_towers.geometry import Loop, Point

FILAMENT_MM2 = math.pi * 1.75**2 / 4
"""Filament of 1.75 mm, common practice."""
WIDTH = 0.45
"""mm of a line from a nozzle of 0.4 mm, common practice."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How a file is written. Lengths in mm, speeds in mm/min."""

    relative_e: bool
    reset_e: bool
    hop: float
    retract: float
    remarks: bool
    purge_z: float | None
    skirts: int
    speed: int
    nozzle: int
    bed: int

    @classmethod
    def drawn(cls, dice: random.Random) -> Manner:
        return cls(
            relative_e=dice.random() < 0.5,
            reset_e=dice.random() < 0.4,
            hop=dice.choice((0.0, 0.0, 0.0, 0.2, 0.4, 0.6)),
            retract=dice.choice((0.4, 0.8, 1.0, 2.5, 5.0)),
            remarks=dice.random() < 0.5,
            purge_z=dice.choice((None, 0.28, 0.3, 0.4, 0.2)),
            skirts=dice.choice((0, 0, 1, 2, 3)),
            speed=dice.choice((1800, 2400, 3000, 4800)),
            nozzle=dice.choice((200, 205, 215, 235, 245)),
            bed=dice.choice((55, 60, 70, 85)),
        )


class Pen:
    """Where the nozzle is, and what was written."""

    def __init__(self, manner: Manner) -> None:
        self.manner, self.lines = manner, list[str]()
        self.x = self.y = self.z = self.e = 0.0
        self.layer_mm, self.back = 0.2, False

    def say(self, *lines: str) -> None:
        self.lines += lines

    def remark(self, text: str) -> None:
        if self.manner.remarks:
            self.lines.append(f"; {text}")

    def start(self) -> None:
        m = self.manner
        self.say(f"M140 S{m.bed}", f"M104 S{m.nozzle}", "G21", "G90", "M83" if m.relative_e else "M82", "G28")
        self.say(f"M190 S{m.bed}", f"M109 S{m.nozzle}", "G92 E0", "G1 Z5 F3000")
        if m.purge_z is not None:
            self.layer_mm = self.z = m.purge_z
            self.say("G0 X5 Y10 F6000", f"G1 Z{m.purge_z:g} F1200")
            self.x, self.y = 5.0, 10.0
            self.draw((5.0, 120.0), 1200)
            self.draw((5.4, 120.0))
            self.draw((5.4, 30.0))
            self.say("G1 Z2 F1200")
        self.say("M107")

    def end(self) -> None:
        self.pull()
        self.say("G91", "G1 Z10 F1200", "G90", "G0 X5 Y200 F6000", "M104 S0", "M140 S0", "M107", "M84")

    def layer(self, number: int, z: float, layer_mm: float) -> None:
        self.remark(f"layer {number} at {z:.3f}")
        if self.manner.reset_e and not self.manner.relative_e:
            self.say("G92 E0")
            self.e = 0.0
        if number == 1:
            self.say("M106 S200")
        self.say(f"G1 Z{z:.3f} F1200")
        self.z, self.layer_mm = z, layer_mm

    def _feed(self, mm: float) -> str:
        self.e += mm
        return f"E{mm:.5f}" if self.manner.relative_e else f"E{self.e:.5f}"

    def pull(self) -> None:
        if not self.back:
            self.say(f"G1 {self._feed(-self.manner.retract)} F2400")
            self.back = True

    def travel(self, to: Point) -> None:
        """A long way is gone with the filament drawn back, and hopping where that is the manner."""
        far = math.hypot(to[0] - self.x, to[1] - self.y)
        if far < 0.005:
            return
        long = far > 2.5
        if long:
            self.pull()
        hop = long and self.manner.hop > 0
        if hop:
            self.say(f"G1 Z{self.z + self.manner.hop:.3f} F6000")
        self.lines.append(f"G0 X{to[0]:.3f} Y{to[1]:.3f} F7200")
        self.x, self.y = to
        if hop:
            self.say(f"G1 Z{self.z:.3f} F6000")
        if self.back:
            self.say(f"G1 {self._feed(self.manner.retract)} F2400")
            self.back = False

    def draw(self, to: Point, speed: int | None = None) -> None:
        mm = math.hypot(to[0] - self.x, to[1] - self.y) * self.layer_mm * WIDTH / FILAMENT_MM2
        pace = f" F{speed}" if speed else ""
        self.lines.append(f"G1 X{to[0]:.3f} Y{to[1]:.3f} {self._feed(mm)}{pace}")
        self.x, self.y = to

    def loop(self, loop: Loop, speed: int, first: int = 0) -> None:
        """Closed, from the corner of that number."""
        first %= len(loop)
        around = loop[first:] + loop[: first + 1]
        self.travel(around[0])
        self.draw(around[1], speed)
        for point in around[2:]:
            self.draw(point)

    def climb(self, loop: Loop, high: float) -> None:
        """Once round, from where the nozzle is up to a height: no seam."""
        low = self.z
        self.travel(loop[0])
        self.layer_mm = high - low
        for n, point in enumerate((*loop[1:], loop[0]), 1):
            self.draw(point)
            self.lines[-1] += f" Z{low + self.layer_mm * n / len(loop):.3f}"
        self.z = high

    def written(self) -> bytes:
        return ("\n".join(self.lines) + "\n").encode()
