"""Rows of plain deposits, `G1 X… Y… E…`, many at a time: nearly all of a large file, and so what a survey spends its time on.

What comes out is what `Modal.apply` would make of each, held by a test. Whatever is not quite plain (another unit, relative
axes, filament pulled back, a travel, a comment) is left to it.
"""

from __future__ import annotations

import re
from math import hypot
from operator import sub, truediv
from typing import Final, NamedTuple

from banderole_protocol.modal import MOVED_MM, Modal

RUN_LINES: Final = 4
"""Shorter rows gain nothing by being taken together."""
LEAST_MM: Final = 1e-5
"""Filament or way of a block that is beyond doubt a deposit: ten times what `Modal` draws the line at, so that the rounding
of a sum cannot decide it otherwise here than there."""

_N = rb"-?\d{1,6}(?:\.\d{0,8})?"  # so no line is longer than a printer takes
RUN = re.compile(
    rb"(?m)^(?:G1(?: F\d{1,6})? X" + _N + rb" Y" + _N + rb" E" + _N + rb"(?: F\d{1,6})?\r?\n){%d,}" % RUN_LINES
)
_ROW = re.compile(rb"G1(?: F(\d+))? X(\S+) Y(\S+) E(\S+)(?: F(\d+))?")


class PlainRun(NamedTuple):
    """So many lines as they stand in the file, with their ends; `line` is the number of the first."""

    line: int
    text: bytes
    lines: int

    def blocks(self) -> list[tuple[int, bytes]]:
        """(line, block) of each."""
        return list(enumerate(self.text.splitlines(), self.line))

    def parted(self) -> tuple[tuple[int, bytes], PlainRun]:
        """The first (line, block), and the others."""
        first, _, others = self.text.partition(b"\n")
        return (self.line, first.rstrip(b"\r")), PlainRun(self.line + 1, others, self.lines - 1)


class Deposits(NamedTuple):
    """Deposits in a row at one height: where each begins and ends (one place more than deposits), mm; filament mm; mm/s."""

    line: int
    lines: int
    xs: list[float]
    ys: list[float]
    dx: list[float]
    dy: list[float]
    lengths: list[float]
    fed: list[float]
    feeds: list[float]
    e: float
    laid: float
    seconds: float

    def put(self, modal: Modal) -> None:
        """Bring the modal state to behind the last of them."""
        modal.x0, modal.y0, modal.z0 = self.xs[-2], self.ys[-2], modal.z
        modal.x, modal.y, modal.e = self.xs[-1], self.ys[-1], self.e
        modal.fed = modal.net = self.fed[-1]
        modal.feed = self.feeds[-1] * 60.0
        modal.seconds = self.lengths[-1] / self.feeds[-1]
        modal.head, modal.arc_box = "G1", None


def deposits_of(run: PlainRun, modal: Modal) -> Deposits | None:
    """The run as deposits from where `modal` is; None where one of them may be anything else. `modal` stays as it is."""
    apart = modal.e_seen_joined != modal.e_seen_apart and not modal.e_split
    if modal.relative or modal.scale != 1.0 or modal.debt or modal.firmware_back or apart:
        return None
    xs, ys, es, feeds = _numbers(run, modal.feed / 60.0)
    xs.insert(0, modal.x)
    ys.insert(0, modal.y)
    if modal.off_x:
        xs[1:] = [value + modal.off_x for value in xs[1:]]
    if modal.off_y:
        ys[1:] = [value + modal.off_y for value in ys[1:]]
    if modal.e_relative:
        fed, end = es, modal.e + sum(es)
    else:
        fed = list(map(sub, es[1:], es))
        fed.insert(0, es[0] + modal.off_e - modal.e)
        end = es[-1] + modal.off_e
    dx, dy = list(map(sub, xs[1:], xs)), list(map(sub, ys[1:], ys))
    lengths = list(map(hypot, dx, dy))
    if min(fed) < LEAST_MM or min(lengths) < max(LEAST_MM, MOVED_MM) or min(feeds) <= 0.0:
        return None
    seconds = sum(map(truediv, lengths, feeds))
    return Deposits(run.line, run.lines, xs, ys, dx, dy, lengths, fed, feeds, end, sum(fed), seconds)


def _numbers(run: PlainRun, feed: float) -> tuple[list[float], list[float], list[float], list[float]]:
    """X, Y, E and feed (mm/s) of each; `feed` is that before the first. Of two F in a block the last counts."""
    if b"F" not in run.text:
        numbers = list(map(float, run.text.translate(None, b"GXYE").split()))
        return numbers[1::4], numbers[2::4], numbers[3::4], [feed] * run.lines
    first, x, y, e, last = zip(*_ROW.findall(run.text), strict=True)
    feeds = []
    for before, behind in zip(first, last, strict=True):
        if named := behind or before:
            feed = float(named) / 60.0
        feeds.append(feed)
    return list(map(float, x)), list(map(float, y)), list(map(float, e)), feeds
