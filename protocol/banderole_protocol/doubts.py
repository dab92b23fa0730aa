"""Why a block may mean different things to different machines: what NIST objects to, what firmware takes in two ways.

Nothing here changes what a block does; it is told. § numbers are those of NIST RS274/NGC (NISTIR 6556 v3). What firmware
makes of it is common practice, no source.
"""

from __future__ import annotations

import re
from typing import Final

from .words import Word

_LENGTHS: Final = frozenset("XYZE")
_MOTIONS: Final = ("G0", "G1", "G2", "G3")
_NUMBERED: Final = frozenset("XYZEFIJKR")
"""Letters that mean nothing in a motion without their number."""
_SPLIT: Final = re.compile(rb"[\d.+-][ \t]+[\d.]")
_EXPONENT: Final = re.compile(rb"[\d.][Ee][-+]?\d")

_SPEAKS: Final = re.compile(rb"\s*[Mm]\s*(?:0|1|23|28|30|32|117|118|486)(?!\d)")
"""Commands with a text behind them, in which a blank is a blank."""

_ELSEWHERE: Final = "chooses other coordinates, which are not followed"
NOT_FOLLOWED: Final = {
    **dict.fromkeys(("G52", "G53", "G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"), _ELSEWHERE),
    **dict.fromkeys(("G92.1", "G92.2", "G92.3"), "takes offsets off or back; firmware differs on whether that of E is one"),
    "G7": "changes what X means, which is not followed",
    "G43": "shifts Z by a tool's length, which is not followed",
    "G50": "ends a scaling, which is not followed",
    "G51": "scales what follows, which is not followed",
    "G68": "turns what follows, which is not followed",
    "G81": "is a cycle of motions, which is not followed",
    "G82": "is a cycle of motions, which is not followed",
    "G83": "is a cycle of motions, which is not followed",
    "G90.1": "changes what I and J mean, which is not followed",
    "G93": "changes what F means, which is not followed",
    "G95": "changes what F means, which is not followed",
    "M98": "runs another file, which is not followed",
    "M206": "moves the origin, which is not followed",
    "M290": "moves the nozzle in Z beside the file, which is not followed",
    "M428": "moves the origin, which is not followed",
    "M701": "moves filament, which is not followed",
    "M702": "moves filament, which is not followed",
}  # fmt: skip
"""Commands that change what later ones mean, or move, in a way that is not followed here: told with their line."""


def doubt_of(head: str, words: list[Word], block: bytes, clean: bool) -> str:
    """Why machines may take this block differently, as words for a person; "" where they do not.

    `clean`: there is nothing but words in it.
    """
    letters = "".join([letter for letter, _ in words])
    if b"*" in block:
        return "an asterisk, which some firmware takes for the checksum"
    if not clean:
        return "something in it is neither a letter nor a number"
    if letters.count("G") + letters.count("M") > 1:
        return "more than one command in a line: some firmware carries out the first alone"
    if len(set(letters)) < len(letters):
        return "a letter stands twice in a line"
    if "N" in letters:
        return "a second line number"
    if not head:
        return _headless(letters)
    if head in _MOTIONS:
        return _of_motion(words, letters, block)
    return _of_others(head, letters, block)


def _headless(letters: str) -> str:
    if _LENGTHS.isdisjoint(letters):
        return ""
    return "no command before the axes: some firmware goes on with the last motion, some does nothing"


def _of_motion(words: list[Word], letters: str, block: bytes) -> str:
    for letter, number in words:
        if number is None and letter in _NUMBERED:
            return f"{letter} without a number"
    if _SPLIT.search(block):
        return "a blank inside a number: some firmware ends it there"
    if "E" in letters and _EXPONENT.search(block):
        return "an E right behind a number: some firmware reads 2E3 as 2000"
    if letters[0] != "G":
        return "the command does not stand first: some firmware looks no further"
    return ""


def _of_others(head: str, letters: str, block: bytes) -> str:
    if _SPLIT.search(block) and not _SPEAKS.match(block):
        return "a blank inside a number: some firmware ends it there"
    if head == "G10" and not {"P", "L", "S"}.isdisjoint(letters):
        return "G10 with P, L or S sets offsets or heat on some firmware, and pulls filament back on others"
    if head in ("M220", "M221") and "S" not in letters and not {"B", "R"}.isdisjoint(letters):
        return f"{head} B or R keeps or puts back a factor that is not in the file"
    why = NOT_FOLLOWED.get(head)
    return f"{head} {why}" if why else ""
