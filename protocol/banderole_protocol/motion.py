"""The motion clock: which motions the printer has taken and may not have carried out yet, by the times they take.

A printer whose planner is full reads no further line until the motion under way has ended; so a heat-off stands behind
every line that waits for a place in the planner. The clock tells how long that may be, and so when the next motion may be
written: early enough that the planner never runs dry, and not while the lines would stand behind one long motion.

It is a reckoning, not a measurement: `seconds` are lengths over feedrates. It is held to what the printer shows: no planner
holds more than `PLANNER_MOST`, and at each drain it is seen how long the motion really took. It errs to the short side, as
a planner that runs dry leaves a blob on the part. Pure; times are monotonic seconds.
"""

from __future__ import annotations

import re
from collections import deque
from typing import Final

PLANNER_MOST: Final = 32
"""Motions that a board may hold after its `ok`: planners take 8 to 32 (common practice, no source)."""
PLANNER_LEAST: Final = 4
"""Motions that any planner takes at once, the one under way among them: half of the smallest known."""
WAIT_S: Final = 1.25
"""Longest that a line should stand behind motion. Well within the 2 s in which a heat-off is to be carried out; and so
long before a motion ends the next lines go out, hundreds of times what they need to arrive."""
JITTER_S: Final = 0.25
"""By how much a motion may end before its time: round trips, rounded times. Where a long one follows it counts as over."""
SHOWS_S: Final = 0.3
"""Motion that a drain must wait for at least to show how fast it really goes."""
RAN_DRY: Final = 0.25
"""Where the printer was at rest already when it was asked, the reckoning was too long by nobody knows how much: so much of
it is kept, and the next drain finds the printer moving and tells exactly."""
PACE_LEAST: Final = 0.01

_DRAINS = re.compile(rb"\s*(?:[Gg]\s*0*(?:4|28|29|30|32|33|34|425)|[Mm]\s*0*(?:0|1|400|600))(?![0-9])")
_PLAIN = frozenset((b"G0 ", b"G1 "))  # nearly all blocks of a file: no pattern need be tried


def drains(block: bytes) -> bool:
    """Is this answered only when all motion before it has been carried out?"""
    return block[:3] not in _PLAIN and _DRAINS.match(block) is not None


class MotionClock:
    """When motions end that were taken, in their order."""

    def __init__(self) -> None:
        self._ends: deque[float] = deque()
        self._early = 0.0  # by how much they ended before what `_ends` says
        self._taken_at = 0.0
        self._left_then = 0.0
        self.pace = 1.0  # what motions really take, as a share of their `seconds`; more than 1 is not reckoned with

    def took(self, seconds: float, now: float) -> None:
        """The printer has taken a motion: it begins when those before it have ended."""
        left = self.left_s(now)
        self._ends.append(now + self._early + left + seconds * self.pace)
        if len(self._ends) > PLANNER_MOST:
            self._early += max(0.0, self._ends.popleft() - self._early - now)
        self._taken_at, self._left_then = now, self.left_s(now)

    def left_s(self, now: float) -> float:
        """Until all that was taken is carried out, s."""
        ends = self._ends
        while ends and ends[0] - self._early <= now:
            ends.popleft()
        return ends[-1] - self._early - now if ends else 0.0

    def motion_from(self, out: int, seconds_out: float, now: float) -> float:
        """From when one more motion may be written, with `out` of together `seconds_out` written and not taken yet."""
        left = self.left_s(now)
        if left + seconds_out * self.pace <= WAIT_S:
            return now
        ends, soon = self._ends, now + self._early + JITTER_S
        over = 0  # perhaps already, and their places taken
        while over < len(ends) and ends[over] <= soon:
            over += 1
        waiting = min(over + out + 1, len(ends) + out + 1 - PLANNER_LEAST)  # motions that must end before all are taken
        if waiting <= 0:
            return now
        if waiting <= len(ends):
            return ends[waiting - 1] - self._early - WAIT_S
        return now + left + seconds_out * self.pace - WAIT_S

    def drain_from(self, seconds_out: float, now: float) -> float:
        """From when a line may be written that waits for all motion."""
        return now + self.left_s(now) + seconds_out * self.pace - WAIT_S

    def drained(self, asked_at: float, now: float, shows: bool) -> None:
        """All has been carried out. `shows`: it was asked for at `asked_at` and answered in no other time than motion takes."""
        if shows and self._left_then >= SHOWS_S:
            really = (now - self._taken_at) / self._left_then
            reckoned = self._left_then - (asked_at - self._taken_at)
            if asked_at > self._taken_at and now - asked_at < RAN_DRY * reckoned:
                really *= RAN_DRY
            self.pace = min(1.0, max(PACE_LEAST, self.pace * really))
        self.rest()

    def rest(self) -> None:
        """Nothing moves."""
        self._ends.clear()
        self._early = self._left_then = 0.0
