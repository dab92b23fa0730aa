"""`runs` and `report`: what the journals of this machine know of past runs. Nothing is asked of any printer."""

from __future__ import annotations

import json as json_
from pathlib import Path
from typing import Annotated

import typer

from banderole.cli.errors import NoName
from banderole.cli.say import clean, complain, say
from banderole.places import PlaceError, checked_name

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from banderole.record.runs import Past

Printer = Annotated[str | None, typer.Option("--printer", help="only this printer's: its file, or its name")]
To = Annotated[str | None, typer.Option("--to", help="the same, by name")]


def register(app: typer.Typer) -> None:
    app.command("runs")(runs)
    app.command("report", no_args_is_help=True)(report)


def runs(
    printer: Printer = None,
    to: To = None,
    json: Annotated[bool, typer.Option("--json", help="one JSON object a line")] = False,
) -> None:
    """List past runs, the newest last.

    Example: banderole runs --printer bench-a
    """
    from banderole.cli.report_view import listed
    from banderole.record.runs import all_runs

    name = named(printer, to)
    found = all_runs(name, told_of(name))
    if json:
        for run in found:
            say(json_.dumps(in_short(run), ensure_ascii=False))
        return
    if not found:
        say(f"no run{f' of {name}' if name else ''} is recorded here yet")
    for line in listed(found):
        say(line)


def report(
    run: Annotated[str, typer.Argument(metavar="RUN", help="its id, the beginning of it, or `last`")],
    printer: Printer = None,
    to: To = None,
    json: Annotated[bool, typer.Option("--json", help="all of it as one JSON object")] = False,
) -> None:
    """What each band of a past run really got, and how the run ended.

    Example: banderole report last --printer bench-a
    """
    from banderole.record.runs import diary, find

    name = named(printer, to)
    found = find(run, name, told_of(name))
    entries = diary(found)
    if json:
        from banderole.cli.report_view import in_full

        say(json_.dumps(in_full(found, entries), ensure_ascii=False))
        return
    import sys

    from rich.console import Console

    from banderole.cli.live import PLAIN_WIDTH
    from banderole.cli.report_view import Report

    wide = sys.stdout is not None and sys.stdout.isatty()
    console = Console(width=None if wide else PLAIN_WIDTH)
    with console.capture() as drawn:
        console.print(Report(found, entries))
    say(drawn.get().rstrip("\n"))


def told_of(name: str | None) -> Callable[[str], None] | None:
    """Of one printer a journal that cannot be read is an error; among those of several it must not hide the others."""
    return complain if name is None else None


def named(printer: str | None, to: str | None) -> str | None:
    """The printer that is meant; None for all. A file is read for its name only where one is given."""
    if printer is not None and (printer.endswith(".toml") or Path(printer).is_file()):
        from banderole.plan.config import load_printer

        printer = load_printer(printer).name
    if printer is not None and to is not None and printer != to:
        raise NoName(f"--printer means {printer} and --to means {to}: leave one of them out")
    name = to if printer is None else printer
    try:
        return name if name is None else checked_name(name)
    except PlaceError as why:
        raise NoName(str(why)) from None


def in_short(run: Past) -> dict[str, object]:
    """One line of the list, as plain data."""
    return {
        "run": run.run, "printer": run.printer, "file": run.file, "title": run.title, "began": run.began,
        "ended": run.ended, "state": run.state, "exit": run.exit, "reason": None if run.reason is None else clean(run.reason),
        "bands_done": run.bands_done, "bands": run.progress.get("bands") or len(run.bands),
    }  # fmt: skip
