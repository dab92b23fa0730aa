"""`rehearse`: a whole run against an emulated printer in virtual time; hours in seconds, and nothing outside is touched."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from banderole.cli.say import complain, say

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.bench import Manners
    from banderole.plan.config import Printer
    from banderole.rehearsal import Stage
    from banderole.run.effects import Ended
    from banderole.run.runner import Job


def register(app: typer.Typer) -> None:
    app.command("rehearse", no_args_is_help=True)(rehearse)


def rehearse(
    file: Annotated[Path, typer.Argument(help="the plain tower, as exported")],
    schedule: Annotated[Path, typer.Option("--schedule", help="the schedule file")],
    printer: Annotated[str | None, typer.Option("--printer", help="the printer file, or its name")] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option("--fault", metavar="NAME@WHEN", help="T3@600s: after so many s; S1@120: after so many commands"),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="an option of the emulated board: nozzle.tau=90, seed=2"),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="the events, one JSON object a line")] = False,
) -> None:
    """The whole run, on an emulated printer in virtual time: the survey, what would happen and when, what each band got.

    Without --printer: 220 x 220 x 250 mm, nozzle to 300, bed to 120 degrees C, 115200 bit/s, a window of 96 bytes. With it,
    the emulated board has that printer's line, mode of E and limits; its heaters are common ones all the same (--set).

    No serial port is opened, and nothing is written: no journal, no mark, no socket. A hold that was planned is resumed
    after a minute, any other is stopped. Exit codes as of `run`.

    Example: banderole rehearse tower.gcode --schedule nozzle.toml --printer bench-a --fault T3@600s
    """
    from banderole.cli.rehearsed_view import MARK
    from banderole.cli.run_command import prepare
    from banderole.cli.safe_command import unproven
    from banderole.plan.config import load_printer
    from banderole.rehearsal import some_printer

    settings = load_printer(printer) if printer is not None else some_printer()
    board = _board(settings, fault or [], set_ or [])
    job, _ = prepare(file, schedule, settings)
    with job.file:
        ended = _rehearsed(job, settings, board, json, printer is None)
    if ended.exit:
        complain(f"{ended.state}: {ended.reason}{unproven(ended)} ({MARK})")
    raise typer.Exit(ended.exit)


def _board(printer: Printer, faults: list[str], settings: list[str]) -> Manners:
    """Raises BadParameter where a fault or an option is none."""
    from banderole.rehearsal import board_for

    try:
        return board_for(printer, faults, ["log_limit=0", *settings])  # nobody looks at what it really did
    except ValueError as why:
        raise typer.BadParameter(str(why)) from why


def _rehearsed(job: Job, printer: Printer, board: Manners, json: bool, some: bool) -> Ended:
    """The survey, the run, what each band got. Raises KeyboardInterrupt at Ctrl-C: nothing is to be made safe."""
    from banderole.cli.rehearsed_view import MARK, RehearsedView, moment
    from banderole.cli.survey_command import print_survey
    from banderole.rehearsal import Stage, StandIn
    from banderole.rehearsal.boards import SAID

    stage = Stage(printer, board, seed=board.seed)
    try:
        if json:
            complain(f"{MARK}: times are virtual, from the year 2000 on")
        else:
            print_survey(job.survey, job.schedule)
            which = f" ({SAID})" if some else ""
            say(f"\nOn an emulated printer{which}, in its own time; {MARK}:\n")
        view = RehearsedView(stage, json)
        StandIn(stage)
        ended = _run(stage, job)
        if not json:
            say("")
            view.close()
            say(f"\n{ended.state} after {moment(stage.now)} of the printer's time; {MARK}")
        return ended
    finally:
        stage.close()


def _run(stage: Stage, job: Job) -> Ended:
    import signal

    stage.loop.add_signal_handler(signal.SIGINT, stage.crash)
    ended = stage.run(job)
    if ended is None:
        raise KeyboardInterrupt
    return ended
