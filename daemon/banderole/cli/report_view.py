"""Past runs for a person, and for a program. Pure: what the journal holds in, lines or something to draw out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

from banderole.cli.say import clean
from banderole.cli.sentences import NOTHING, figure, sentence_of, setpoints
from banderole.record.runs import Entry, Past

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult

HEADINGS: Final = ("run", "began", "printer", "state", "exit", "bands", "file and title")
MINDED: Final = (
    "caution",
    "trip",
    "trip_reset",
    "link_lost",
    "printer_reset",
    "settle_late",
    "file_setpoint_reasserted",
    "held",
)
"""Events that somebody who judges the part must know of."""
MOST_MINDED: Final = 40
"""Lines of them on a screen; `--json` has all."""
_SUMMARY: Final = (
    "first_out", "heat_proven_off", "blocks_sha256", "blocks", "inserted", "resends",
)  # fmt: skip


def listed(runs: list[Past]) -> Iterator[str]:
    """One line a run, in columns; file and title last, as they may be long."""
    rows = [_row(run) for run in runs]
    if not rows:
        return
    rows.insert(0, HEADINGS)
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS) - 1)]
    for row in rows:
        fixed = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=False))
        yield f"{fixed}  {row[-1]}".rstrip()


def _row(run: Past) -> tuple[str, ...]:
    state = clean(run.state or NOTHING)
    of = run.progress.get("bands") or len(run.bands)
    return (
        clean(run.run),
        local(run.began),
        clean(run.printer),
        state if run.ended else f"{state} ?",  # it is going, or nobody has made safe after it yet
        NOTHING if run.exit is None else str(run.exit),
        f"{run.bands_done}/{of}" if of else NOTHING,
        ", ".join(clean(part) for part in (run.file, run.title) if part) or NOTHING,
    )


def local(at: str | None) -> str:
    """A time of the journal (UTC) as the reader's clock shows it."""
    try:
        return f"{datetime.fromisoformat(str(at)).astimezone():%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError):
        return clean(at)


def in_full(run: Past, entries: list[Entry]) -> dict[str, Any]:
    """All that is worth keeping of a run; `bands` and the rest as in the event `run_ended`."""
    summary = _summary(entries)
    return {
        "run": run.run, "printer": run.printer, "file": run.file, "title": run.title, "began": run.began,
        "ended": run.ended, "state": run.state, "exit": run.exit, "reason": run.reason, "prior": run.prior,
        **{key: summary.get(key) for key in _SUMMARY},
        "bands": [{key: value for key, value in band.items() if key != "state"} for band in run.bands],
        "events": [{"seq": one.seq, "at": one.at, "kind": one.kind, **one.fields} for one in entries],
    }  # fmt: skip


def _summary(entries: list[Entry]) -> dict[str, Any]:
    """What the run said of itself at its end, else what can be told without it. The first such word is the run's own."""
    ended = next((one.fields for one in entries if one.kind == "run_ended" and "blocks_sha256" in one.fields), {})
    own = ended if (ended.get("blocks_sha256") or {}).get("file") else {}
    first = next(
        (one.fields.get("alarm") for one in entries if one.kind == "trip" and one.fields.get("first_out")), None
    )
    proven = [one.fields["proven"] for one in entries if one.kind == "make_safe" and "proven" in one.fields]
    found = {"first_out": first, "heat_proven_off": proven[-1] if proven else None}
    return {**found, **own, "heat_proven_off": found["heat_proven_off"] if proven else own.get("heat_proven_off")}


class Report:
    """A run on a screen: how it went, the as-run table, what is to be minded."""

    def __init__(self, run: Past, entries: list[Entry]) -> None:
        self._run = run
        self._entries = entries

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        from rich.text import Text

        from banderole.cli.as_run_table import as_run_table

        for line in heading(self._run, self._entries):
            yield Text(line)
        if any(band.get("state") != "ahead" for band in self._run.bands):
            yield Text()
            yield as_run_table(self._run.bands)
        else:
            yield Text("no band was begun")
        lines = list(minded(self._entries))
        if lines:
            yield Text()
        for line in lines[:MOST_MINDED]:
            yield Text(line)
        if len(lines) > MOST_MINDED:
            yield Text(f"and {len(lines) - MOST_MINDED} more: --json has all of them")


def heading(run: Past, entries: list[Entry]) -> Iterator[str]:
    """What run it was, and how it ended."""
    summary = _summary(entries)
    file = f"{clean(run.file or 'a file')}{f', {clean(run.title)}' if run.title else ''}"
    yield f"Run {clean(run.run)} on {clean(run.printer)}: {file}"
    over = f"ended {local(run.ended)}" if run.ended else "no end is known: it is going, or was cut off"
    yield f"began {local(run.began)}, {over}"
    code = "" if run.exit is None else f" (exit {run.exit})"
    yield f"{clean(run.state or 'state unknown')}{code}: {clean(run.reason)}" if run.reason else clean(run.state)
    if not run.ended and run.progress:
        yield f"last kept: {_progress(run.progress)}"
    if summary.get("first_out"):
        yield f"first cause: {clean(summary['first_out'])}"
    proven = summary.get("heat_proven_off")
    if proven is not None:
        yield "heat is off, and was seen to be" if proven else "heat was NOT proven off"
    yield from _blocks(summary)
    if run.prior:
        back = any(one.kind == "restored" and one.fields.get("values") for one in entries)
        yield f"found at the start{', and put back' if back else ''}: {setpoints(run.prior)}"


def _progress(progress: dict[str, Any]) -> str:
    done = progress.get("fraction")
    share = f", {100 * done:.0f} % of the motion done" if isinstance(done, int | float) else ""
    return f"{local(progress.get('at'))}, at {figure(progress.get('height'), '.2f')} mm{share}"


def _blocks(summary: dict[str, Any]) -> Iterator[str]:
    digests = summary.get("blocks_sha256") or {}
    inserted = summary.get("inserted") or {}
    if digests.get("file"):
        same = digests["file"] == digests.get("acknowledged")
        whole = "exactly the file's" if same else "not the whole file"
        yield f"the printer has taken {summary.get('blocks')} blocks, {whole} (SHA-256 {str(digests['file'])[:16]}…)"
    if inserted:
        yield "inserted: " + ", ".join(f"{clean(why)} {count}" for why, count in sorted(inserted.items()))


def minded(entries: list[Entry]) -> Iterator[str]:
    """Trips, cautions, holds, in order, each with its time; and what the record itself lacks."""
    for one in entries:
        if one.kind in MINDED:
            said = sentence_of({"kind": one.kind, **one.fields})
            if said is not None:
                yield f"{_clock(one.at)} {said}"
        elif one.kind == "left_out":
            lost = ", ".join(f"{clean(what)} {count}" for what, count in one.fields.items())
            yield f"{_clock(one.at)} the record lacks some of what came before: {lost}"


def _clock(at: str) -> str:
    try:
        return f"{datetime.fromisoformat(at).astimezone():%H:%M:%S}"
    except (ValueError, OverflowError):
        return clean(at)
