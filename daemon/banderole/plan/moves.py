"""Motions in a row, by column: what a survey makes of thousands of blocks at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import repeat
from typing import NamedTuple

from .curves import Curve

NewLayer = tuple[int, int, float, float, int, int]
"""A layer that begins in a row of motions: with which of them, its number, z, height, line, which block from the first (1).
A plain tuple: one is made at every layer."""


class Run(NamedTuple):
    """Deposits of one shape, by column. `zs` and `rises` are empty on the level, `feeds` where no line names one."""

    xs: list[float]
    ys: list[float]
    zs: list[float]  # beginning with where the first begins: one more than there are deposits
    rises: list[float]
    lengths: list[float]
    laid: list[float]
    feeds: list[float]  # mm/min

    def cut(self, count: int) -> None:
        """Leave only the first so many."""
        for column in (self.xs, self.ys, self.rises, self.lengths, self.laid, self.feeds):
            del column[count:]


@dataclass(slots=True)
class Moves:
    """Motions in a row. Lengths mm, speeds mm/s, times s.

    `xs` and `ys` begin with where the first motion begins: one more than there are motions. A motion of filament alone has
    the length of that filament; what neither moves nor feeds is left out. Of what few motions do, only those are listed,
    each by its index. Lists of numbers, not of pairs: the collector of garbage walks through all that is young at each few
    hundred pairs.
    """

    xs: list[float]
    ys: list[float]
    lengths: list[float] = field(default_factory=list)
    speeds: list[float] = field(default_factory=list)
    laid: list[float] = field(default_factory=list)  # filament laid down; 0.0 where it is no deposit
    seconds: list[float] = field(default_factory=list)  # the least each takes
    rise_at: list[int] = field(default_factory=list)
    rises: list[float] = field(default_factory=list)  # in Z, of those of `rise_at`
    fed_at: list[int] = field(default_factory=list)
    fed: list[float] = field(default_factory=list)  # filament, of those of `fed_at`, where it is not what is laid down
    alone: list[int] = field(default_factory=list)  # filament alone
    curve_at: list[int] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)  # arcs, those of `curve_at`
    layers: list[NewLayer] = field(default_factory=list)
    blocks: int = 0
    last_deposit: int = 0  # line; 0 where there is none
    gap: list[tuple[int, float]] = field(default_factory=list)  # blocks behind the last deposit: line, s at least
    back: int = 0  # the last line of the gap behind which filament is back; 0 where there is none

    def add_run(self, run: Run, speed: float) -> None:
        """These deposits; `speed` is that of those that name no feedrate."""
        self.rise_at += range(len(self.lengths), len(self.lengths) + len(run.rises))
        self.rises += run.rises
        self.speeds += [feed / 60.0 for feed in run.feeds] if run.feeds else repeat(speed, len(run.xs))
        self.xs += run.xs
        self.ys += run.ys
        self.laid += run.laid
        self.lengths += run.lengths

    def begin_layer(self, number: int, z: float, height: float, ahead: int, line: int, blocks: int) -> None:
        """A layer begins, so many motions on; `line` and `blocks` (how many of the row are done) are without those."""
        self.layers.append((len(self.lengths) + ahead, number, z, height, line + ahead, blocks + ahead + 1))
