"""Plain motions of a piece, thousands in one loop: nearly all of any file, and so what a survey spends its time on.

What comes out is what `Modal.apply` would make of each, held by a test. The loop knows four kinds of lines, the most frequent
first:

1. a run of deposits of one shape on the layer in work, or on the slope in work, where nothing need be minded but their
   numbers (`likely`): all at once, by columns (`_run`);
2. such deposits, arcs and travels in turn, on the level, as motions but without what cannot be;
3. no motion: a mode, an empty line, or a command that the course lets pass by;
4. any other motion: a hop, a retraction, a travel behind it, the first deposit of a layer.

It stops before whatever is not quite plain (inches, shifted axes, a feedrate of nothing, any other command) and before a
deposit at another height that decides more than that a layer begins: those are for `Modal.apply` and the itinerary. It is
one long function because a call for each motion would cost more than the motion.
"""

from __future__ import annotations

import re
from math import hypot, inf
from operator import sub, truediv
from typing import Final, Protocol

from banderole_protocol.modal import MODES, MOVED_MM, NET_MM, Modal

from .curves import curve_of
from .moves import Moves, Run
from .pieces import ARC, CENTRES, CURVE, DEPOSIT, DEPOSIT_F, PLACES, RISE, RISE_F, TRAVEL_F, Piece

_ZEROED: Final = frozenset((b"G92 E0", b"G92 E0.0", b"G92 E0.00", b"G92 E0.000", b"G92 E0.0000", b"G92 E0.00000"))
"""How files call the filament's place nothing, some at every layer: known without taking them apart, as `MODES` are."""

_FLAT: Final = bytes((DEPOSIT, DEPOSIT_F, TRAVEL_F, CURVE))
_RISING: Final = bytes((RISE, RISE_F))
"""Codes of motions that decide nothing: on the layer in work, and where a slope goes on."""
_PLACES: Final = tuple(map(tuple, PLACES))
"""`PLACES` as plain tuples, which are quicker to take apart."""
_COLUMNS: Final = re.compile(
    b"\\x%02x{12,}|\\x%02x{12,}|\\x%02x{4,}|\\x%02x{4,}" % (DEPOSIT, DEPOSIT_F, *_RISING)
).search
"""Finds deposits of one code, so many that columns cost less than taking each alone."""
COLUMNS_MOST: Final = 1024
"""Lines that are looked through for such, and taken, at once."""
CLEAR_MM: Final = 2e-6
"""What a run needs of each way, rise and deposit: clear of where it would be none, `MOVED_MM`, `NET_MM` and the like."""

Height = tuple[int, float, float | None]
"""What a deposit at another height begins: a layer by number (0: none) and height, mm; then the height of the flat layer in
work, None on a slope. A plain tuple: one is made at every layer."""


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


def moves_of(piece: Piece, modal: Modal, layer_z: float | None, course: Course) -> Moves | None:
    """Take plain motions from `piece`, as many as there are, and bring `modal` behind them; None where there are none.

    `layer_z` is the height of the flat layer in work, None where there is no such thing.
    """
    if modal.scale != 1.0 or modal.off_x or modal.off_y or modal.off_z or modal.feed <= 0.0 or piece.stands_alone:
        return None
    x, y, z, e, off_e, debt, feed = modal.x, modal.y, modal.z, modal.e, modal.off_e, modal.debt, modal.feed
    relative, e_relative, e_doubtful = modal.relative, modal.e_relative, modal.e_doubtful
    held = modal.firmware_back  # filament, by the firmware
    moves = Moves([x], [y])
    lengths, speed = moves.lengths, feed / 60.0
    add_x, add_y, add_length = moves.xs.append, moves.ys.append, lengths.append
    add_speed, add_laid = moves.speeds.append, moves.laid.append
    blocks, codes, numbers, at = piece.blocks, piece.codes, piece.numbers, piece.number_at
    begin, index, size, empty = piece.at, piece.at, len(piece.blocks), 0
    deposit = back = -1  # the last deposit, and the last line behind which filament is back
    still: set[int] = set()  # motions that neither move nor feed
    stop = end = begin  # from where to where deposits come that are tried as columns: up to there they go one by one
    skip = 1  # of such as are not quite plain, how many are taken one by one before it is tried again
    climb_z = -inf  # where the slope in work has come to
    plain = not (relative or e_doubtful or debt)  # all that is given forward is laid down
    likely = _FLAT if plain and z == layer_z else b""  # codes of deposits that decide nothing
    while index < size:
        code = codes[index]
        if code in likely:
            if index > stop or index == stop >= end:
                found = _COLUMNS(codes, index, index + COLUMNS_MOST)
                stop, end = found.span() if found else (min(size, index + COLUMNS_MOST), 0)
            # 1. a run of deposits of one shape
            if index == stop:
                count = end - index
                run = _run(code, count, numbers, at, x, y, z, None if e_relative else e - off_e)
                if run is not None:
                    if run.rises:
                        count, turns = course.climb(run.zs)
                        if not count:
                            break
                        for number, turn in turns:
                            line, behind = piece.line + index, index - begin - empty
                            moves.begin_layer(number, run.zs[turn + 1], run.rises[turn], turn, line, behind)
                        z = climb_z = run.zs[count]
                        run.cut(count)
                    moves.add_run(run, speed)
                    if run.feeds:
                        feed = run.feeds[-1]
                        speed = feed / 60.0
                    x, y, e = run.xs[-1], run.ys[-1], sum(run.laid, e)
                    index += count
                    at += PLACES[code].numbers * count
                    deposit, skip = index - 1, 1
                    if index < end:
                        break
                    continue
                stop, skip = min(index + skip, end), 2 * skip  # a long run is not tried once for each of its lines
            # 2. deposits, arcs and travels on the level
            if likely is _FLAT:
                while index < stop:
                    code = codes[index]
                    if code not in _FLAT:
                        break
                    x1, y1 = numbers[at + 1], numbers[at + 2]
                    length = hypot(x1 - x, y1 - y)
                    if length <= MOVED_MM:
                        break
                    if code == DEPOSIT:
                        net = numbers[at + 3] if e_relative else numbers[at + 3] + off_e - e
                        if net <= NET_MM:
                            break
                        e += net
                        deposit = index
                        at += 3
                    elif code == TRAVEL_F:
                        if numbers[at + 3] <= 0.0:
                            break
                        net = 0.0
                        if held:
                            back = index
                        feed = numbers[at + 3]
                        speed = feed / 60.0
                        at += 3
                    elif code == DEPOSIT_F:
                        net = numbers[at + 3] if e_relative else numbers[at + 3] + off_e - e
                        if net <= NET_MM or numbers[at + 4] <= 0.0:
                            break
                        e += net
                        deposit = index
                        feed = numbers[at + 4]
                        speed = feed / 60.0
                        at += 4
                    else:
                        clockwise, i, j = blocks[index].startswith(b"G2"), numbers[at + 3], numbers[at + 4]
                        net = numbers[at + 5] if e_relative else numbers[at + 5] + off_e - e
                        curve = curve_of(clockwise, x, y, x1, y1, 0.0, i, j)
                        if net <= NET_MM or curve is None or modal.plane != "G17":
                            break
                        length = curve.length
                        moves.curve_at.append(len(lengths))
                        moves.curves.append(curve)
                        e += net
                        deposit = index
                        at += 5
                    add_x(x1)
                    add_y(y1)
                    add_length(length)
                    add_speed(speed)
                    add_laid(net)
                    x, y = x1, y1
                    index += 1
                else:
                    continue
        # 3. no motion
        if not code:
            text = blocks[index]
            if not text:
                empty += 1
                index += 1
                continue
            if (mode := MODES.get(text)) is not None:
                modal.set_mode(mode)
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
            if held or debt > NET_MM:
                back = index
            index += 1
            continue
        # 4. a motion
        to_x, to_y, to_z, to_e, to_f, words = _PLACES[code]
        if (to_f and numbers[at + to_f] <= 0.0) or (to_e and e_doubtful):
            break
        if relative:
            x1 = x + numbers[at + to_x] if to_x else x
            y1 = y + numbers[at + to_y] if to_y else y
            z1 = z + numbers[at + to_z] if to_z else z
        else:
            x1 = numbers[at + to_x] if to_x else x
            y1 = numbers[at + to_y] if to_y else y
            z1 = numbers[at + to_z] if to_z else z
        curve = None
        if code < ARC:
            length = hypot(x1 - x, y1 - y, z1 - z)
        else:
            to_i, to_j = CENTRES[code]
            i, j = numbers[at + to_i] if to_i else 0.0, numbers[at + to_j] if to_j else 0.0
            clockwise = blocks[index].startswith(b"G2")
            if modal.plane != "G17" or (curve := curve_of(clockwise, x, y, x1, y1, z1 - z, i, j)) is None:
                break
            length = curve.length
        fed = net = 0.0
        if to_e:
            fed = numbers[at + to_e] if e_relative else numbers[at + to_e] + off_e - e
            if fed < debt:  # pulled back, or not yet given forward
                owed = debt - fed
                if fed >= 0.0 and owed < NET_MM:
                    owed = 0.0
            else:
                owed, net = 0.0, fed - debt
                if net <= NET_MM or length <= MOVED_MM:
                    net = 0.0
                elif z1 != layer_z or z != layer_z:
                    if (height := course.at_height(z, z1)) is None:
                        break
                    number, thick, layer_z = height
                    climb_z = z1 if layer_z is None else -inf
                    if number:
                        moves.begin_layer(number, z1, thick, 0, piece.line + index, index - begin - empty)
            e += fed
            debt = owed
        if net:
            deposit = index
        elif held or debt > NET_MM:
            back = index
        if to_f:
            feed = numbers[at + to_f]
            speed = feed / 60.0
        if length > MOVED_MM:
            if z1 != z:
                moves.rise_at.append(len(lengths))
                moves.rises.append(z1 - z)
            if curve is not None:
                moves.curve_at.append(len(lengths))
                moves.curves.append(curve)
        else:
            length = abs(fed)
            if length > NET_MM:
                moves.alone.append(len(lengths))
            else:
                length = 0.0
                still.add(index)
        if length:
            if fed != net:
                moves.fed_at.append(len(lengths))
                moves.fed.append(fed)
            add_x(x1)
            add_y(y1)
            add_length(length)
            add_speed(speed)
            add_laid(net)
        x, y = x1, y1
        at += words
        index += 1
        if to_e or to_z:
            z = z1
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
    moves.gap = _gap(piece, max(begin, deposit + 1), still, moves.seconds)
    if back > deposit:
        moves.back = piece.line + back
    return moves


def _run(
    code: int, count: int, numbers: list[float], at: int, x: float, y: float, z: float, e: float | None
) -> Run | None:
    """So many deposits of this code, their numbers behind index `at`; None where one of them is not quite plain.

    They begin at x, y, z (mm); `e` is E there as the file would write it, None where it is relative.
    """
    to_x, to_y, to_z, to_e, to_f, step = PLACES[code]
    stop = at + 1 + step * count
    xs, ys, laid = numbers[at + to_x : stop : step], numbers[at + to_y : stop : step], numbers[at + to_e : stop : step]
    if e is not None:
        laid = list(map(sub, laid, [e, *laid]))
    dx, dy = map(sub, xs, [x, *xs]), map(sub, ys, [y, *ys])
    zs: list[float] = []
    rises: list[float] = []
    if to_z:
        zs = [z, *numbers[at + to_z : stop : step]]
        rises = list(map(sub, zs[1:], zs))
        lengths = list(map(hypot, dx, dy, rises))
    else:
        lengths = list(map(hypot, dx, dy))
    feeds = numbers[at + to_f : stop : step] if to_f else []
    if min(laid) <= CLEAR_MM or min(lengths) <= CLEAR_MM:
        return None
    if (feeds and min(feeds) <= 0.0) or (rises and min(rises) <= CLEAR_MM):
        return None
    return Run(xs, ys, zs, rises, lengths, laid, feeds)


def _gap(piece: Piece, first: int, still: set[int], seconds: list[float]) -> list[tuple[int, float]]:
    """Line and seconds of the blocks taken from index `first` on; `seconds` are those of all motions up to the last."""
    lines = [at for at in range(first, piece.at) if piece.blocks[at]]
    moving = [at for at in lines if piece.codes[at] and at not in still]
    taken = dict(zip(moving, seconds[len(seconds) - len(moving) :], strict=True))
    return [(piece.line + at, taken.get(at, 0.0)) for at in lines]
