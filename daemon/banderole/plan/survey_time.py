"""The time that a file takes, by layer and by band: motions as they come in the file, given to `MotionTime` by the thousand."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import islice
from operator import sub
from typing import Final

from banderole_protocol.arcs import arc_of
from banderole_protocol.modal import DWELL, HOME, MOVED_MM, NET_MM, PERSON, Modal
from banderole_protocol.words import words_of

from .bends import Bend, bend_of
from .layers import Layer
from .motion_limits import MotionLimits
from .motion_time import MotionTime
from .moves import Moves

TOGETHER: Final = 4096
"""Motions handed over at once: a call for each would take as long as reading it."""
_LIMITS: Final = ("M201", "M203", "M204", "M205")
DRAINS: Final = frozenset(("M400", "M109", "M190", "M191", "G4"))
"""Commands at which motion comes to rest."""
HOUR_S: Final = 3600.0


class SurveyTime:
    """Feed in file order. `mark` says whose time it is from here on; `share_out` gives each its seconds."""

    def __init__(self, limits: MotionLimits) -> None:
        self._time = MotionTime(limits)
        self._whose: list[tuple[int | None, Layer | None]] = [(None, None)]  # (band, layer) of each bucket
        self._dx: list[float] = []
        self._dy: list[float] = []
        self._dz: list[float] = []
        self._de: list[float] = []
        self._feed: list[float] = []
        self._length: list[float] = []
        self._alone: list[int] = []
        self._bent: list[tuple[int, Bend]] = []
        self._limits = limits
        self._changes: list[tuple[int, MotionLimits]] = []  # of the limits: from which motion on they hold
        self._factor = 1.0

    def motion(self, modal: Modal, block: bytes) -> None:
        """The motion that `modal` has just made; `block` is needed for arcs alone."""
        dx, dy, dz = modal.x - modal.x0, modal.y - modal.y0, modal.z - modal.z0
        length, bend = math.hypot(dx, dy, dz), None
        if modal.head in ("G2", "G3"):
            start, end = (modal.x0, modal.y0, modal.z0), (modal.x, modal.y, modal.z)
            named = {letter: number for letter, number in words_of(block) if number is not None}
            arc = arc_of(modal.head == "G2", modal.plane, start, end, named, modal.scale)
            if arc is not None:
                length, bend = arc.length, bend_of(modal.head == "G2", modal.plane, start, end, arc)
        if length <= MOVED_MM:
            if abs(modal.fed) <= NET_MM:  # nothing, or the rounding of a sum: no machine stops for that
                return
            dx = dy = dz = 0.0
            length = abs(modal.fed)
            self._alone.append(len(self._length))
        elif bend is not None:
            self._bent.append((len(self._length), bend))
        self._dx.append(dx)
        self._dy.append(dy)
        self._dz.append(dz)
        self._de.append(modal.fed)
        self._feed.append(modal.feed / 60.0 * self._factor)
        self._length.append(length)
        if len(self._length) >= TOGETHER:
            self._hand_over()

    def moves(self, moves: Moves, band: int | None, layers: list[tuple[int, Layer]]) -> None:
        """Many of them, in a band; from each of these indices on the time belongs to another layer."""
        begin = len(self._length)
        for at, layer in layers:
            self._time.bucket(begin + at)
            self._whose.append((band, layer))
        self._dx += map(sub, islice(moves.xs, 1, None), moves.xs)
        self._dy += map(sub, islice(moves.ys, 1, None), moves.ys)
        self._dz += [0.0] * len(moves.lengths)
        self._de += moves.laid
        for at, rise in zip(moves.rise_at, moves.rises, strict=True):
            self._dz[begin + at] = rise
        for at, fed in zip(moves.fed_at, moves.fed, strict=True):
            self._de[begin + at] = fed
        for at in moves.alone:
            self._dx[begin + at] = self._dy[begin + at] = 0.0  # not the rounding of a place named again
            self._alone.append(begin + at)
        for at, curve in zip(moves.curve_at, moves.curves, strict=True):
            self._bent.append((begin + at, curve.bend))
        self._feed += moves.speeds if self._factor == 1.0 else [speed * self._factor for speed in moves.speeds]
        self._length += moves.lengths
        if len(self._length) >= TOGETHER:
            self._hand_over()

    def other(self, modal: Modal, kind: int, block: bytes, ahead: int) -> None:
        """A block that is no motion: a pause, a limit, or nothing to the time. So many motions come in before it yet."""
        if kind == DWELL:
            self._hand_over()
            self._time.pause(min(modal.seconds, HOUR_S))
        elif kind in (HOME, PERSON) or modal.head in DRAINS or modal.head[:1] == "T":
            self._hand_over()
            self._time.pause(0.0)
        elif modal.head in _LIMITS:
            limits = _changed(self._limits, block)
            if limits is not self._limits:
                self._limits = limits
                at = len(self._length) + ahead
                if (
                    self._changes and self._changes[-1][0] == at
                ):  # as many as there are motions, however many a file has
                    self._changes.pop()
                self._changes.append((at, limits))

    def feed_factor(self, percent: float) -> None:
        """From here on feeds are taken at so many percent."""
        if percent > 0:
            self._factor = percent / 100.0

    def mark(self, band: int | None, layer: Layer | None) -> None:
        """From here on the time belongs to this band and layer."""
        self._time.bucket(len(self._length))
        self._whose.append((band, layer))

    def rest(self) -> None:
        """Motion comes to rest here: a crossing drains."""
        self._hand_over()
        self._time.pause(0.0)

    def share_out(self) -> tuple[float, dict[int, float]]:
        """Ends it. Each layer has got its seconds; the whole, s, and that of each band."""
        self._hand_over()
        self._time.finish()
        bands: dict[int, float] = {}
        totals = self._time.totals()
        for seconds, (band, layer) in zip(totals, self._whose, strict=True):
            if band is not None:
                bands[band] = bands.get(band, 0.0) + seconds
            if layer is not None:
                layer.seconds += seconds
        return sum(totals), bands

    def _hand_over(self) -> None:
        if self._length or self._changes:
            columns = (self._dx, self._dy, self._dz, self._de, self._feed, self._length)
            self._time.extend(*columns, self._alone, self._bent, self._changes)
            for column in (*columns, self._alone, self._bent, self._changes):
                column.clear()


@lru_cache(maxsize=256)
def _changed(limits: MotionLimits, block: bytes) -> MotionLimits:
    """Limits after this block. Files change between the same few at every kind of line."""
    return limits.changed_by(words_of(block)) or limits
