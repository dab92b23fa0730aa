"""An excursion: from over the part to a place where waiting does no harm, and back to exactly where it was.

Pure text from a modal state. Everything is written in the mode that the file is in (absolute or relative, mm or inch, both
modes of E, any G92), and nothing here changes a mode: no G20/G21, G90/G91, M82/M83, and G92 of E alone, after a purge.
Each block written is applied to a copy of the state, so the way back is reckoned from what was really written.
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.modal import NET_MM, Modal

from banderole.plan.config import Printer
from banderole.plan.survey import CLEARANCE_MM

NUDGE_MM: Final = 0.1
"""Far below what loosens anything, far above a motor's step: the board sees a motion."""
NUDGE_LIFT_MM: Final = 0.5
"""In place the nozzle leaves the part before it moves sideways."""
Z_SPEED: Final = 10.0
"""mm/s. What slow lead-screw axes do; firmware caps it where they do less (common practice, no source)."""
FILAMENT_SPEED: Final = 30.0
"""mm/s for pulling back and giving forward (common practice, no source)."""
PURGE_SPEED: Final = 3.0
"""mm/s. 7 mm³/s of 1.75 mm filament, within what plain hot ends melt (common practice, no source)."""
MOST_TRAVEL_S: Final = 60.0
"""Longest that one of our travels can take; bounds what a wrong figure can make us wait."""


class Excursion:
    """Going aside from one place and coming back. Make one when the printer is at rest at `modal`'s position.

    `top`: highest deposit so far, mm; `place`: where to wait, mm, or None to stay in place. What cannot be done safely is
    left out: no travel of axes whose position is not known, none where nothing clears the part inside the volume.
    """

    def __init__(self, modal: Modal, top: float, printer: Printer, place: tuple[float, float] | None) -> None:
        self._here = modal
        self._now = modal.copy()
        self._printer = printer
        self._lifted_to = self._lift_height(top)
        homed = all(axis in modal.known for axis in "XYZ")
        self._place = place if homed and self._lifted_to is not None else None
        self._pulled = 0.0
        self.took: dict[bytes, float] = {}  # s that each block written here moves for

    @property
    def away_from_part(self) -> bool:
        """Whether it waits aside (or in place)."""
        return self._place is not None

    def _lift_height(self, top: float) -> float | None:
        """Height of travel, or None where there is no safe one."""
        if "Z" not in self._here.known:
            return None
        highest = max(top, self._here.z)
        height = min(highest + self._printer.aside.lift, self._printer.volume.z[1])
        return height if height >= highest + CLEARANCE_MM else None

    # ---- the parts of an excursion, in order

    def away(self, warm: bool) -> list[bytes]:
        """Filament back (unless it is, or too cold to), up, aside."""
        blocks: list[bytes] = []
        pull = self._printer.aside.retract
        if warm and not self._here.back and pull > 0:
            self._pulled = pull
            blocks.append(self._feed(-pull, FILAMENT_SPEED))
        if self._place is not None:
            assert self._lifted_to is not None
            blocks.append(self._travel(Z_SPEED, z=self._lifted_to))
            blocks.append(self._travel(self._printer.aside.speed, *self._place))
        return blocks

    def push(self, purge_mm: float) -> list[bytes]:
        """Filament forward by all that is back, ours and the file's, and `purge_mm` more. Only while warm."""
        blocks: list[bytes] = []
        if self._here.firmware_back:
            blocks.append(b"G11")
        back = self._here.debt + self._pulled
        if back > NET_MM:
            blocks.append(self._feed(back, FILAMENT_SPEED))
        if purge_mm > 0:
            blocks.append(self._feed(purge_mm, PURGE_SPEED))
        return blocks

    def pull(self, purge_mm: float) -> list[bytes]:
        """Back by the same as `push` gave forward, the purge apart; the count of E is put back after a purge."""
        blocks: list[bytes] = []
        back = self._here.debt + self._pulled
        if back > NET_MM:
            blocks.append(self._feed(-back, FILAMENT_SPEED))
        if purge_mm > 0:  # where E is relative too: the file may go over to absolute, and count on from where it was
            word = (self._here.e - self._pulled - self._here.off_e) / self._here.scale
            blocks.append(self._apply(b"G92 E" + _number(word, self._here.scale)))
        if self._here.firmware_back:
            blocks.append(b"G10")
        return blocks

    def back(self, warm: bool) -> list[bytes]:
        """Back above the place, down, filament forward by just what was pulled, and the file's feedrate."""
        blocks: list[bytes] = []
        here = self._here
        if self._place is not None:
            blocks.append(self._travel(self._printer.aside.speed, here.x, here.y))
            blocks.append(self._travel(Z_SPEED, z=here.z))
        if self._pulled and warm:
            blocks.append(self._feed(self._pulled, FILAMENT_SPEED))
            self._pulled = 0.0
        if here.feed and self._now.feed != here.feed:
            blocks.append(self._apply(b"G1 F" + _number(here.feed / here.scale, here.scale)))
        return blocks

    def nudge(self) -> list[bytes]:
        """A tenth of a millimetre and back, of homed axes, so that the board does not let its motors go. [] before homing."""
        now, volume = self._now, self._printer.volume
        if "X" not in now.known or "Y" not in now.known:
            return []
        x, y, z = now.x, now.y, now.z
        dx = -NUDGE_MM if x > sum(volume.x) / 2 else NUDGE_MM
        dy = -NUDGE_MM if y > sum(volume.y) / 2 else NUDGE_MM
        moves = [self._travel(Z_SPEED, x + dx, y + dy), self._travel(Z_SPEED, x, y)]
        if self._place is not None or "Z" not in now.known or z + NUDGE_LIFT_MM > volume.z[1]:
            return moves
        return [self._travel(Z_SPEED, z=z + NUDGE_LIFT_MM), *moves, self._travel(Z_SPEED, z=z)]

    def seconds(self) -> float:
        """Time the way there takes, and again the way back, s: length over speed, no acceleration."""
        if self._place is None or self._lifted_to is None:
            return 1.0
        across = abs(self._place[0] - self._here.x) + abs(self._place[1] - self._here.y)
        up = abs(self._lifted_to - self._here.z)
        return min(MOST_TRAVEL_S, across / self._printer.aside.speed + up / Z_SPEED + 1.0)

    # ---- writing

    def _travel(self, speed: float, x: float | None = None, y: float | None = None, z: float | None = None) -> bytes:
        now = self._now
        words = b"G1"
        for axis, target, at, offset in (
            (b"X", x, now.x, now.off_x),
            (b"Y", y, now.y, now.off_y),
            (b"Z", z, now.z, now.off_z),
        ):
            if target is not None:
                value = (target - at if now.relative else target - offset) / now.scale
                words += b" " + axis + _number(value, now.scale)
        return self._apply(words + b" F" + _number(speed * 60 / now.scale, now.scale))

    def _feed(self, mm: float, speed: float) -> bytes:
        now = self._now
        value = (mm if now.e_relative else now.e + mm - now.off_e) / now.scale
        return self._apply(b"G1 E" + _number(value, now.scale) + b" F" + _number(speed * 60 / now.scale, now.scale))

    def _apply(self, block: bytes) -> bytes:
        self._now.apply(block)
        self.took[block] = self._now.seconds
        return block


def _number(value: float, scale: float) -> bytes:
    """A word's number: a hundredth of a micrometre in mm, no exponent, no idle zeros."""
    text = f"{value:.{5 if scale == 1.0 else 7}f}".rstrip("0").rstrip(".")
    return b"0" if text in ("-0", "") else text.encode()
