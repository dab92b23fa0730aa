"""The layers of a file, in its order: where each lies, what is laid down in it, how long that takes.

A layer here is what the itinerary calls one: it begins with a deposit at a height of its own, so of parts printed in turn
each has its own, and a spiral has one a turn.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import compress
from typing import Any, Final

from banderole_protocol.modal import Modal

from .footprint import Box, Footprint, around
from .moves import Moves

LAYERS_MOST: Final = 20_000
"""Rows kept: two metres of layers of 0.1 mm. What comes after counts into the last."""


@dataclass(slots=True)
class Layer:
    """Lengths mm, times s. `line` and `block` (ordinal of the command, from 1) are those of its first deposit."""

    z: float
    height: float
    line: int
    block: int
    box: Box
    blocks: int = 0
    filament_mm: float = 0.0
    length_mm: float = 0.0  # of deposits
    deposit_s: float = 0.0  # of deposits, at the feed they ask for
    seconds: float = 0.0

    def as_json(self) -> dict[str, Any]:
        return {
            "z": round(self.z, 4),
            "height_mm": round(self.height, 4),
            "line": self.line,
            "block": self.block,
            "blocks": self.blocks,
            "filament_mm": round(self.filament_mm, 3),
            "deposit_mm": round(self.length_mm, 3),
            "box_mm": [round(value, 3) for value in self.box],
            "seconds": round(self.seconds, 2),
        }


class Layers:
    """The table in the making. What rows of motions lay down, the footprint gets from here."""

    def __init__(self, footprint: Footprint) -> None:
        self._footprint = footprint
        self.rows: list[Layer] = []
        self._number = 0

    def begins(self, number: int) -> bool:
        """Is this deposit's layer another one than that of the last?"""
        return number != self._number and (len(self.rows) < LAYERS_MOST or not self.rows)

    def begin(self, number: int, z: float, height: float, line: int, block: int, x: float, y: float) -> Layer:
        """A layer begins with a deposit that ends here."""
        self._number = number
        if self.rows:
            self.rows[-1].blocks = block - self.rows[-1].block
        self.rows.append(Layer(z, height, line, block, (x, y, x, y)))
        return self.rows[-1]

    def deposit(self, modal: Modal) -> None:
        """One deposit of the layer in work."""
        layer = self.rows[-1]
        layer.filament_mm += modal.net
        layer.deposit_s += modal.seconds
        layer.length_mm += modal.seconds * modal.feed / 60.0
        if modal.arc_box is not None:
            layer.box = _around(layer.box, modal.arc_box)
        else:
            x0, x1 = (modal.x0, modal.x) if modal.x0 < modal.x else (modal.x, modal.x0)
            y0, y1 = (modal.y0, modal.y) if modal.y0 < modal.y else (modal.y, modal.y0)
            box = layer.box
            if x0 < box[0] or y0 < box[1] or x1 > box[2] or y1 > box[3]:
                layer.box = _around(box, (x0, y0, x1, y1))

    def moves(self, moves: Moves, block: int) -> list[tuple[int, Layer]]:
        """Many motions, behind so many blocks of the file. The layers that begin in them, each with its first motion's index."""
        begun: list[tuple[int, Layer]] = []
        done = 0
        for at, number, z, height, line, behind in moves.layers:
            if self.begins(number):
                self._add(moves, done, at)
                done = at
                layer = self.begin(number, z, height, line, block + behind, moves.xs[at + 1], moves.ys[at + 1])
                begun.append((at, layer))
        self._add(moves, done, len(moves.lengths))
        return begun

    def _add(self, moves: Moves, begin: int, end: int) -> None:
        """These motions are of the layer in work."""
        laid = straight = moves.laid[begin:end]
        boxes = []
        if moves.curves:
            straight = laid.copy()
            first, last = bisect_left(moves.curve_at, begin), bisect_left(moves.curve_at, end)
            for at, curve in zip(moves.curve_at[first:last], moves.curves[first:last], strict=True):
                straight[at - begin] = 0.0
                if laid[at - begin]:
                    boxes.append(curve.box)
            self._footprint.add_areas(boxes)
        box = self._footprint.add_row(moves.xs[begin : end + 1], moves.ys[begin : end + 1], straight)
        if box is not None:
            boxes.append(box)
        if boxes:
            layer = self.rows[-1]
            seconds, lengths = moves.seconds[begin:end], moves.lengths[begin:end]
            if 0.0 in laid:
                seconds, lengths = list(compress(seconds, laid)), list(compress(lengths, laid))
            layer.filament_mm += sum(laid)
            layer.deposit_s += sum(seconds)
            layer.length_mm += sum(lengths)
            layer.box = _around(layer.box, boxes[0] if len(boxes) == 1 else around(boxes))

    def end(self, blocks: int) -> None:
        """The file had so many blocks."""
        if self.rows:
            self.rows[-1].blocks = blocks + 1 - self.rows[-1].block


def _around(one: Box, other: Box) -> Box:
    if other[0] <= one[0] and other[1] <= one[1] and other[2] >= one[2] and other[3] >= one[3]:  # mostly
        return other
    return min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])
