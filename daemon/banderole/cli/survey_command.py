"""`survey`: what a file is, and what a schedule makes of it, without a printer."""

from __future__ import annotations

import json as json_
import sys
from pathlib import Path
from typing import Annotated

import typer

from banderole.cli.sentences import setpoints

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.plan.schedule import Schedule
    from banderole.plan.survey import Survey


def register(app: typer.Typer) -> None:
    app.command("survey", no_args_is_help=True)(survey)


def survey(
    file: Annotated[Path, typer.Argument(help="the plain tower, as exported")],
    schedule: Annotated[Path | None, typer.Option("--schedule", help="the schedule file")] = None,
    printer: Annotated[str | None, typer.Option("--printer", help="the printer file, or its name")] = None,
    json: Annotated[bool, typer.Option("--json", help="all of it as JSON")] = False,
) -> None:
    """Read the file once: layers, bands, conflicts, cautions. Nothing is sent anywhere.

    Example: banderole survey tower.gcode --schedule nozzle.toml --printer bench-a
    """
    from banderole.plan.config import load_printer
    from banderole.plan.schedule import load_schedule
    from banderole.plan.survey import survey_file

    settings = load_printer(printer) if printer is not None else None
    wanted = load_schedule(schedule, settings) if schedule is not None else None
    found = survey_file(file, wanted, settings)
    if json:
        print(json_.dumps(found.as_json(), ensure_ascii=False))
    else:
        print_survey(found, wanted)
    if (refusal := found.refusal()) is not None:
        print(f"refused: {refusal}", file=sys.stderr)
        raise typer.Exit(3)


def print_survey(found: Survey, schedule: Schedule | None) -> None:
    """The survey for a person: the bands as a table, top band first; then what is to be minded."""
    from rich.console import Console
    from rich.table import Table

    console = Console()
    minutes = found.seconds / 60
    console.print(
        f"{Path(found.file).name}: {found.blocks} blocks, {found.layers} layers, {found.top:.2f} mm tall, "
        f"{found.filament_mm / 1000:.2f} m of filament, at least {minutes:.1f} min of motion",
        highlight=False,
    )
    if found.aside is not None:
        console.print(f"waits at X {found.aside[0]:g} Y {found.aside[1]:g}, clear of the part", highlight=False)
    if schedule is not None:
        table = Table(box=None, padding=(0, 1), header_style="dim")
        for name in (
            "band",
            "from mm",
            "setpoints",
            "layers",
            "first line",
            "filament mm",
            "motion min",
            "crossing there because",
        ):
            table.add_column(name, justify="left" if name in ("setpoints", "crossing there because") else "right")
        for row in reversed(found.rows):
            table.add_row(
                str(row.band), f"{row.from_mm:g}", setpoints(row.setpoints) or "the file's own", str(row.layers), str(row.line),
                f"{row.filament_mm:.0f}", f"{row.seconds / 60:.1f}", row.why_here,
            )  # fmt: skip
        console.print(table)
    for one in found.refusals:
        console.print(f"refused: {_where(one.line)}{one.what}: {one.todo}", highlight=False)
    for one in found.cautions:
        console.print(f"caution: {_where(one.line)}{one.what} ({one.todo})", highlight=False)


def _where(line: int) -> str:
    return f"line {line}: " if line else ""
