"""A line of a file or a block → what stands in it (NIST RS274/NGC, NISTIR 6556 v3, §3.3, and the printing convention).

Printing differs from NIST in a few places, each marked here: `;` opens a comment, line numbers may pass 99999, a word may
stand without a number (`G28 X`), and the text after M117 is a message and no words.
"""

from __future__ import annotations

import re

Word = tuple[str, float | None]

_PARENTHESIS = re.compile(rb"\([^)]*\)")
_NUMBER = re.compile(rb"[Nn]\s*\d+\s*")
_SUM = re.compile(rb"\s*\*\d+\s*$")
_RENUMBER = re.compile(rb"[Mm]\s*110(?!\d)")
# A letter and, where it has one, its number. NIST numbers have no exponent: X1E5 is X1 and E5.
_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))?")
_MESSAGE = re.compile(rb"\s*[Mm]\s*117(?!\d)")


def block_of(line: bytes) -> bytes:
    """The block in a line of a file as it stands, byte for byte; b"" where there is none.

    Left off, because they are not part of a command: comments in both styles, blank ends, `%`, a line number, a checksum,
    and M110, which would set the line number that we count ourselves.
    """
    block = line.split(b";", 1)[0].strip() if b";" in line else line.strip()
    if not block:
        return block
    if b"(" in block:
        block = _PARENTHESIS.sub(b"", block).strip()
    if block[:1] in (b"N", b"n"):
        numbered = _NUMBER.match(block)
        if numbered:
            block = block[numbered.end() :]
    if b"*" in block:
        block = _SUM.sub(b"", block)
    if block == b"%" or _RENUMBER.match(block):
        return b""
    return block


def words_of(block: bytes) -> list[Word]:
    """The words of a block in their order, upper case: `g0x +0. 12y 7` → [("G", 0.0), ("X", 0.12), ("Y", 7.0)].

    Blanks and tabs mean nothing outside comments (§3.3). The text of a message (M117) is left off.
    """
    if _MESSAGE.match(block):
        return [("M", 117.0)]
    text = block.decode("latin-1").upper().replace(" ", "").replace("\t", "")
    return [(letter, float(number) if number else None) for letter, number in _WORD.findall(text)]


def head_of(words: list[Word]) -> str:
    """The command word of a block as `G1`, `M104`, `T0`; "" where there is none. G and M before T, the first of them counts."""
    for letter, number in words:
        if letter in "GM" and number is not None:
            whole = int(number)
            return f"{letter}{whole}" if whole == number else f"{letter}{number:g}"
    for letter, number in words:
        if letter == "T":
            return "T" if number is None else f"T{int(number)}"
    return ""
