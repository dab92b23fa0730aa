"""The bands on a screen as the column they are: the first at the bottom, on the bed, each as far filled as it is laid down.

Pure. A row has a height, a piece of the column, the band's number, what is set, and what the band has got; a narrow
screen leaves out from the right. Odd and even bands are shaded differently, so that they can be told without colour;
what stands beside the nozzle's mark is the band in work.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from banderole.cli.sentences import figure, setpoints

MOST_ROWS: Final = 3
"""Of one band: a taller column says no more."""
SET_CELLS: Final = 34
"""Of what is set: all seven channels would take 90; a schedule has one to three."""
LEAST_MEAN: Final = 5
"""Of the mean: `241.9`. A word that stands in its place may be cut to that."""
GAP: Final = 2


@dataclass(frozen=True, slots=True)
class Glyphs:
    """What the column is drawn with."""

    shades: tuple[str, str]  # of odd and of even bands
    parts: str  # a cell filled from below, in equal steps
    ahead: str
    walls: tuple[str, str]
    bed: str
    nozzle: str


LINES = Glyphs(("█", "▓"), "▁▂▃▄▅▆▇", " ", ("│", "│"), "▔", "◂")
ASCII = Glyphs(("#", "="), "_-", " ", ("|", "|"), "-", "<")


@dataclass(frozen=True, slots=True)
class Look:
    """How the rows are laid out: rows of one band, cells inside the column's walls, what it is drawn with."""

    rows: int
    inside: int
    glyphs: Glyphs


def rows_of(status: dict[str, Any], bands: list[dict[str, Any]], width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """A heading, the bands from the top down, and the bed: at most `room` lines of at most `width` cells."""
    each = max(1, min(MOST_ROWS, (room - 2) // max(1, len(bands))))
    look = Look(each, 6 if width >= 60 else 3, glyphs)
    seen, above, below = _in_sight(status, bands, max(1, (room - 2) // each))
    table = [_heading()] + [row for band in reversed(seen) for row in _band(status, band, look)]
    widths = _widths([row.cells for row in table], width - _LEFT - look.inside - 2)
    lines = [_line(row, widths, look, width) for row in table]
    if above:
        lines[1] = _more(above, "above", width)
    lines.append(_bed(look, width) if not below else _more(below, "below", width))
    return lines


def _in_sight(status: dict[str, Any], bands: list[dict[str, Any]], most: int) -> tuple[list[dict[str, Any]], int, int]:
    """The bands about the one in work, as many as there is room for; how many are not in sight above and below.

    A line that says how many are above takes the place of the topmost.
    """
    if len(bands) <= most:
        return bands, 0, 0
    at = next((i for i, band in enumerate(bands) if band.get("band") == status.get("band")), 0)
    first = max(0, min(len(bands) - most, at - most // 2))
    above = len(bands) - first - most
    return bands[first : first + most], above + 1 if above else 0, first


@dataclass(frozen=True, slots=True)
class _Row:
    label: str
    column: str
    mark: str
    cells: tuple[str, ...]
    style: str


_LEFT: Final = 9
"""Cells left of the column: a height of up to four digits with a decimal, and a space."""
_RIGHT_ALIGNED: Final = (True, False, True, True, False, False)
_HEADINGS: Final = ("band", "set", "mean °C", "in tol.", "least to most", "settled")


def _heading() -> _Row:
    return _Row("mm", "", " ", _HEADINGS, "dim")


def _band(status: dict[str, Any], band: dict[str, Any], look: Look) -> list[_Row]:
    entering = band.get("state") == "ahead" and band.get("band") == status.get("band")
    style = "bold" if entering or band.get("state") == "at work" else "dim" if band.get("state") == "ahead" else ""
    fills = _fills(status, band, look.rows)
    nozzle = _nozzle_row(status, band, fills, entering)
    rows = []
    for row in range(look.rows):
        last = row == look.rows - 1
        rows.append(
            _Row(
                figure(band.get("from_mm"), ".1f") if last else "",
                _piece(fills[row], int(band.get("band") or 0), look),
                look.glyphs.nozzle if row == nozzle else " ",
                _facts(status, band, entering) if row == (nozzle or 0) else (),
                style,
            )
        )
    return rows


def _fills(status: dict[str, Any], band: dict[str, Any], rows: int) -> list[float]:
    """How far each of the band's rows is laid down, from the top one down, 0 to 1."""
    match band.get("state"):
        case "done":
            share = 1.0
        case "at work":
            share = _share(status, band)
        case _:
            share = 0.0
    return [min(1.0, max(0.0, share * rows - below)) for below in reversed(range(rows))]


def _share(status: dict[str, Any], band: dict[str, Any]) -> float:
    """Of the band in work. The last may have no upper end; then what is done of the whole is the best that is known."""
    low, high, height = band.get("from_mm") or 0.0, band.get("to_mm"), status.get("height") or 0.0
    if high is None:
        return float(status.get("fraction") or 0.0)
    return (height - low) / (high - low) if high > low else 0.0


def _nozzle_row(status: dict[str, Any], band: dict[str, Any], fills: list[float], entering: bool) -> int | None:
    if entering:
        return len(fills) - 1
    if band.get("state") != "at work" or band.get("band") != status.get("band"):
        return None
    return next((row for row, fill in enumerate(fills) if fill > 0.0), len(fills) - 1)


def _piece(fill: float, number: int, look: Look) -> str:
    glyphs = look.glyphs
    if fill >= 1.0:
        inside = glyphs.shades[number % 2]
    elif fill <= 0.0:
        inside = glyphs.ahead
    else:
        inside = glyphs.parts[min(len(glyphs.parts) - 1, int(fill * len(glyphs.parts)))]
    return glyphs.walls[0] + inside * look.inside + glyphs.walls[1]


def _facts(status: dict[str, Any], band: dict[str, Any], entering: bool) -> tuple[str, ...]:
    number = f"{band.get('band')}{'!' if band.get('cautions') else ' '}"
    wanted = setpoints(band.get("setpoints"), leading=False) or "the file's own"
    if entering:
        return (number, wanted, f"{status.get('phase') or 'crossing'}")
    got = band.get("nozzle") or {}
    if band.get("state") == "ahead":
        return (number, wanted, "ahead")
    return (
        number,
        wanted,
        figure(got.get("mean"), ".1f"),
        percent(band.get("in_tolerance")),
        f"{figure(got.get('least'), '.1f')} to {figure(got.get('most'), '.1f')}" if got else "",
        settling(band),
    )


def percent(share: object) -> str:
    """`98 %`; never rounded up to 100."""
    if not isinstance(share, int | float):
        return figure(None, "")
    return f"{int(share * 100 + 1e-9)} %"


def settling(band: dict[str, Any]) -> str:
    """`14 s (13 s)`: taken, and expected."""
    taken, expected = band.get("settle_s"), band.get("predicted_s")
    if taken is None:
        return ""
    return f"{figure(taken, '.0f')} s" + ("" if expected is None else f", {figure(expected, '.0f')} expected")


def _widths(rows: list[tuple[str, ...]], room: int) -> list[int]:
    """Cells of each column of facts, as many columns as there is room for, from the left."""
    widths: list[int] = []
    room -= 2  # the nozzle's mark and the space before the first
    for column in range(len(_HEADINGS)):
        widest = max((cell_len(cells[column]) for cells in rows if len(cells) > column), default=0)
        widest = min(widest, SET_CELLS) if column == 1 else widest
        room -= widest + (GAP if column else 0)
        if room < 0:
            left = max(4, widest + room) if column <= 1 else widest + room
            cut = column <= 1 or (column == 2 and left >= LEAST_MEAN)  # a long word must not take the means with it
            return [*widths, left] if cut else widths
        widths.append(widest)
    return widths


def _line(row: _Row, widths: list[int], look: Look, width: int) -> Text:
    column = row.column or " " * (look.inside + 2)
    text = f"{row.label:>{_LEFT - 1}} {column}{row.mark} "
    for at, (cell, cells) in enumerate(zip(row.cells, widths, strict=False)):
        padded = " " * max(0, cells - cell_len(cell)) + cell if _RIGHT_ALIGNED[at] else cell
        text += (" " * GAP if at else "") + set_cell_size(padded, cells)
    return Text(set_cell_size(text, width).rstrip(), style=row.style)


def _bed(look: Look, width: int) -> Text:
    return Text(set_cell_size(" " * (_LEFT - 2) + look.glyphs.bed * (look.inside + 6), width).rstrip())


def _more(count: int, where: str, width: int) -> Text:
    return Text(set_cell_size(f"{count:>{_LEFT - 1}} more {where}", width).rstrip(), style="dim")
