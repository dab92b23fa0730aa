"""A survey for a person: what the file is, its bands as they stand on the bed, what is to be minded.

Pure: a `Survey` in, something to draw out. A terminal too narrow for the table gets one sentence a band instead.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from banderole.cli.say import clean
from banderole.cli.sentences import setpoints

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.plan.findings import Finding
    from banderole.plan.schedule import Schedule
    from banderole.plan.survey import BandRow, Survey

GAPS = (3, 2, 1)
"""Cells between two columns: the widest that fits is the easiest to read along."""
_HEADINGS = ("band", "from\nmm", "set", "layers", "from\nline", "filament\nmm", "motion")
_NOTHING_TO_DO = "none needed"


class SurveyView:
    """The whole survey; with a schedule its bands too, the top one first."""

    def __init__(self, found: Survey, schedule: Schedule | None) -> None:
        self._found = found
        self._schedule = schedule

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        found = self._found
        yield Text(_whole(found))
        if found.aside is not None:
            yield Text(f"between bands it waits at X {found.aside[0]:g} Y {found.aside[1]:g}, clear of the part")
        if self._schedule is not None:
            yield Text()
            yield Text(f"Bands of {clean(self._schedule.title)}, the top one first", style="bold")
            yield from _bands(found.rows, console, options)
            yield from map(Text, _crossings(found.rows))
            yield from map(Text, _off_layers(found.rows))
            yield from map(Text, _hold_points(self._schedule))
        if found.refusals or found.cautions:
            yield Text()
        yield from (Text(f"refused: {_said(one)}", style="bold red") for one in found.refusals)
        yield from (Text(f"caution: {_said(one)}", style="yellow") for one in found.cautions)


def _whole(found: Survey) -> str:
    return (
        f"{clean(Path(found.file).name)}: {found.top:.2f} mm tall, {found.layers} layers, {found.blocks} blocks, "
        f"{found.filament_mm / 1000:.2f} m of filament, {span(found.seconds)} of motion"
        + (f", about {span(found.settle_s)} of settling" if found.settle_s else "")
    )


def span(seconds: float) -> str:
    """`45 s`, `16.8 min`, `2 h 5 min`: as fine as it is of use."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.1f} min"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60} min"


def _bands(rows: list[BandRow], console: Console, options: ConsoleOptions) -> RenderResult:
    for gap in GAPS:
        table = _table(rows, gap)
        if Measurement.get(console, options.update(max_width=10_000), table).maximum <= options.max_width:
            yield table
            return
    yield from (Text(_sentence(row)) for row in reversed(rows))


def _table(rows: list[BandRow], gap: int) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0))
    for name in _HEADINGS:
        table.add_column(name, justify="left" if name == "set" else "right", header_style="dim", no_wrap=True)
    for row in reversed(rows):
        table.add_row(*map(Text, _cells(row)))
    return table


def _cells(row: BandRow) -> tuple[str, ...]:
    wanted = setpoints(row.setpoints, leading=False) or "the file's own"
    return (
        str(row.band), f"{row.from_mm:.1f}", wanted, str(row.layers), str(row.line), f"{row.filament_mm:.0f}",
        span(row.seconds),
    )  # fmt: skip


def _sentence(row: BandRow) -> str:
    band, low, wanted, layers, line, filament, motion = _cells(row)
    return (
        f"band {band} from {low} mm, {wanted}: {layers} layers from line {line}, {filament} mm of filament, {motion} "
        "of motion"
    )


def _crossings(rows: list[BandRow]) -> Iterator[str]:
    """Which state of the filament each crossing finds, neighbours that are alike in one line; then what is crossed often."""
    for why, alike in groupby(rows, key=lambda row: row.why_here):
        filament = why if why.startswith("filament") else f"filament {why}"
        yield f"crossing into {_named([row.band for row in alike])}: {filament}"
    often = [row for row in rows if row.entered > 1]
    if often:
        times = sum(row.entered for row in rows)
        yield f"parts in turn: {_named([row.band for row in often])} entered more than once, {times} crossings in all"


def _off_layers(rows: list[BandRow]) -> Iterator[str]:
    """Steps that do not fall between two layers, those by the same distance in one line."""
    for off, alike in groupby(rows, key=lambda row: round(row.off_mm, 2)):
        if off:
            named, side = _named([row.band for row in alike]), "above" if off > 0 else "below"
            yield f"no layer begins just at the step of {named}: the nearest is {abs(off):.2f} mm {side} it"


def _named(bands: list[int]) -> str:
    if len(bands) == 1:
        return f"band {bands[0]}"
    if bands == list(range(bands[0], bands[-1] + 1)):
        return f"bands {bands[0]} to {bands[-1]}"
    return f"bands {', '.join(map(str, bands))}"


def _hold_points(schedule: Schedule) -> Iterator[str]:
    for point in schedule.hold_points:
        yield f"hold point before band {point.before_band}" + (f": {clean(point.note)}" if point.note else "")


def _said(one: Finding) -> str:
    """`line 7: what it is: what to do`; what needs nothing done says nothing of it."""
    where = f"line {one.line}: " if one.line else ""
    todo = one.todo.removeprefix(_NOTHING_TO_DO).removeprefix(": ")
    return clean(f"{where}{one.what}" + (f": {todo}" if todo else ""))
