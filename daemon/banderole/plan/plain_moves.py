"""Plain motions of a piece, thousands in one loop: nearly all of any file, and so what a survey spends its time on.

What comes out is what `Modal.apply` would make of each, held by a test. The loop stops before whatever is not quite plain
(inches, shifted axes, a feedrate of nothing, a command that is no motion) and before a deposit at another height, unless a
plain layer begins with it: those are for `Modal.apply` and the itinerary. It is one long function because a call for each
motion would cost more than the motion.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import compress
from math import hypot
from operator import truediv
from typing import NamedTuple

from banderole_protocol.modal import MODES, MOVED_MM, NET_MM, Modal

from .footprint import Box
from .pieces import DEPOSIT, DEPOSIT_F, Piece

Travel = tuple[int, float, bool]
"""A block that lays nothing down: its line, the least s it takes, and whether filament is back behind it."""


class NewLayer(NamedTuple):
    """A layer that begins in a row of motions: with which of them, which block from the row's first (1); z, height mm."""

    at: int
    number: int
    z: float
    height: float
    line: int
    block: int


@dataclass(slots=True)
class Moves:
    """Motions in a row, by column; all that they lay down is flat. Lengths mm, speeds mm/s, times s.

    `xs` and `ys` begin with where the first motion begins: one more than there are motions. A motion of filament alone has
    the length of that filament; what neither moves nor feeds is left out. Of what few motions do, only those are listed,
    each by its index.
    """

    xs: list[float]
    ys: list[float]
    lengths: list[float] = field(default_factory=list)
    speeds: list[float] = field(default_factory=list)
    laid: list[float] = field(default_factory=list)  # filament laid down; 0.0 where it is no deposit
    seconds: list[float] = field(default_factory=list)  # the least each takes
    rises: list[tuple[int, float]] = field(default_factory=list)  # in Z
    fed: list[tuple[int, float]] = field(default_factory=list)  # filament, where it is not what is laid down
    alone: list[int] = field(default_factory=list)  # filament alone
    landings: list[int] = field(default_factory=list)  # the first deposits behind a travel
    layers: list[NewLayer] = field(default_factory=list)
    blocks: int = 0
    last_deposit: int = 0  # line; 0 where there is none
    gap: list[Travel] = field(default_factory=list)  # behind the last deposit

    def box(self, begin: int, end: int) -> Box | None:
        """Around what these motions lay down, mm; None where that is nothing."""
        laid = self.laid[begin:end]
        xs = list(compress(self.xs[begin + 1 : end + 1], laid))
        ys = list(compress(self.ys[begin + 1 : end + 1], laid))
        if not xs:
            return None
        starts = self.landings[bisect_left(self.landings, begin) : bisect_left(self.landings, end)]
        if laid[0]:
            starts.append(begin)
        xs += [self.xs[at] for at in starts]
        ys += [self.ys[at] for at in starts]
        return min(xs), min(ys), max(xs), max(ys)


def moves_of(
    piece: Piece, modal: Modal, layer_z: float | None, begin_layer: Callable[[float], tuple[int, float] | None]
) -> Moves | None:
    """Take plain motions from `piece`, as many as there are, and bring `modal` behind them; None where there are none.

    `layer_z` is the height of the layer in work, None where there is no such thing. `begin_layer` is asked before a flat
    deposit at another one: the number and the height of the layer that begins, or None where the row ends before it.
    """
    if modal.scale != 1.0 or modal.off_x or modal.off_y or modal.off_z or modal.feed <= 0.0 or piece.stands_alone:
        return None
    x, y, z, e, off_e, debt, feed = modal.x, modal.y, modal.z, modal.e, modal.off_e, modal.debt, modal.feed
    relative, e_relative, e_doubtful = modal.relative, modal.e_relative, modal.e_doubtful
    moves = Moves([x], [y])
    lengths, landings, speed = moves.lengths, moves.landings, feed / 60.0
    add_x, add_y, add_length = moves.xs.append, moves.ys.append, lengths.append
    add_speed, add_laid = moves.speeds.append, moves.laid.append
    blocks, all_places, numbers, at = piece.blocks, piece.places, piece.numbers, piece.number_at
    begin, empty, deposit = piece.at, 0, -1
    gap: list[tuple[int, float, float, float]] = []  # since the last deposit: index, length, speed, filament back
    plain = not (relative or e_doubtful)
    flat = plain and not debt and z == layer_z
    for index in range(begin, len(blocks)):
        places = all_places[index]
        if flat and (places is DEPOSIT or places is DEPOSIT_F):  # by far the most: as below, without what cannot be
            x1, y1 = numbers[at + 1], numbers[at + 2]
            net = numbers[at + 3] if e_relative else numbers[at + 3] + off_e - e
            length = hypot(x1 - x, y1 - y)
            if net > NET_MM and length > MOVED_MM:
                if places is DEPOSIT_F:
                    if numbers[at + 4] <= 0.0:
                        break
                    feed = numbers[at + 4]
                    speed = feed / 60.0
                    at += 1
                if gap:
                    gap = []
                    landings.append(len(lengths))
                add_x(x1)
                add_y(y1)
                add_length(length)
                add_speed(speed)
                add_laid(net)
                x, y, deposit = x1, y1, index
                e += net
                at += 4
                continue
        if places is None:
            text = blocks[index]
            if not text:
                empty += 1
                continue
            if text not in MODES:
                break
            modal.set_mode(MODES[text])
            relative, e_relative, e_doubtful = modal.relative, modal.e_relative, modal.e_doubtful
            plain = not (relative or e_doubtful)
            flat = plain and not debt and z == layer_z
            gap.append((index, 0.0, speed, debt))
            continue
        to_x, to_y, to_z, to_e, to_f, count = places
        if to_f and numbers[at + to_f] <= 0.0:
            break
        if relative:
            x1 = x + numbers[at + to_x] if to_x else x
            y1 = y + numbers[at + to_y] if to_y else y
            z1 = z + numbers[at + to_z] if to_z else z
        else:
            x1 = numbers[at + to_x] if to_x else x
            y1 = numbers[at + to_y] if to_y else y
            z1 = numbers[at + to_z] if to_z else z
        length = hypot(x1 - x, y1 - y, z1 - z)
        owed, fed, net = debt, 0.0, 0.0
        if to_e:
            if e_doubtful:
                break
            fed = numbers[at + to_e] if e_relative else numbers[at + to_e] + off_e - e
            owed, net = settled(debt, fed)
        lays = net > NET_MM and length > MOVED_MM
        if lays and (z1 != layer_z or z != layer_z):
            if z1 != z or (begun := begin_layer(z)) is None:
                break
            layer_z = z
            block = index - begin - empty + 1
            moves.layers.append(NewLayer(len(lengths), begun[0], z, begun[1], piece.line + index, block))
        if to_f:
            feed = numbers[at + to_f]
            speed = feed / 60.0
        if lays:
            deposit = index
            if gap:
                gap = []
                landings.append(len(lengths))
        else:
            net = 0.0
            if length <= MOVED_MM:
                length = abs(fed)
                if length:
                    moves.alone.append(len(lengths))
            elif z1 != z:
                moves.rises.append((len(lengths), z1 - z))
            gap.append((index, length, speed, owed))
        if length:
            if fed != net:
                moves.fed.append((len(lengths), fed))
            add_x(x1)
            add_y(y1)
            add_length(length)
            add_speed(speed)
            add_laid(net)
        x, y, z, debt = x1, y1, z1, owed
        e += fed
        at += count
        flat = plain and not debt and z == layer_z
    else:
        index = len(blocks)
    if index == begin:
        return None
    piece.at, piece.number_at = index, at
    modal.x, modal.y, modal.z, modal.e, modal.debt, modal.feed = x, y, z, e, debt, feed
    moves.seconds = list(map(truediv, lengths, moves.speeds))
    moves.blocks = index - begin - empty
    if deposit >= 0:
        moves.last_deposit = piece.line + deposit
    held = modal.firmware_back
    moves.gap = [(piece.line + at, length / speed, held or owed > NET_MM) for at, length, speed, owed in gap]
    return moves


def settled(debt: float, fed: float) -> tuple[float, float]:
    """Filament pulled back and what is laid down, mm, after `fed` of it, where so much was back before."""
    if fed < 0.0:
        return debt - fed, 0.0
    paid = min(debt, fed)
    debt -= paid
    return (0.0 if debt < NET_MM else debt), fed - paid
