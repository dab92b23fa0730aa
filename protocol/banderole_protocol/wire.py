"""Lines that have a number: which are on the wire, which have been taken, and what they amount to.

Here is only the account. What a reply means for it is the window's to say.
"""

from __future__ import annotations

from collections import deque
from typing import Any, Final

from .framing import frame
from .motion import drains

HISTORY_LINES: Final = 64
"""Lines kept after their `ok`: far more than fit a receive buffer, so a credit given by mistake can be taken back."""


class Line:
    """One numbered line: the block, what the caller calls it (`tag`), and the least seconds its motion takes."""

    __slots__ = ("block", "credited", "data", "drains", "number", "seconds", "tag")

    def __init__(self, number: int, block: bytes, tag: Any, seconds: float) -> None:
        self.number = number
        self.block = block
        self.tag = tag
        self.seconds = seconds
        self.data = frame(number, block)
        self.drains = drains(block)
        self.credited = False


def framed_size(number: int, block: bytes) -> int:
    """Bytes that a line will take at most, without framing it: N, the number, a blank, the block, `*`, 3 digits, line end."""
    return len(block) + len(str(number)) + 7


class Wire:
    """`lines`: numbered and not taken, in order. The first `written` are on the wire: `bytes`, `seconds` and `moves` in all."""

    __slots__ = ("_history", "bytes", "lines", "moves", "seconds", "written")

    def __init__(self) -> None:
        self.lines: deque[Line] = deque()
        self.written = 0
        self.bytes = 0
        self.seconds = 0.0
        self.moves = 0  # motions among what is written
        self._history: deque[Line] = deque(maxlen=HISTORY_LINES)

    def wrote(self, line: Line) -> None:
        """The first line that was not on the wire is now."""
        self.written += 1
        self.bytes += len(line.data)
        self.seconds += line.seconds
        self.moves += line.seconds > 0.0

    def _off(self, line: Line) -> None:
        self.bytes -= len(line.data)
        self.seconds -= line.seconds
        self.moves -= line.seconds > 0.0

    def unwrite_from(self, number: int) -> None:
        """Lines from `number` on are to be written again."""
        keep = max(0, number - self.lines[0].number)
        for line in list(self.lines)[keep : self.written]:
            self._off(line)
        self.written = min(self.written, keep)

    def taken_below(self, number: int) -> list[Line]:
        """Lines before `number` have been taken, also those that were about to be written again. Those, in order."""
        taken: list[Line] = []
        lines = self.lines
        while lines and lines[0].number < number:
            line = lines.popleft()
            if self.written:
                self.written -= 1
                self._off(line)
            self._history.append(line)
            taken.append(line)
        if not self.written:
            self.seconds = 0.0  # sums of many small numbers drift
        return taken

    def take_back(self, number: int) -> None:
        """A credit was given by mistake: lines from `number` on are out again."""
        history, lines = self._history, self.lines
        while history and (not lines or number < lines[0].number) and history[-1].number >= number:
            line = history.pop()
            lines.appendleft(line)
            self.wrote(line)

    def holds(self, number: int) -> bool:
        """Is a line of this number on the wire?"""
        return bool(self.written) and self.lines[0].number <= number <= self.lines[self.written - 1].number

    def last_written(self, next_number: int) -> int:
        """The number of the last line on the wire, or, with none out, of the last that was."""
        return self.lines[self.written - 1].number if self.written else next_number - 1 - len(self.lines)

    def oldest_kept(self) -> int | None:
        """The number of the oldest line that could be written again; None where there is none."""
        return self._history[0].number if self._history else self.lines[0].number if self.lines else None

    def credited_below(self, number: int) -> bool:
        """Has each line before `number` been credited?"""
        return all(line.credited for line in self.lines if line.number < number)

    def first_that_drains(self) -> Line | None:
        """The first line on the wire that is answered only when what it waits for has come; None where there is none."""
        return next((line for line in list(self.lines)[: self.written] if line.drains), None)

    def asks_only(self, block: bytes) -> bool:
        """Is nothing out but this block, if anything is?"""
        return all(line.block == block for line in self.lines)

    def asks(self, block: bytes) -> bool:
        """Is this block among what is out?"""
        return any(line.block == block for line in self.lines)
