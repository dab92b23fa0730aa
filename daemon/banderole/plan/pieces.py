"""A piece of a file at once, its lines told apart by their shape: what a survey reads, where a run reads block by block.

The shape of a line is what is left of it without digits, signs and points: that of `G1 X12.5 Y-3 E.04` is `G X Y E`. A
shape says which words stand where, so the numbers of all plain motions of a piece can be read in one go, and nobody takes a
line apart. What has another shape than `SHAPES` knows is left to `block_of` and `Modal.apply`.
"""

from __future__ import annotations

import re
from itertools import compress, product, repeat
from operator import mul
from typing import Final, NamedTuple

from banderole_protocol.modal import MODES

_NO_SHAPE: Final = b"0123456789+-."
_LETTERS: Final = bytes.maketrans(b"FYZEIJ", b"XXXXXX")
_COMMENT: Final = re.compile(rb";[^\n]*")
_STRAIGHT: Final = (b"G0 ", b"G1 ")
_CURVED: Final = (b"G2 ", b"G3 ")
MOST_BYTES: Final = 80
"""A longer motion is read block by block, so that one too long for a printer is refused there."""


class Places(NamedTuple):
    """Which of a motion's numbers is which, from 1, not counting that of its G; 0 where it has no such word."""

    x: int
    y: int
    z: int
    e: int
    f: int
    numbers: int


def _shapes() -> dict[bytes, Places]:
    """All motions `G F X Y Z F E F` in that order, each word but G there or not. Of several F the last counts."""
    shapes = {}
    for there in product((False, True), repeat=7):
        letters = list(compress("FXYZFEF", there))
        at = {letter: place for place, letter in enumerate(letters, 1)}
        x, y, z, e, f = [at.get(letter, 0) for letter in "XYZEF"]
        shapes[" ".join(["G", *letters]).encode()] = Places(x, y, z, e, f, len(letters))
    del shapes[b"G"]
    return shapes


def _curves() -> dict[bytes, tuple[Places, tuple[int, int]]]:
    """All arcs `G F X Y Z I J E F` in that order, X, Y and a centre there; and which numbers are I and J."""
    shapes = {}
    for feed, height, i, j, e, last in product((False, True), repeat=6):
        letters = list(compress("FXYZIJEF", (feed, True, True, height, i, j, e, last)))
        at = {letter: place for place, letter in enumerate(letters, 1)}
        if i or j:
            places = Places(at["X"], at["Y"], at.get("Z", 0), at.get("E", 0), at.get("F", 0), len(letters))
            shapes[" ".join(["G", *letters]).encode()] = places, (at.get("I", 0), at.get("J", 0))
    return shapes


_ALL: Final = _shapes()
_ARCS: Final = _curves()
PLACES: Final = (Places(0, 0, 0, 0, 0, 0), *_ALL.values(), *[places for places, _ in _ARCS.values()])
"""By code. The code of a line is one byte: 0 where it is no plain motion by its shape."""
SHAPES: Final = {shape: code for code, shape in enumerate((*_ALL, *_ARCS), 1)}
ARC: Final = len(_ALL) + 1
"""From this code on a motion is an arc."""
CENTRES: Final = {code: centre for code, (_, centre) in enumerate(_ARCS.values(), ARC)}
"""Of an arc, by code: which of its numbers are I and J."""
_BENT: Final = re.compile(b"[\\x%02x-\\xff]" % ARC).finditer
TRAVEL: Final = SHAPES[b"G X Y"]
TRAVEL_F: Final = SHAPES[b"G X Y F"]
DEPOSIT: Final = SHAPES[b"G X Y E"]
DEPOSIT_F: Final = SHAPES[b"G X Y E F"]
RISE: Final = SHAPES[b"G X Y Z E"]
RISE_F: Final = SHAPES[b"G X Y Z E F"]
CURVE: Final = SHAPES[b"G X Y I J E"]
_FILAMENT: Final = SHAPES[b"G E"]
OTHERS: Final = re.compile(b"\0").finditer
"""Finds the lines of a piece that are no plain motions by their shape."""


class Piece:
    """Whole lines of a file. `at` is the index of the next one to be taken, and `number_at` that before its first number."""

    __slots__ = ("at", "blocks", "codes", "line", "number_at", "numbers")

    def __init__(self, line: int, blocks: list[bytes], codes: bytes, numbers: list[float]) -> None:
        self.line = line  # number in the file of the first line
        self.blocks = blocks  # of every line; b"" where it has none
        self.codes = codes  # of every line
        self.numbers = numbers  # of all plain motions in a row, but those of their G; from 1
        self.at = self.number_at = 0

    @property
    def left(self) -> int:
        """How many lines are not taken yet."""
        return len(self.blocks) - self.at

    @property
    def stands_alone(self) -> bool:
        """Is the next line a command that begins no row of motions?"""
        block = self.blocks[self.at]
        return not self.codes[self.at] and block != b"" and block not in MODES

    def take(self) -> tuple[int, bytes]:
        """The next line's number in the file, and its block."""
        at = self.at
        self.number_at += PLACES[self.codes[at]].numbers
        self.at += 1
        return self.line + at, self.blocks[at]


def shaped(text: bytes) -> tuple[list[bytes], bytes, list[float]]:
    """The lines of `text` (ends are line feeds) without `;` comments, their codes, and the plain motions' numbers, from 1."""
    if b";" in text:
        text = _COMMENT.sub(b"", text)
    if b" \n" in text:
        text = text.replace(b" \n", b"\n")  # one is usual before a comment
    if b" \n" in text:
        text = b"\n".join([line.rstrip(b" ") for line in text.split(b"\n")])
    lines = text.splitlines()
    codes = bytearray(map(SHAPES.get, text.translate(None, _NO_SHAPE).splitlines(), repeat(0)))
    at = codes.find(_FILAMENT)
    while at >= 0:  # the shape of `G92 E0`, too, which some files have at every layer
        if lines[at][:3] not in _STRAIGHT:
            codes[at] = 0
        at = codes.find(_FILAMENT, at + 1)
    arcs = 0
    for at in [found.start() for found in _BENT(codes)]:
        if lines[at][:3] in _CURVED:
            arcs += 1
        else:
            codes[at] = 0
    words = _words(list(compress(lines, codes)), arcs)
    if words is None:  # other commands of such a shape
        plain = [code >= ARC or line[:3] in _STRAIGHT for code, line in zip(codes, lines, strict=True)]
        codes = bytearray(map(mul, codes, plain))
        words = _words(list(compress(lines, codes)), arcs)
    try:
        # Every word is a blank, a letter, and what must be a number as it stands: else nothing here is as plain as it looks.
        numbers = words.translate(_LETTERS).split(b" X") if words is not None else [b"?"]
        if numbers[0] in (b"", b"\n"):
            numbers[0] = b"0"
            return lines, bytes(codes), list(map(float, numbers))
    except ValueError:
        pass
    return lines, bytes(len(lines)), [0.0]


def _words(motions: list[bytes], arcs: int) -> bytes | None:
    """The words of these lines behind their `G0` to `G3`, each with a blank before it; None where a line is another.

    So many of them are arcs, for certain.
    """
    if not motions:
        return b""
    if max(map(len, motions)) > MOST_BYTES:
        return None
    together = b"\n" + b"\n".join(motions)
    words = together.replace(b"\nG1 ", b"\n ").replace(b"\nG0 ", b"\n ")
    if len(together) - len(words) != 2 * (len(motions) - arcs):
        return None
    return words.replace(b"\nG2 ", b"\n ").replace(b"\nG3 ", b"\n ") if arcs else words
