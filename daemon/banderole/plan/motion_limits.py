"""What bounds a machine's motion: accelerations, speeds of single axes, and how fast a corner is taken.

From the `[motion]` table of the printer file, and from what the file itself sets: M201 (accelerations of axes), M203 (their
highest speeds), M204 (accelerations for printing P, travel T, filament alone R; S is P and T), M205 (jerk X, Y, Z, E, or a
junction deviation J). Units mm/s and mm/s² as told (common practice of printer firmware, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Final

from banderole_protocol.words import Word, head_of

ACCELERATION: Final = 1000.0
"""mm/s² where neither printer file nor file says: what the printer file's own default is."""
JUNCTION_MM: Final = 0.02
"""Junction deviation in mm, likewise."""

Axes = tuple[float, float, float, float]
"""A value for each of X, Y, Z, E."""
FREE: Final[Axes] = (inf, inf, inf, inf)
_AXES: Final = "XYZE"
SANE: Final = (1e-3, 1e9)
"""mm/s, mm/s², mm: what a file names outside these is no limit of a machine."""


@dataclass(frozen=True, slots=True)
class MotionLimits:
    """Accelerations mm/s², speeds mm/s. `jerk` (mm/s by axis) replaces `junction` (mm) where the file sets it."""

    printing: float = ACCELERATION
    travel: float = ACCELERATION
    filament: float = ACCELERATION  # filament alone: pulled back, pushed forward
    junction: float = JUNCTION_MM
    jerk: Axes | None = None
    axis_acceleration: Axes = FREE
    axis_speed: Axes = FREE

    @classmethod
    def of(cls, acceleration: float = ACCELERATION, junction: float = JUNCTION_MM) -> MotionLimits:
        """One acceleration (mm/s²) for everything, and a junction deviation (mm)."""
        return cls(acceleration, acceleration, acceleration, junction)

    def changed_by(self, words: list[Word]) -> MotionLimits | None:
        """The limits after a block of these words; None where it changes none. Values that are not `SANE` are left out."""
        told = {letter: number for letter, number in words if number is not None and SANE[0] <= number <= SANE[1]}
        match head_of(words):
            case "M201":
                changed = replace(self, axis_acceleration=_by_axis(self.axis_acceleration, told))
            case "M203":
                changed = replace(self, axis_speed=_by_axis(self.axis_speed, told))
            case "M204":
                both = told.get("S")
                changed = replace(
                    self,
                    printing=told.get("P", both or self.printing),
                    travel=told.get("T", both or self.travel),
                    filament=told.get("R", self.filament),
                )
            case "M205":
                changed = self._cornering(told)
            case _:
                return None
        return None if changed == self else changed

    def _cornering(self, told: dict[str, float]) -> MotionLimits:
        if "J" in told:
            return replace(self, junction=told["J"], jerk=None)
        if told.keys().isdisjoint(_AXES):
            return self
        return replace(self, jerk=_by_axis(self.jerk or FREE, told))

    def bounded(self, wanted: float, axes: Axes, shares: tuple[float, float, float, float]) -> float:
        """The largest value along a path, at most `wanted`, that keeps each axis within `axes`.

        `shares` is how far each axis goes for a millimetre of path.
        """
        if axes is FREE:
            return wanted
        for most, share in zip(axes, shares, strict=True):
            if share and most < wanted * abs(share):
                wanted = most / abs(share)
        return wanted


def _by_axis(before: Axes, told: dict[str, float]) -> Axes:
    x, y, z, e = (told.get(axis, old) for axis, old in zip(_AXES, before, strict=True))
    return x, y, z, e
