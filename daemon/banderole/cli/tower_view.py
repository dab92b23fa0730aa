"""The run on a screen: what is happening, measured beside set, the tower as a column, how far it is, what is wrong.

Pure: facts in, something to draw out. Words and figures carry every meaning; weight and colour only repeat it, and with
NO_COLOR they are left away.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any, Final

from rich.cells import cell_len, set_cell_size
from rich.console import Group, RenderableType
from rich.text import Text

from banderole.cli.as_run_table import as_run_table
from banderole.cli.say import clean
from banderole.cli.status_lines import alarm_line, heat_of, progress, proof_of
from banderole.cli.tower_rows import ASCII, LINES, rows_of

__all__ = ["as_run_table", "tower"]

MOST_ALARMS: Final = 3
"""In sight at once: the first cause and the newest; the rest is counted."""
NARROW: Final = 60
"""Cells below which an event is shown without its time."""
LEAST_COLUMN: Final = 4
"""Lines that the column keeps: heading, two bands or one and a count, bed."""


def tower(
    status: dict[str, Any],
    bands: list[dict[str, Any]],
    events: Sequence[str],
    width: int,
    height: int,
    ascii_only: bool = False,
) -> RenderableType:
    """One picture of at most `height` lines (10 or more) and `width` cells, from a status, its bands, recent sentences."""
    head = [_head(status, width), *_wrapped(_doing(status), width, 2, "bold"), *_wrapped(heat_of(status), width, 2)]
    foot = [*_bar(status, width, ascii_only), *_alarms(status, bands, width)]
    room = max(LEAST_COLUMN, height - len(head) - len(foot) - 2 - min(2, len(events)))
    column = rows_of(status, bands, width, room, ASCII if ascii_only else LINES) if bands else []
    parts = [*head, Text(), *column, *foot]
    spare = height - len(parts)
    if spare > 1 and events:
        parts += [Text(), *(_cut(_short(said, width), width, "dim") for said in events[-(spare - 1) :])]
    return Group(*parts[:height])


def _head(status: dict[str, Any], width: int) -> Text:
    """Which printer and part, and at the right the state."""
    state = clean(status.get("state") or "")
    named = [clean(part) for part in (status.get("printer"), status.get("file"), status.get("title")) if part]
    room = max(0, width - cell_len(state) - 2)
    while len(named) > 1 and cell_len("  ".join(named)) > room:
        named.pop()
    return Text(set_cell_size("  ".join(named), room) + "  ") + Text(state, style="bold reverse")


def _doing(status: dict[str, Any]) -> str:
    pending = f"; hold asked for: {clean(status['hold'])}" if status.get("hold") else ""
    return f"{clean(status.get('doing') or '')}{pending}"


def _short(said: str, width: int) -> str:
    """Without the time where there is no room for both."""
    return said[9:] if width < NARROW and said[2:3] == ":" else said


def _bar(status: dict[str, Any], width: int, ascii_only: bool) -> list[Text]:
    """How far it is, by predicted time, in words and as a rule of what room is left."""
    said = progress(status)
    full, empty = ("=", ".") if ascii_only else ("━", "┄")
    long = min(30, width - cell_len(said) - 2)
    if long < 8:
        return _wrapped(said, width, 2)
    done = round(min(1.0, max(0.0, status.get("fraction") or 0.0)) * long)
    return [Text(full * done + empty * (long - done) + "  " + said)]


def _alarms(status: dict[str, Any], bands: list[dict[str, Any]], width: int) -> list[Text]:
    """What is wrong, the first cause first; then the last caution of a band; then whether heat is off."""
    alarms = sorted(status.get("alarms") or [], key=lambda one: not one.get("first_out"))
    shown = alarms if len(alarms) <= MOST_ALARMS else [alarms[0], *alarms[-(MOST_ALARMS - 1) :]]
    lines: list[Text] = []
    for alarm in shown:
        lines += _wrapped(alarm_line(alarm), width, 2, "bold red" if alarm.get("grade") == "trip" else "yellow")
    if len(alarms) > len(shown):
        lines.append(_cut(f"and {len(alarms) - len(shown)} more: banderole status", width))
    warned = [band for band in bands if band.get("cautions")]
    if warned:
        lines += [_cut(f"! band {warned[-1].get('band')}: {clean(warned[-1]['cautions'][-1])}", width, "yellow")]
    proof = proof_of(status)
    return (
        lines
        if proof is None
        else [*lines, *_wrapped(proof, width, 2, "bold" if status["heat_proven_off"] else "bold red")]
    )


def _wrapped(text: str, width: int, most: int, style: str = "") -> list[Text]:
    """Over at most so many lines, broken between words; the last ends with a mark where it goes on."""
    lines = textwrap.wrap(text, max(1, width), max_lines=most, placeholder=" …")
    return [_cut(line, width, style) for line in lines]


def _cut(text: str, width: int, style: str = "") -> Text:
    fits = cell_len(text) <= width
    return Text(text if fits else set_cell_size(text, max(0, width - 1)) + "…", style=style)
