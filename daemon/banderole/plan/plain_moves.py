"""Plain motions of a piece, thousands in one loop: nearly all of any file, and so what a survey spends its time on.

What comes out is what `Modal.apply` would make of each, held by a test. Commands that change nothing of the motions pass by
in between. The loop stops before whatever is not quite plain (inches, shifted axes, a feedrate of nothing, any other
command) and before a deposit at another height that decides more than that a layer begins: those are for `Modal.apply` and
the itinerary. It is one long function because a call for each motion would cost more than the motion.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from math import hypot, inf
from operator import sub, truediv
from typing import Final, NamedTuple, Protocol

from banderole_protocol.arcs import Arc, Box, Point, arc_of, box_of, flaw_of
from banderole_protocol.modal import MODES, MOVED_MM, NET_MM, Modal

from .pieces import ARC, CENTRES, DEPOSIT, DEPOSIT_F, PLACES, RISE, RISE_F, Piece

_ZEROED: Final = frozenset((b"G92 E0", b"G92 E0.0", b"G92 E0.00", b"G92 E0.000", b"G92 E0.0000", b"G92 E0.00000"))
"""How files call the filament's place nothing, some at every layer: known without taking them apart, as `MODES` are."""

_FLAT: Final = bytes((DEPOSIT, DEPOSIT_F))
_RISING: Final = bytes((RISE, RISE_F))
_ALIKE: Final = {code: re.compile(b"\\x%02x+" % code).match for code in (*_FLAT, *_RISING)}
"""Where a run of lines of the same code ends."""
_FED: Final = bytes((DEPOSIT_F, RISE_F))
_STEPS: Final = {code: PLACES[code].numbers for code in _ALIKE}
RUN_LEAST: Final = 4
"""Deposits from which on columns cost less than taking each alone."""
CLEAR_MM: Final = 2e-6
"""What a run needs of each way, rise and deposit: clear of where it would be none, `MOVED_MM`, `NET_MM` and the like."""

Travel = tuple[int, float, bool]
"""A block that lays nothing down: its line, the least s it takes, and whether filament is back behind it."""


NewLayer = tuple[int, int, float, float, int, int]
"""A layer that begins in a row of motions: with which of them, its number, z, height, line, which block from the first (1)."""
Height = tuple[int, float, float | None]
"""What a deposit at another height begins: a layer by number (0: none) and height, mm; then the height of the flat layer in
work, None on a slope. Both are plain tuples: made at every layer."""


class Curve(NamedTuple):
    """An arc in the XY plane, with any helix, as it is made: from where to where, mm, and what it covers of the bed."""

    clockwise: bool
    start: Point
    end: Point
    arc: Arc
    box: Box


class Course(Protocol):
    """What a row of motions asks of the itinerary."""

    def at_height(self, z0: float, z: float) -> Height | None:
        """A deposit from `z0` to `z`, not both the height of the layer in work; None where the row ends before it."""

    def climb(self, zs: list[float]) -> tuple[int, list[tuple[int, int]]]:
        """The slope in work goes on with deposits from each of these heights to the next, which is higher.

        How many of them come before the row ends; and the layers that begin, by number, each with which of them.
        """

    def passes(self, line: int, block: bytes, ahead: int) -> bool:
        """A command that is no motion, behind so many of the row: does it pass by, and has been told?

        If not, the row ends before it.
        """


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
    curves: list[tuple[int, Curve]] = field(default_factory=list)  # arcs
    layers: list[NewLayer] = field(default_factory=list)
    blocks: int = 0
    last_deposit: int = 0  # line; 0 where there is none
    gap: list[Travel] = field(default_factory=list)  # behind the last deposit

    def begin_layer(self, number: int, z: float, height: float, ahead: int, line: int, blocks: int) -> None:
        """A layer begins, so many motions on; `line` and `blocks` (how many of the row are done) are without those."""
        self.layers.append((len(self.lengths) + ahead, number, z, height, line + ahead, blocks + ahead + 1))


def moves_of(piece: Piece, modal: Modal, layer_z: float | None, course: Course) -> Moves | None:
    """Take plain motions from `piece`, as many as there are, and bring `modal` behind them; None where there are none.

    `layer_z` is the height of the flat layer in work, None where there is no such thing.
    """
    if modal.scale != 1.0 or modal.off_x or modal.off_y or modal.off_z or modal.feed <= 0.0 or piece.stands_alone:
        return None
    x, y, z, e, off_e, debt, feed = modal.x, modal.y, modal.z, modal.e, modal.off_e, modal.debt, modal.feed
    relative, e_relative, e_doubtful = modal.relative, modal.e_relative, modal.e_doubtful
    held = modal.firmware_back
    moves = Moves([x], [y])
    lengths, speed = moves.lengths, feed / 60.0
    add_x, add_y, add_length = moves.xs.append, moves.ys.append, lengths.append
    add_speed, add_laid = moves.speeds.append, moves.laid.append
    blocks, codes, numbers, at = piece.blocks, piece.codes, piece.numbers, piece.number_at
    begin, index, size, empty, deposit = piece.at, piece.at, len(piece.blocks), 0, -1
    gap: list[tuple[int, float, float, bool]] = []  # since the last deposit: index, length, speed, filament back
    singly, skip = 0, 1  # below this index lines are not taken in runs: too few, or one of them is not quite plain
    climb_z = -inf  # where the slope in work has come to
    # Deposits where nothing need be minded but their numbers: on the layer in work, or where a slope goes on.
    plain = not (relative or e_doubtful or debt)
    likely = _FLAT if plain and z == layer_z else b""
    while index < size:
        code = codes[index]
        if code in likely:  # by far the most
            end = index if index < singly else _ALIKE[code](codes, index).end()  # type: ignore[union-attr]
            if end - index >= RUN_LEAST:  # in columns
                count, rises, feeds = end - index, [], []
                step = _STEPS[code]
                stop = at + 1 + step * count
                xs, ys, at_e = numbers[at + 1 : stop : step], numbers[at + 2 : stop : step], at + step
                if code in _FED:
                    feeds, at_e = numbers[at + step : stop : step], at_e - 1
                laid = numbers[at_e:stop:step]
                if not e_relative:
                    laid = list(map(sub, laid, [e - off_e, *laid]))
                if likely is _FLAT:
                    ways = list(map(hypot, map(sub, xs, [x, *xs]), map(sub, ys, [y, *ys])))
                else:
                    zs = [z, *numbers[at + 3 : stop : step]]
                    rises = list(map(sub, zs[1:], zs))
                    ways = list(map(hypot, map(sub, xs, [x, *xs]), map(sub, ys, [y, *ys]), rises))
                if (
                    min(laid) <= CLEAR_MM
                    or min(ways) <= CLEAR_MM
                    or (feeds and min(feeds) <= 0.0)
                    or (rises and min(rises) <= CLEAR_MM)
                ):
                    singly, skip = index + skip, 2 * skip  # a long run is not tried once for each of its lines
                    continue
                if rises:
                    count, turns = course.climb(zs)
                    if not count:
                        break
                    for number, turn in turns:
                        line, behind = piece.line + index, index - begin - empty
                        moves.begin_layer(number, zs[turn + 1], rises[turn], turn, line, behind)
                    z = climb_z = zs[count]
                    moves.rises += enumerate(rises[:count], len(lengths))
                    for column in (xs, ys, ways, laid, feeds):
                        del column[count:]
                gap = []
                if feeds:
                    moves.speeds += [feed / 60.0 for feed in feeds]
                    feed = feeds[-1]
                    speed = feed / 60.0
                else:
                    moves.speeds += [speed] * count
                moves.xs += xs
                moves.ys += ys
                moves.laid += laid
                lengths += ways
                x, y, e = xs[-1], ys[-1], sum(laid, e)
                index += count
                at += step * count
                deposit, skip = index - 1, 1
                if index < end:
                    break
                continue
            singly = max(singly, end)
            if likely is _FLAT:  # as further below, without what cannot be
                x1, y1 = numbers[at + 1], numbers[at + 2]
                net = numbers[at + 3] if e_relative else numbers[at + 3] + off_e - e
                length = hypot(x1 - x, y1 - y)
                if net > NET_MM and length > MOVED_MM:
                    if code == DEPOSIT_F:
                        if numbers[at + 4] <= 0.0:
                            break
                        feed = numbers[at + 4]
                        speed = feed / 60.0
                        at += 1
                    if gap:
                        gap = []
                    add_x(x1)
                    add_y(y1)
                    add_length(length)
                    add_speed(speed)
                    add_laid(net)
                    x, y, deposit = x1, y1, index
                    e += net
                    at += 3
                    index += 1
                    continue
        if not code:
            text = blocks[index]
            if not text:
                empty += 1
                index += 1
                continue
            if text in MODES:
                modal.set_mode(MODES[text])
                relative, e_relative, e_doubtful = modal.relative, modal.e_relative, modal.e_doubtful
                plain = not (relative or e_doubtful or debt)
                likely = (_FLAT if z == layer_z else _RISING if z == climb_z else b"") if plain else b""
            elif text in _ZEROED:
                off_e = e
            elif text == b"G10":
                held = True
            elif text == b"G11":
                held = False
            elif not course.passes(piece.line + index, text, len(lengths)):
                break
            gap.append((index, 0.0, speed, held or debt > NET_MM))
            index += 1
            continue
        to_x, to_y, to_z, to_e, to_f, words = PLACES[code]
        if (to_f and numbers[at + to_f] <= 0.0) or (to_e and e_doubtful):
            break
        fed = net = 0.0
        owed = debt
        curve = None
        if to_e:
            fed = numbers[at + to_e] if e_relative else numbers[at + to_e] + off_e - e
            if fed < 0.0:
                owed -= fed
            elif fed < debt:
                owed -= fed
                if owed < NET_MM:
                    owed = 0.0
            else:
                owed, net = 0.0, fed - debt
        x1, y1, z1 = x, y, z
        if to_x or to_y or to_z:
            if relative:
                x1 += numbers[at + to_x] if to_x else 0.0
                y1 += numbers[at + to_y] if to_y else 0.0
                z1 += numbers[at + to_z] if to_z else 0.0
            else:
                if to_x:
                    x1 = numbers[at + to_x]
                if to_y:
                    y1 = numbers[at + to_y]
                if to_z:
                    z1 = numbers[at + to_z]
            if code < ARC:
                length = hypot(x1 - x, y1 - y, z1 - z)
            else:
                to_i, to_j = CENTRES[code]
                centre = {"I": numbers[at + to_i] if to_i else 0.0, "J": numbers[at + to_j] if to_j else 0.0}
                if modal.plane != "G17" or (curve := _curve(blocks[index], (x, y, z), (x1, y1, z1), centre)) is None:
                    break
                length = curve.arc.length
            lays = net > NET_MM and length > MOVED_MM
            if lays and (z1 != layer_z or z != layer_z):
                if (height := course.at_height(z, z1)) is None:
                    break
                number, thick, layer_z = height
                climb_z = z1 if layer_z is None else -inf
                if number:
                    moves.begin_layer(number, z1, thick, 0, piece.line + index, index - begin - empty)
        else:
            length, lays = 0.0, False
        if to_f:
            feed = numbers[at + to_f]
            speed = feed / 60.0
        if length > MOVED_MM:
            if z1 != z:
                moves.rises.append((len(lengths), z1 - z))
        else:
            length = abs(fed)
            if length > NET_MM:
                moves.alone.append(len(lengths))
            else:
                length = 0.0
        if lays:
            deposit = index
            gap = []
        else:
            net = 0.0
            gap.append((index, length, speed, held or owed > NET_MM))
        if length:
            if curve is not None:
                moves.curves.append((len(lengths), curve))
            if fed != net:
                moves.fed.append((len(lengths), fed))
            add_x(x1)
            add_y(y1)
            add_length(length)
            add_speed(speed)
            add_laid(net)
        x, y = x1, y1
        at += words
        index += 1
        if to_e or to_z:
            z, debt = z1, owed
            e += fed
            plain = not (relative or e_doubtful or debt)
            likely = (_FLAT if z == layer_z else _RISING if z == climb_z else b"") if plain else b""
    if index == begin:
        return None
    piece.at, piece.number_at = index, at
    modal.x, modal.y, modal.z, modal.e, modal.debt, modal.feed = x, y, z, e, debt, feed
    modal.off_e, modal.firmware_back = off_e, held
    moves.seconds = list(map(truediv, lengths, moves.speeds))
    moves.blocks = index - begin - empty
    if deposit >= 0:
        moves.last_deposit = piece.line + deposit
    moves.gap = [(piece.line + at, length / speed, back) for at, length, speed, back in gap]
    return moves


def _curve(block: bytes, start: Point, end: Point, centre: dict[str, float]) -> Curve | None:
    """The arc of a block; None where it is none, or where machines may take it differently."""
    clockwise = block[1:2] == b"2"
    arc = arc_of(clockwise, "G17", start, end, centre)
    if arc is None or arc.length <= MOVED_MM or flaw_of(arc, "G17", start, end, centre):
        return None
    return Curve(clockwise, start, end, arc, box_of(arc, clockwise, "G17", start, end))
