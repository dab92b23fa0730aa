"""Probes into a silence: what is asked of a printer that owes answers and says nothing, how often, in how many bytes. Pure.

A temperature request where one fits and none is out; else a line end, for a line whose own was lost; else a reminder that
is refused whatever the printer has, and so draws from it which line it wants. The window knows what is out and writes it;
here it is counted.
"""

from __future__ import annotations

from typing import Final

SAME_MOMENT_S: Final = 1e-6
"""A second later is a second later, whatever the binary fractions of two clock times add up to."""
PROBE_S: Final = 1.0
"""Silence after which a probe asks what has become of the lines that are out (fault S3). Firmware that is at work says
`busy` each second or two."""
DAMAGED_S: Final = 0.05
"""After a short reply that is not understood, perhaps a damaged `ok`, the probe goes out this soon."""
LINE_ENDS: Final = 2
"""Bare line ends that are tried first where a request is out already: they end a line whose own end was lost."""
MOST_PROBES: Final = 10
"""Probes into one silence, a second apart; after them, or where no more fit, one each SELDOM_S."""
SELDOM_S: Final = 30.0
"""To a printer that talks: it may be at work, and what its buffer cannot hold of so few bytes is a probe, which does no harm."""
DEAD_S: Final = 5.0
"""After nothing was heard for so long the line may have been dead: what was asked into that is lost, and asked again."""
LINE_END: Final = b"\n"
REMINDER: Final = b"N0*126\n"
"""A line without a block whose number is never the next one: refused, it makes the printer say which line it wants. Short,
so that it fits whatever is out; from the fresh printer too it gets nothing but a refusal."""


class Probes:
    """Of one line. All times are the window's, monotonic seconds."""

    def __init__(self) -> None:
        self.progress_at = 0.0  # the last sign that the printer works off what is out
        self.wanted = False  # ask at once
        self.bytes = 0  # of probes that are no lines of their own, in the receive buffer until it is read
        self._count = 0  # into this silence
        self._guessed = False  # what was silent has been given up once, and no word has come since
        self._at = self._heard_at = 0.0

    # ---- what is heard

    def heard(self, now: float) -> None:
        """Anything."""
        if now > self._heard_at + DEAD_S:
            self._count, self.bytes = min(self._count, LINE_ENDS + 1), 0
        self._heard_at = now

    def answered(self, now: float) -> None:
        """An `ok`."""
        self.progress_at, self._count, self.bytes, self._guessed = now, 0, 0, False

    def busy(self, now: float) -> None:
        self.progress_at, self._count, self._guessed = now, 0, False

    def refused(self, now: float) -> None:
        """What answers has read what it was asked with."""
        self.progress_at, self.bytes = now, 0

    def damaged(self, now: float) -> None:
        """Something that may have been an answer: ask soon."""
        self.progress_at = min(self.progress_at, now + DAMAGED_S - PROBE_S)

    # ---- what is asked

    def due(self, now: float) -> bool:
        return now + SAME_MOMENT_S >= self.progress_at + PROBE_S

    @property
    def drew_a_word(self) -> bool:
        """Has a reminder gone out into this silence?"""
        return self._count > LINE_ENDS

    @property
    def asked_in_vain(self) -> bool:
        """May what is silent be given up? Once: a second guess upon the first would take a dead line for lost answers."""
        return self._count >= LINE_ENDS and not self._guessed

    def begin_anew(self) -> None:
        """What was silent is given up."""
        self._count, self._guessed = 0, True

    def request(self, now: float) -> bytes:
        """What goes before a request for temperatures."""
        self.bytes += len(LINE_END)
        self._at = now
        return LINE_END

    def next(self, room: int, overfull: bool, odd: bool, now: float) -> bytes:
        """What to ask with where no request can be made, b"" for nothing.

        `room`: bytes that the receive buffer holds beyond what is out, the probes so far, and one reminder. `overfull`:
        more is out than it holds, so the account is wrong already, and must be set right. `odd`: the printer has asked for a
        line that cannot be, so it listens, and needs no line end.
        """
        self._count += 1
        soon = self._count <= MOST_PROBES and (room >= 0 or overfull)
        seldom = now >= self._at + SELDOM_S and self._heard_at > self._at
        if self._count <= LINE_ENDS and room > 0 and not (odd or self._guessed):
            asked = LINE_END
        elif soon or seldom:
            self._count = max(self._count, LINE_ENDS + 1)
            asked = REMINDER
        else:
            return b""
        self.bytes += len(asked)
        self._at = now
        return asked
