"""`survey`: what a file is, and what a schedule makes of it, without a printer."""

from __future__ import annotations

import json as json_
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole_protocol.modal import EMode

    from banderole.plan.band_finder import Answer
    from banderole.plan.schedule import Schedule
    from banderole.plan.survey import Survey

PLAIN_WIDTH = 110
"""Columns where no terminal tells its width: sentences stay lines that a person can read."""


def register(app: typer.Typer) -> None:
    app.command("survey", no_args_is_help=True)(survey)


def survey(
    file: Annotated[Path, typer.Argument(help="the plain tower, as exported")],
    schedule: Annotated[Path | None, typer.Option("--schedule", help="the schedule file")] = None,
    printer: Annotated[str | None, typer.Option("--printer", help="the printer file, or its name")] = None,
    find_bands: Annotated[
        bool, typer.Option("--find-bands", help="look for regular steps in the part's shape")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="all of it as JSON")] = False,
) -> None:
    """Read the file once: layers, bands, conflicts, cautions. Nothing is sent anywhere.

    Example: banderole survey tower.gcode --schedule nozzle.toml --printer bench-a
    """
    from banderole.cli.known_heaters import nozzle_of
    from banderole.plan.config import load_printer
    from banderole.plan.schedule import load_schedule
    from banderole.plan.survey import survey_file
    from banderole.run.foresight import foresee_settling

    settings = load_printer(printer) if printer is not None else None
    wanted = load_schedule(schedule, settings) if schedule is not None else None
    found = survey_file(file, wanted, settings)
    if wanted is not None and settings is not None:
        foresee_settling(found, wanted, nozzle_of(settings.name))
    stairs = _stairs(file, settings.firmware.e_mode if settings is not None else None) if find_bands else None
    if json:
        from banderole.cli.stairs_view import stairs_json

        more = {} if stairs is None else {"stairs": stairs_json(stairs)}
        print(json_.dumps(found.as_json() | more, ensure_ascii=False))
    else:
        print_survey(found, wanted)
        if stairs is not None:
            from banderole.cli.stairs_view import stairs_text

            print("\n" + stairs_text(stairs))
    if (refusal := found.refusal()) is not None:
        print(f"refused: {refusal}", file=sys.stderr)
        raise typer.Exit(3)


def _stairs(file: Path, e_mode: EMode | None) -> Answer:
    """A reading of its own: what is gathered of each layer would slow the survey of those who do not ask for it."""
    from banderole.plan.band_finder import find_stairs

    with file.open("rb") as opened:
        return find_stairs(opened, str(file), e_mode)


def print_survey(found: Survey, schedule: Schedule | None) -> None:
    """The survey for a person, as wide as the terminal; elsewhere as wide as its table."""
    from rich.console import Console

    from banderole.cli.survey_view import SurveyView

    console = Console()
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = PLAIN_WIDTH
    console.print(SurveyView(found, schedule))
