"""Pictures of a G-code tower for a person: front, side and a look through it, with heights marked at the edge.

Front and side are lit by depth: what stands out is light, what lies back is dark, so that labels, grooves and openings
show. The look through adds up what is laid down behind each point, which shows infill. Standard library only.
"""

from __future__ import annotations

import math
import re
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence

SCALE = 6.0
"""Pixels for a millimetre."""
MARGIN, GAP = 40, 24
STEP = 0.12
"""mm between the points a line is drawn by."""
WORD = re.compile(rb"([A-Z])\s*(-?[\d.]+)")
Deposit = tuple[float, float, float, float, float, float]
"""x0, y0, z0, x1, y1, z1 in mm."""
Colour = tuple[int, int, int]
TRUE, ANSWERED, GROUND = (40, 160, 60), (220, 50, 40), (250, 250, 250)


def deposits(gcode: bytes) -> Iterator[Deposit]:
    """Straight pieces along which filament goes forward. Reads only what the towers of the tests hold."""
    at = {b"X": 0.0, b"Y": 0.0, b"Z": 0.0, b"E": 0.0}
    relative = relative_e = False
    for line in gcode.splitlines():
        words = WORD.findall(line.partition(b";")[0])
        if not words:
            continue
        head, values = words[0][0] + words[0][1], {letter: float(value) for letter, value in words[1:]}
        if head in (b"G90", b"G91"):
            relative = head == b"G91"
        elif head in (b"M82", b"M83"):
            relative_e = head == b"M83"
        elif head == b"G92":
            at.update({axis: value for axis, value in values.items() if axis in at})
        elif head in (b"G0", b"G1", b"G2", b"G3"):
            new = {a: values.get(a, 0.0) + at[a] if relative else values.get(a, at[a]) for a in (b"X", b"Y", b"Z")}
            fed = values.get(b"E", 0.0) if relative_e else values.get(b"E", at[b"E"]) - at[b"E"]
            if fed > 0 and (new[b"X"] != at[b"X"] or new[b"Y"] != at[b"Y"]):
                yield from _pieces(head, values, at, new)
            at.update(new)
            at[b"E"] += fed


def _pieces(
    head: bytes, values: dict[bytes, float], at: dict[bytes, float], new: dict[bytes, float]
) -> Iterator[Deposit]:
    x0, y0, z0, x1, y1, z1 = at[b"X"], at[b"Y"], at[b"Z"], new[b"X"], new[b"Y"], new[b"Z"]
    if head in (b"G0", b"G1"):
        yield x0, y0, z0, x1, y1, z1
        return
    cx, cy = x0 + values.get(b"I", 0.0), y0 + values.get(b"J", 0.0)
    radius, start = math.hypot(x0 - cx, y0 - cy), math.atan2(y0 - cy, x0 - cx)
    sweep = (math.atan2(y1 - cy, x1 - cx) - start) % math.tau or math.tau
    if head == b"G2":
        sweep -= math.tau
    for n in range(12):
        a, b = start + sweep * n / 12, start + sweep * (n + 1) / 12
        yield (
            cx + radius * math.cos(a), cy + radius * math.sin(a), z1,
            cx + radius * math.cos(b), cy + radius * math.sin(b), z1,
        )  # fmt: skip


def heights(plinth: float, rise: float, count: int) -> list[float]:
    return [plinth + rise * n for n in range(count + 1)]


def picture(gcode: bytes, true: Sequence[float] = (), answered: Sequence[float] = ()) -> bytes:
    """A PNG. Heights in mm: true ones green at the left of each view, answered ones red at the right."""
    made = list(deposits(gcode))
    z_top = max(piece[5] for piece in made)
    views = [_lit(made, 0, 1), _lit(made, 1, 0), _through(made)]
    width = sum(len(view[0]) for view in views) + GAP * 4 + MARGIN * 2
    tall = round(z_top * SCALE) + MARGIN * 2
    rows = [[GROUND] * width for _ in range(tall)]
    left = MARGIN
    for view in views:
        for n, line in enumerate(view):
            for m, shade in enumerate(line):
                if shade is not None:
                    rows[tall - MARGIN - n - 1][left + m] = (shade, shade, min(255, shade + 12))
        _ticks(rows, left - 14, true, TRUE)
        _ticks(rows, left + len(view[0]) + 2, answered, ANSWERED)
        left += len(view[0]) + GAP + 16
    return _png(rows)


def _ticks(rows: list[list[Colour]], left: int, at: Iterable[float], colour: Colour) -> None:
    for height in at:
        row = len(rows) - MARGIN - 1 - round(height * SCALE)
        if 0 <= row < len(rows):
            for column in range(left, min(left + 12, len(rows[row]))):
                rows[row][column] = colour


def _bounds(made: list[Deposit], axis: int) -> tuple[float, float]:
    """Of what lies above the first millimetre: purge lines and skirts would make the picture wide."""
    high = [piece for piece in made if piece[5] > 1.0] or made
    values = [piece[axis + n] for piece in high for n in (0, 3)]
    return min(values) - 4, max(values) + 4


def _spots(made: list[Deposit], axis: int, depth: int) -> Iterator[tuple[int, int, float, float]]:
    """Column, row, depth and share of a step for points along all deposits within the bounds."""
    low, high = _bounds(made, axis)
    for piece in made:
        count = max(1, math.ceil(math.hypot(piece[3] - piece[0], piece[4] - piece[1]) / STEP))
        for n in range(count + 1):
            part = n / count
            across = piece[axis] + (piece[axis + 3] - piece[axis]) * part
            if low <= across <= high:
                z = piece[2] + (piece[5] - piece[2]) * part
                near = piece[depth] + (piece[depth + 3] - piece[depth]) * part
                yield int((across - low) * SCALE), int(z * SCALE), near, STEP


def _blank(made: list[Deposit], axis: int) -> list[list[float | None]]:
    low, high = _bounds(made, axis)
    tall = round(max(piece[5] for piece in made) * SCALE) + 1
    return [[None] * (int((high - low) * SCALE) + 2) for _ in range(tall)]


def _fill_down(field: list[list[float | None]]) -> None:
    """A layer is higher than the row its top falls on."""
    for column in range(len(field[0])):
        gap = 0
        for row in range(len(field) - 1, -1, -1):
            if field[row][column] is None and row + 1 < len(field) and gap < 2:
                field[row][column] = field[row + 1][column]
                gap += 1
            else:
                gap = 0


def _lit(made: list[Deposit], axis: int, depth: int) -> list[list[int | None]]:
    """Looking along the other axis, from its low end (front) or its high end (right side)."""
    field = _blank(made, axis)
    sign = 1.0 if depth == 1 else -1.0
    for column, row, near, _ in _spots(made, axis, depth):
        before = field[row][column]
        if before is None or sign * near < before:
            field[row][column] = sign * near
    _fill_down(field)
    values = sorted(value for line in field for value in line if value is not None)
    nearest, usual = values[len(values) // 200], values[len(values) // 2]
    span = max(4.0, (usual - nearest) * 2.5)
    return [
        [None if v is None else max(30, min(235, round(225 - 190 * (v - nearest) / span))) for v in line]
        for line in field
    ]


def _through(made: list[Deposit]) -> list[list[int | None]]:
    field = _blank(made, 0)
    for column, row, _, share in _spots(made, 0, 1):
        field[row][column] = (field[row][column] or 0.0) + share
    _fill_down(field)
    values = sorted(value for line in field for value in line if value is not None)
    most = values[int(len(values) * 0.97)]
    return [[None if v is None else max(20, round(235 - 200 * min(1.0, v / most))) for v in line] for line in field]


def _png(rows: list[list[Colour]]) -> bytes:
    """8-bit RGB, as the PNG specification (W3C) has it."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", len(rows[0]), len(rows), 8, 2, 0, 0, 0)
    body = b"".join(b"\0" + bytes(value for colour in row for value in colour) for row in rows)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(body, 6)) + chunk(b"IEND", b"")
