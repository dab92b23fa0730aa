"""A line of a file or a block → what stands in it (NIST RS274/NGC, NISTIR 6556 v3, §3.3, and the printing convention).

Printing differs from NIST in a few places, each marked here: `;` opens a comment, line numbers may pass 99999, a word
may stand without a number (`G28 X`), and the text after M117, M118 and some others is a message or a name: no words, and of
the first two parentheses belong to it. A parenthesis that is not closed, an error in NIST, opens a comment up to the line's end.
"""

from __future__ import annotations

import re

Word = tuple[str, float | None]

# From left to right: a semicolon inside parentheses is part of that comment, and a parenthesis behind a semicolon of that.
_COMMENT = re.compile(rb"\([^)]*\)?|;.*", re.DOTALL)
_NUMBER = re.compile(rb"[Nn]\s*\d+\s*")
_RENUMBER = re.compile(rb"[Mm]\s*110(?!\d)")
# A letter and, where it has one, its number. NIST numbers have no exponent: X1E5 is X1 and E5.
_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+)|)")
_MESSAGE = re.compile(rb"(?:\s*[Nn]\s*\d+)?\s*[Mm]\s*11[78](?!\d)")
_TEXT = re.compile(rb"(?:\s*[Nn]\s*\d+)?\s*[Mm]\s*0*(0|1|16|23|28|30|32|33|117|118|486|928)(?![\d.])")
"""Commands whose rest is text: words for the display or the host, a name of a file, of a printer, of an object (M486 A).
Common practice, no source."""

_MODES = {"G": frozenset((17.0, 18.0, 19.0, 20.0, 21.0, 90.0, 91.0)), "M": frozenset((82.0, 83.0))}
"""Commands that only say how others are meant; NIST table 8 puts them before the motion of the same block."""


def block_of(line: bytes) -> bytes:
    """The block in a line of a file as it stands, byte for byte; b"" where there is none.

    Left off, because they are not part of a command: comments in both styles, blank ends, `%`, a line number, a
    checksum, and M110, which would set the line number that we count ourselves.
    """
    bracketed = b"(" in line and not _MESSAGE.match(line)
    block = (_COMMENT.sub(b"", line) if bracketed else line.split(b";", 1)[0]).strip()
    if not block:
        return block
    numbered = None
    if block[:1] in (b"N", b"n"):
        numbered = _NUMBER.match(block)
        if numbered:
            block = block[numbered.end() :]
    if b"*" in block:
        body, _, checksum = block.rpartition(b"*")
        # Number and checksum come both or neither; a lone one is left off as well, unless it may be part of a message.
        if checksum.strip().isdigit() and (numbered or not _MESSAGE.match(block)):
            block = body.rstrip()
    if block == b"%" or _RENUMBER.match(block):
        return b""
    return block


def words_of(block: bytes) -> list[Word]:
    """The words of a block in their order, upper case: `g0x +0. 12y 7` → [("G", 0.0), ("X", 0.12), ("Y", 7.0)].

    Blanks and tabs mean nothing outside comments (§3.3). The text of a message (M117 and the like) is left off.
    """
    return scan(block)[0]


def scan(block: bytes) -> tuple[list[Word], bool]:
    """The words of a block, as `words_of`, and whether there is nothing else in it."""
    if (message := _TEXT.match(block)) is not None:
        return [("M", float(message[1]))], True
    text = block.upper().decode("latin-1").replace(" ", "").replace("\t", "")
    found = _WORD.findall(text)
    taken = len(found) + sum(map(len, [number for _, number in found]))
    return [(letter, float(number) if number else None) for letter, number in found], taken == len(text)


def is_mode(word: Word) -> bool:
    """Whether the word only says how others are meant: plane, unit, distance mode, mode of E."""
    return word[1] in _MODES.get(word[0], ())


def head_of(words: list[Word]) -> str:
    """The command of a block as `G1`, `M104`, `T0`; "" where there is none.

    Of several, the first that is no mere mode: `G91 G1 X5` and `G1 X5 G91` are a G1. G and M come before T.
    """
    commands = [word for word in words if word[0] in "GM" and word[1] is not None]
    for word in commands:
        if len(commands) == 1 or not is_mode(word):
            return _named(word)
    if commands:
        return _named(commands[0])
    for letter, number in words:
        if letter == "T":
            return "T" if number is None else f"T{int(number)}"
    return ""


def _named(word: Word) -> str:
    letter, number = word
    assert number is not None
    whole = int(number)
    return f"{letter}{whole}" if whole == number else f"{letter}{number:g}"
