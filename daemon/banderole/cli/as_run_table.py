"""The as-run table: what each band really got, in the order in which the bands stand on the bed."""

from __future__ import annotations

from typing import Any

from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from banderole.cli.say import clean
from banderole.cli.sentences import figure, setpoints
from banderole.cli.tower_rows import percent

_HEADINGS = (
    "band", "from\nmm", "set", "mean\n°C", "least\n°C", "most\n°C", "in\ntol.", "settled\ns", "expected\ns",
    "filament\nmm",
)  # fmt: skip


class AsRun:
    """Drawn as a table where all of it fits, else as one sentence a band: a figure that is cut off is no record."""

    def __init__(self, bands: list[dict[str, Any]]) -> None:
        self._bands = bands

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text("As run, the top band first", style="bold")
        for gap in (2, 1):
            table = _table(self._bands, gap)
            if Measurement.get(console, options.update(max_width=10_000), table).maximum <= options.max_width:
                yield table
                break
        else:
            yield from (Padding(Text(_sentence(band)), (0, 0, 0, 2)) for band in reversed(self._bands))
        for band in self._bands:
            for text in band.get("cautions") or []:
                yield Text(f"! band {clean(band.get('band'))}: {clean(text)}")


def as_run_table(bands: list[dict[str, Any]]) -> AsRun:
    """Per band setpoints, the nozzle's mean, least and most while depositing, share in tolerance, settling, filament.

    The last row is the lowest band. Cautions follow, each with its band, lowest first: they are read as a list.
    """
    return AsRun(bands)


def _table(bands: list[dict[str, Any]], gap: int) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0))
    for name in _HEADINGS:
        table.add_column(name, justify="left" if name == "set" else "right", header_style="dim", no_wrap=True)
    for band in reversed(bands):
        table.add_row(*map(Text, _row(band)))
    return table


def _row(band: dict[str, Any]) -> list[str]:
    got = band.get("nozzle") or {}
    return [
        f"{clean(band.get('band'))}{'!' if band.get('cautions') else ' '}",
        figure(band.get("from_mm"), ".1f"),
        setpoints(band.get("setpoints"), leading=False) or "the file's own",
        *(figure(got.get(one), ".1f") for one in ("mean", "least", "most")),
        percent(band.get("in_tolerance")),
        figure(band.get("settle_s"), ".1f"),
        figure(band.get("predicted_s"), ".1f"),
        figure(band.get("filament_mm"), ".0f"),
    ]


def _sentence(band: dict[str, Any]) -> str:
    number, low, wanted, mean, least, most, share, settled, expected, filament = _row(band)
    if band.get("state") == "ahead":
        return f"band {number.strip()} from {low} mm, {wanted}: not begun"
    return (
        f"band {number.strip()} from {low} mm, {wanted}: mean {mean} °C, {least} to {most}, {share} in tolerance, "
        f"settled in {settled} s, {expected} s expected, {filament} mm of filament"
    )
