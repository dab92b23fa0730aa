"""A piece of a file at once, its lines told apart by their shape: what a survey reads, where a run reads block by block.

The shape of a line is what is left of it without digits, signs and points: that of `G1 X12.5 Y-3 E.04` is `G X Y E`. A
shape says which words stand where, so the numbers of all plain motions of a piece can be read in one go, and nobody takes a
line apart. What has another shape than `SHAPES` knows is left to `block_of` and `Modal.apply`.
"""

from __future__ import annotations

import re
from itertools import compress, product
from typing import Final, NamedTuple

from banderole_protocol.modal import MODES

_NO_SHAPE: Final = b"0123456789+-."
_LETTERS: Final = b"GFXYZE"
_COMMENT: Final = re.compile(rb";[^\n]*")
_STRAIGHT: Final = (b"G0 ", b"G1 ")
MOST_BYTES: Final = 80
"""A longer motion is read block by block, so that one too long for a printer is refused there."""


class Places(NamedTuple):
    """Where the numbers of a motion stand behind that of its G; 0 where it has no such word."""

    x: int
    y: int
    z: int
    e: int
    f: int
    numbers: int  # that of G among them


def _shapes() -> dict[bytes, Places]:
    """All motions `G F X Y Z E F` in that order, each word but G there or not. Of two F the last counts."""
    shapes = {}
    for there in product((False, True), repeat=6):
        letters = list(compress("FXYZEF", there))
        at = {letter: place for place, letter in enumerate(letters, 1)}
        x, y, z, e, f = [at.get(letter, 0) for letter in "XYZEF"]
        shapes[" ".join(["G", *letters]).encode()] = Places(x, y, z, e, f, len(letters) + 1)
    del shapes[b"G"]
    return shapes


SHAPES: Final = _shapes()
DEPOSIT: Final = SHAPES[b"G X Y E"]
DEPOSIT_F: Final = SHAPES[b"G X Y E F"]


class Piece:
    """Whole lines of a file. `at` is the index of the next one to be taken, and `number_at` that of its first number."""

    __slots__ = ("at", "blocks", "line", "number_at", "numbers", "places")

    def __init__(self, line: int, blocks: list[bytes], places: list[Places | None], numbers: list[float]) -> None:
        self.line = line  # number in the file of the first line
        self.blocks = blocks  # of every line; b"" where it has none
        self.places = places  # of every line; None where it is no plain motion by its shape
        self.numbers = numbers  # of all plain motions in a row
        self.at = self.number_at = 0

    @property
    def left(self) -> int:
        """How many lines are not taken yet."""
        return len(self.blocks) - self.at

    @property
    def stands_alone(self) -> bool:
        """Is the next line a block that begins no row: no motion, or a rising deposit, of which a spiral has nothing else?"""
        block, places = self.blocks[self.at], self.places[self.at]
        if places is not None:
            return places.z > 0 and places.e > 0
        return block != b"" and block not in MODES

    def take(self) -> tuple[int, bytes]:
        """The next line's number in the file, and its block."""
        at = self.at
        places = self.places[at]
        if places is not None:
            self.number_at += places.numbers
        self.at += 1
        return self.line + at, self.blocks[at]


def shaped(text: bytes) -> tuple[list[bytes], list[Places | None], list[float]]:
    """The lines of `text` (ends are line feeds) without `;` comments, their places, and the numbers of those that have some."""
    if b";" in text:
        text = _COMMENT.sub(b"", text.replace(b" ;", b";"))
    lines = text.splitlines()
    places = list(map(SHAPES.get, text.translate(None, _NO_SHAPE).splitlines()))
    motions = list(compress(lines, places))
    together = b"\n".join(motions)
    if together.count(b"G1 ") + together.count(b"G0 ") != len(motions):  # `G92 E0` and the like
        places = [at if line[:3] in _STRAIGHT else None for at, line in zip(places, lines, strict=True)]
        motions = list(compress(lines, places))
        together = b"\n".join(motions)
    if not motions:
        return lines, places, []
    try:
        numbers = list(map(float, together.translate(None, _LETTERS).split()))
    except ValueError:
        numbers = []
    # A letter has one number behind it or none, for a shape has single blanks: so if there are enough, each has its own.
    if len(numbers) != together.count(b" ") + len(motions) or max(map(len, motions)) > MOST_BYTES:
        return lines, [None] * len(lines), []
    return lines, places, numbers
