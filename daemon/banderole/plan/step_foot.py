"""A foot below the steps, and a cap upon them: the part goes in, or out, all around, and does so nowhere else. Pure; mm.

A person sees a foot at once: one even outline from the bed (or from a raft) up to a height at which all sides that move
move by the same. What comes again a rise higher is a step, or a ledge between steps, and no foot.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from .layer_signature import FEATURES, Layer
from .step_marks import BOX, SKIRT_MM

EVEN_MM: Final = 0.12
"""An outline that moves by no more from layer to layer stands still: rounding, seams, the corners of a circle."""
MOVED_MM: Final = 0.25
"""A side that moves by more has gone in or out: half a line."""
LIKE_MM: Final = 0.15
"""Sides that move together do so by the same, within this; so do edges that come again."""
MOST_UNLIKE: Final = 0.4
"""But not on a part with few corners: there a side may move by so small a share of what another does."""
FIRST_LAYERS: Final = 2
"""Brims, skirts, purge lines and a first layer pressed wide end here, or at SKIRT_MM: what is even above may be a foot."""
LAST_MM: Final = 0.3
"""What lies above is a layer or two, and no cap."""
GROOVE_MM: Final = 2.0
"""A groove is hardly taller, and a foot is no groove's lower edge."""
MOST_SHARE: Final = 0.4
"""Of the part's height: a foot is lower."""
THINNER: Final = 0.2
"""A foot that is filled otherwise than the steps ends where there is less by this share."""
UNEVEN: Final = 0.12
"""Within a foot there is as much in each layer, but for this share."""
SKIN_LAYERS: Final = 5
SKIN_MM: Final = 0.75
"""What is full only up to here may be a skin."""
TURNED: Final = 0.01
"""What stays as large as before, within this share, was only turned."""
_AREA: Final = FEATURES.index("area")
_SECTION: Final = FEATURES.index("section")
_SIGNS: Final = (1, 1, -1, -1)
"""Which way left, front, right and rear go as a part grows narrower upwards."""


class Feet:
    """Ends of an even piece at one end of a part: of a foot, or (`down`) of a cap."""

    def __init__(self, layers: Sequence[Layer], most: float, down: bool = False) -> None:
        self._boxes = [tuple(layer.values[side] for side in BOX) for layer in layers]
        self._area = [layer.values[_AREA] for layer in layers]
        self._full = [layer.values[_SECTION] for layer in layers]
        self._tops = [layer.z for layer in layers]
        self._down = down
        self._ends = self._found(min(most, MOST_SHARE * layers[-1].z))

    def of(self, rise: float, slack: float) -> float | None:
        """The last such end that does not come again a rise further in; None if there is none."""
        way = -rise if self._down else rise
        alone = [
            z
            for z, moves, by in self._ends
            if not self._again(z + way, moves, by, slack)
            and (moves or all(abs(z - times * rise) > slack for times in (1, 2)))
        ]
        return alone[-1] if alone else None

    def _found(self, most: float) -> list[tuple[float, bool, float]]:
        """Heights, whether walls move there, by how much. Pieces may follow each other: a raft, a foot."""
        count, top = len(self._boxes), self._tops[-1]
        ends: list[tuple[float, bool, float]] = []
        even, since = not self._down, 0
        for n in range(count - 1, 0, -1) if self._down else range(1, count):
            z = self._tops[n - 1]
            far = top - z if self._down else z
            if far > most:
                break
            if far < (LAST_MM if self._down else SKIRT_MM) or (n < FIRST_LAYERS and not self._down):
                continue
            if any(self._moves(n)):
                moved = [by for by in self._moves(n) if by]
                if min(moved) < 0 < max(moved):
                    continue  # lines this way, then that way: a raft has no walls
                by = self._by(n)
                if by is None or (by < 0 and not self._down) or self._back(n, by):
                    break
                ends.append((z, True, by))
                even, since = not self._down, n
            elif even and self._thins(n) > THINNER and n > since + SKIN_LAYERS and z > SKIN_MM:
                ends.append((z, False, self._thins(n)))
                even = False
            elif n > since + 1:
                even = even and abs(self._thins(n)) < UNEVEN
        return ends

    def _moves(self, n: int) -> tuple[float, ...]:
        """By how much each side goes in from layer n - 1 to layer n; what stands still is 0."""
        ways = (sign * (b - a) for sign, a, b in zip(_SIGNS, self._boxes[n - 1], self._boxes[n], strict=True))
        return tuple(by if abs(by) > EVEN_MM else 0.0 for by in ways)

    def _by(self, n: int) -> float | None:
        """How far the sides go in; None where they do not all do so alike, or not along X and along Y."""
        moves = self._moves(n)
        moved = sorted(by for by in moves if by)
        if not (moves[0] or moves[2]) or not (moves[1] or moves[3]):
            return None
        if len(moved) == len(moves) and moved[-1] - moved[-2] > 2 * LIKE_MM and moved[-2] - moved[0] <= 2 * LIKE_MM:
            moved.pop()  # something beside the part ends there too, as what keeps a nozzle clean does
        if abs(self._area[n] - self._area[n - 1]) < TURNED * self._area[n - 1]:
            return None
        by = sum(moved) / len(moved)
        least, most = sorted((abs(min(moved)), abs(max(moved))))
        alike = most - least <= 2 * LIKE_MM + 0.25 * abs(by) or (len(moved) > 2 and least > MOST_UNLIKE * most)
        if min(moved) < 0 < max(moved):
            return None
        return by if abs(by) > MOVED_MM and alike else None

    def _thins(self, n: int) -> float:
        """By which share there is less in layer n than in the one before."""
        return 1 - self._full[n] / self._full[n - 1] if self._full[n - 1] > 0 else 0.0

    def _back(self, n: int, by: float) -> bool:
        """Does the part come back soon, and at once? Then it was a groove."""
        way = -1 if self._down else 1
        at, there = (n - 1, n) if self._down else (n, n - 1)
        foot = self._boxes[there]
        while 0 <= at < len(self._tops) and abs(self._tops[at] - self._tops[there]) <= GROOVE_MM:
            near = sum(abs(a - b) < abs(by) / 3 for a, b in zip(self._boxes[at], foot, strict=True)) >= 3
            if near and any(abs(move) > abs(by) / 3 for move in self._moves(at if way > 0 else at + 1)):
                return True
            at += way
        return False

    def _again(self, z: float, moves: bool, by: float, slack: float) -> bool:
        for n in range(1, len(self._tops)):
            if abs(self._tops[n - 1] - z) <= slack:
                if moves and sum(abs(like - by) <= max(LIKE_MM, abs(by) / 4) for like in self._moves(n)) >= 2:
                    return True
                if not moves and self._thins(n) > by / 2:
                    return True
        return False
