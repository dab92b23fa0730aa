"""A command's text to its code and words, and what a handler of a command is."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter

Words = dict[str, float | None]
# A command that takes time: yields the clock at which it looks again, and is done when it ends.
Waiting = Iterator[float]
Handler = Callable[["EmulatedPrinter", Words], Waiting | None]

_WORD = re.compile(r"([A-Z])[ \t]*([-+]?(?:\d+\.?\d*|\.\d+))?")
_ASIDE = re.compile(r"\([^)]*\)|;.*")


def read(text: bytes) -> tuple[str, Words]:
    """Code and words of a command: (`"M104"`, `{"S": 210.0}`); code "" if there is none."""
    words = _WORD.findall(_ASIDE.sub("", text.decode("latin-1")).upper())
    if not words or not words[0][1]:
        return "", {}
    letter, number = words[0]
    return f"{letter}{float(number):g}", {name: float(value) if value else None for name, value in words[1:]}
