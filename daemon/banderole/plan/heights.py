"""Heights at which something has been laid: what a layer lies on, and what is a slope. No words, no bands, no blocks."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from math import inf
from operator import sub
from typing import Final

FLAT_MM: Final = 1e-4
"""Heights closer than this are the same: far below a motor's step, far above the rounding of relative moves."""
SLOPE_MM: Final = 1e-6
"""A block that rises by more is sloping: fine spirals rise by less than a ten-thousandth of a millimetre a block."""
FINE_MM: Final = 0.005
"""Where a spiral rises by less than the file's last decimal (0.001 mm is usual), some of its blocks are flat: a flat block
behind one that rose by no more than this is still the spiral."""
SPIRAL_MM: Final = 0.05
"""A spiral leaves a height behind this often, as the layer below for whatever is laid flat on it later."""
SPIRAL_LAYER_MM: Final = 0.2
"""A spiral has no layers: a turn is taken to be this high, for `hold --at layer`, for `stop`, and for a rim that lies on it."""
SEAM_MM: Final = 0.6
"""A slope no higher than this (a thick layer) may be the tapered seam of a layer; it leaves no height behind."""
THICK_MM: Final = 1.5
"""No desktop nozzle lays a thicker layer (common practice, no source): it lies on something finished earlier."""
HEIGHTS_MOST: Final = 1 << 14
"""Heights kept. A part of 250 mm with a layer every 0.02 mm has 12,500. Beyond, those that lie closest together are thinned
out, so that a file of a million heights takes neither memory nor time without bound."""


class Heights:
    """Which heights have been laid, to know what a layer lies on: the last thing laid that is lower.

    So parts in turn find their own layer below. Kept are the heights from the bed up to the last one laid, and all there
    ever were, each at most HEIGHTS_MOST: both grow with the number of different heights, not of blocks.
    """

    __slots__ = ("_at", "_began", "_ever", "_fine", "_laid", "_turn")

    def __init__(self) -> None:
        self._laid: list[float] = []
        self._ever: list[float] = []
        self._began: float | None = None  # where the slope in work began, None in a flat layer
        self._at = 0.0  # where it has come to
        self._fine = False  # whether its last block rose by next to nothing
        self._turn: float | None = None  # where the last turn of a spiral began

    @property
    def nothing(self) -> bool:
        """Is nothing laid yet?"""
        return not self._ever

    def slopes(self, z0: float, z: float) -> bool:
        """Is a deposit from `z0` to `z` part of a slope? A flat one may be of a very fine one, or the rim of a spiral."""
        if abs(z - z0) > SLOPE_MM:
            return True
        if self._began is None or abs(z - self._at) > FINE_MM:
            return False
        return self._fine or self._at - self._began > SEAM_MM

    def below(self, z: float) -> float:
        """The height under a flat deposit at `z`, mm; the bed is 0."""
        laid = self._laid
        if laid and laid[-1] < z - FLAT_MM:  # mostly
            below = laid[-1]
        else:
            at = bisect_left(laid, z - FLAT_MM)
            below = laid[at - 1] if at else 0.0
        if z - below > THICK_MM:
            ever = bisect_left(self._ever, z - FLAT_MM)
            below = self._ever[ever - 1] if ever else 0.0
        return below

    def lay(self, z: float) -> None:
        """A flat layer is laid at `z`."""
        self._began = None
        self._leave((z,))

    def rise(self, z0: float, z: float) -> bool:
        """A slope goes from `z0` to `z`; True where a turn of a spiral begins, and so a layer."""
        if self._began is None or z0 < self._at - FLAT_MM:
            self._began = z0
            del self._laid[bisect_left(self._laid, z0 + FLAT_MM) :]
        self._fine, self._at = abs(z - z0) <= FINE_MM, z
        if z - self._began > SEAM_MM and (not self._laid or z - SPIRAL_LAYER_MM >= self._laid[-1] + SPIRAL_MM):
            self._leave((z - SPIRAL_LAYER_MM,))
        if not self._ever:
            self._leave((z,))
        if self._turn is None or z < self._turn or z - self._turn >= SPIRAL_LAYER_MM:
            self._turn = z
            return True
        return False

    def climb(self, zs: Sequence[float]) -> list[int]:
        """A slope goes from each of these heights to the next, which is higher; with which deposits a turn begins."""
        turns = [0] if self.rise(zs[0], zs[1]) else []
        assert self._began is not None
        assert self._turn is not None
        began, turn = self._began, self._turn
        last = self._laid[-1] if self._laid else -inf
        left: list[float] = []
        due = -inf  # below this height neither is due
        for at, z in enumerate(zs[2:], 1):  # as `rise`, without what cannot be
            if z < due:
                continue
            if z - began > SEAM_MM and z - SPIRAL_LAYER_MM >= last + SPIRAL_MM:
                last = z - SPIRAL_LAYER_MM
                left.append(last)
            if z - turn >= SPIRAL_LAYER_MM:
                turn = z
                turns.append(at)
            due = min(turn, max(last + SPIRAL_MM, began + SEAM_MM - SPIRAL_LAYER_MM)) + SPIRAL_LAYER_MM - FLAT_MM
        if left:
            self._leave(left)
        self._turn, self._fine, self._at = turn, zs[-1] - zs[-2] <= FINE_MM, zs[-1]
        return turns

    def _leave(self, zs: Sequence[float]) -> None:
        """Something lies at each of these heights, which ascend; what is higher than the first belongs to a finished part."""
        laid, ever = self._laid, self._ever
        lowest = zs[0] - FLAT_MM
        if laid and laid[-1] >= lowest:
            del laid[bisect_left(laid, lowest) :]
        laid += zs
        if len(laid) > HEIGHTS_MOST:
            _thin(laid)
        if not ever or ever[-1] < lowest:
            ever += zs
        else:
            for z in zs:
                at = bisect_left(ever, z - FLAT_MM)
                if at == len(ever) or ever[at] > z + FLAT_MM:
                    ever.insert(at, z)
        if len(ever) > HEIGHTS_MOST:
            _thin(ever)


def _thin(heights: list[float]) -> None:
    """Leaves half at most: out go those nearest to one below, never the topmost. What lay on one lies on its neighbour."""
    gap, least = FLAT_MM, min(map(sub, heights[1:], heights))
    while 2 * gap <= least:  # nothing would go
        gap *= 2
    while len(heights) > HEIGHTS_MOST // 2:
        gap *= 2
        top, kept = heights[-1], heights[:1]
        for z in heights:
            if z - kept[-1] >= gap:
                kept.append(z)
        if kept[-1] != top:
            kept.append(top)
        heights[:] = kept
