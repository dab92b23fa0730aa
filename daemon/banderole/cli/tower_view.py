"""The tower on a screen: the bands as a column, height upward, with what each was to get and what it got.

Pure: facts in, something to draw out. Words carry every meaning; shade and colour only repeat it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from banderole.cli.sentences import setpoints

_SHADE = {"done": "██", "at work": "▒▒", "ahead": "··"}
_HEAD_LINES = 2
_FOOT_LINES = 8
_NARROW = 70
_WAYS = ("bold", "", "dim")


def tower(
    status: dict[str, Any], bands: list[dict[str, Any]], events: Sequence[str], width: int, height: int
) -> RenderableType:
    """One whole screen of at most `height` lines."""
    room = max(3, height - _HEAD_LINES - _FOOT_LINES - len(_alarms(status)))
    parts: list[RenderableType] = [_head(status, width), _column(status, bands, room, width < _NARROW), Text("")]
    parts += [_heat(status), _doing(status), _progress(status, width)]
    parts += [Text(line, style="bold red") for line in _alarms(status)]
    parts += [Text(line, style="dim", overflow="ellipsis", no_wrap=True) for line in events[-3:]]
    return Group(*parts)


def _head(status: dict[str, Any], width: int) -> Text:
    left = " · ".join(str(part) for part in (status.get("printer"), status.get("file"), status.get("title")) if part)
    state = str(status.get("state", ""))
    room = max(8, width - len(state) - 2)
    left = left if len(left) <= room else left[: room - 1] + "…"
    return Text(f"{left:<{room}}  ") + Text(state, style="bold")


def _column(status: dict[str, Any], bands: list[dict[str, Any]], room: int, narrow: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1), show_header=not narrow, header_style="dim")
    table.add_column("mm", justify="right")
    table.add_column("")
    table.add_column("band", justify="right")
    table.add_column("to be")
    table.add_column("mean °C", justify="right")
    table.add_column("in tolerance", justify="right")
    if not narrow:
        table.add_column("settling s", justify="right")
        table.add_column("")
    for band in _seen(status, bands, room):
        _row(table, status, band, narrow)
    return table


def _seen(status: dict[str, Any], bands: list[dict[str, Any]], room: int) -> list[dict[str, Any]]:
    """The bands from the top down, those about the one in work where there are too many."""
    if len(bands) > room:
        at = max(0, min(len(bands) - room, int(status.get("band") or 1) - room // 2))
        bands = bands[at : at + room]
    return list(reversed(bands))


def _row(table: Table, status: dict[str, Any], band: dict[str, Any], narrow: bool) -> None:
    state = band["state"]
    crossing = state == "ahead" and band["band"] == status.get("band")
    shade = "→ " if crossing else _SHADE[state]
    style = "bold" if state == "at work" or crossing else "" if state == "done" else "dim"
    got, share = band["nozzle"], band["in_tolerance"]
    cells = [
        f"{band['from_mm']:g}",
        shade,
        str(band["band"]),
        setpoints(band["setpoints"]).replace("nozzle ", "") or "the file's own",
        "" if got is None else f"{got['mean']:.1f}",
        "" if share is None else f"{share:.0%}",
    ]
    if not narrow:
        word = (
            "settling here"
            if crossing and status.get("phase") == "settling"
            else "in work"
            if state == "at work"
            else state
        )
        cells += [_settling(band), f"{word}{' !' if band['cautions'] else ''}"]
    table.add_row(*cells, style=style)


def _settling(band: dict[str, Any]) -> str:
    taken, foreseen = band["settle_s"], band["predicted_s"]
    if taken is None:
        return "" if foreseen is None else f"{foreseen:.0f} foreseen"
    return f"{taken:.0f}" if foreseen is None else f"{taken:.0f} ({foreseen:.0f} foreseen)"


def _heat(status: dict[str, Any]) -> Text:
    measured, wanted = status.get("measured", {}), status.get("setpoint", {})
    parts = [f"{heater} {value:.1f} °C, to be {wanted.get(heater, 0):g}" for heater, value in measured.items()]
    others = {channel: value for channel, value in wanted.items() if channel not in measured}
    return Text(" · ".join([*parts, setpoints(others)] if others else parts))


def _doing(status: dict[str, Any]) -> Text:
    pending = f"; hold asked for: {status['hold']}" if status.get("hold") else ""
    return Text(f"{status.get('doing', '')}{pending}", style="bold", overflow="ellipsis", no_wrap=True)


def _progress(status: dict[str, Any], width: int) -> Text:
    fraction = float(status.get("fraction") or 0.0)
    long = max(10, min(40, width - 40))
    filled = round(fraction * long)
    left = status.get("remaining_s")
    remaining = (
        ""
        if left is None
        else f", {left / 60:.0f} min of motion left"
        if left >= 90
        else f", {left:.0f} s of motion left"
    )
    return Text(f"{'━' * filled}{'╌' * (long - filled)} {fraction:.0%}{remaining}, at {status.get('height', 0):.1f} mm")


def _alarms(status: dict[str, Any]) -> list[str]:
    return [
        f"{'TRIP' if one['grade'] == 'trip' else 'caution'}{' (first)' if one.get('first_out') else ''}: {one['text']}"
        for one in status.get("alarms", [])[:4]
    ]


def as_run_table(bands: list[dict[str, Any]]) -> Table:
    """What each band really got; the lowest band is the last row, as it stands on the bed."""
    table = Table(title="as run, top band first", title_justify="left", title_style="dim", box=None, padding=(0, 1))
    for name in (
        "band",
        "from mm",
        "to be",
        "mean °C",
        "least",
        "most",
        "in tolerance",
        "settled s",
        "foreseen s",
        "filament mm",
    ):
        table.add_column(name, justify="left" if name == "to be" else "right", header_style="dim")
    for band in reversed(bands):
        got, share = band["nozzle"], band["in_tolerance"]
        figures = ["", "", ""] if got is None else [f"{got[one]:.1f}" for one in ("mean", "least", "most")]
        table.add_row(
            str(band["band"]),
            f"{band['from_mm']:g}",
            setpoints(band["setpoints"]).replace("nozzle ", "") or "the file's own",
            *figures,
            "" if share is None else f"{share:.0%}",
            "" if band["settle_s"] is None else f"{band['settle_s']:.1f}",
            "" if band["predicted_s"] is None else f"{band['predicted_s']:.1f}",
            f"{band['filament_mm']:.0f}",
        )
        for caution in band["cautions"]:
            table.add_row("", "", Text(f"! {caution}", overflow="fold"))
    return table
