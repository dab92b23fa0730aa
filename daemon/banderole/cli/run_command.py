"""`run`: one tower on one printer, from here. Nothing is sent before file, schedule, printer and marks are found sound; but a
run that never ended may have left heat on, and is made safe before all that."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from banderole.cli.errors import RefusedHere
from banderole.cli.say import CAUTION, complain, paragraph

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import BinaryIO

    from banderole.cli.stage import View
    from banderole.plan.config import Printer
    from banderole.plan.schedule import Schedule
    from banderole.run.effects import Ended
    from banderole.run.runner import Job, Link


def register(app: typer.Typer) -> None:
    app.command("run", no_args_is_help=True)(run)


def run(
    file: Annotated[Path, typer.Argument(help="the plain tower, as exported")],
    schedule: Annotated[Path, typer.Option("--schedule", help="the schedule file")],
    printer: Annotated[str, typer.Option("--printer", help="the printer file, or its name")],
    port: Annotated[str | None, typer.Option("--port", help="another serial device than the printer file's")] = None,
    baud: Annotated[int | None, typer.Option("--baud", help="another speed than the printer file's")] = None,
    bed_clear: Annotated[bool, typer.Option("--bed-clear", help="somebody has seen that the bed is clear")] = False,
    json: Annotated[bool, typer.Option("--json", help="the events, one JSON object a line")] = False,
) -> None:
    """One run in the foreground: survey, start, to the end.

    Example: banderole run tower.gcode --schedule nozzle.toml --printer bench-a
    """
    from banderole.cli.live import LiveView
    from banderole.cli.output import Output
    from banderole.cli.safe_command import nobody_holds, unproven

    settings = with_port(printer, port, baud)
    nobody_holds(settings.name)
    finish_unfinished(settings)
    job, _ = prepare(file, schedule, settings)
    check_marks(settings.name, bed_clear)
    output = Output()
    if not json:
        output.write(
            f"{paragraph(CAUTION)}\n"
        )  # not by print: a stalled reader must not keep a run from its first line either
    view = LiveView(json=json, output=output)
    try:
        ended = go(job, port_of(settings), view)
    finally:
        view.close()
    if ended.exit:
        complain(f"{ended.state}: {ended.reason}{unproven(ended)}")
    raise typer.Exit(ended.exit)


def with_port(printer: str, port: str | None, baud: int | None) -> Printer:
    """The printer file, with what the command line says of the port."""
    from banderole.plan.config import load_printer

    settings = load_printer(printer)
    changed = {**({"port": port} if port else {}), **({"baud": baud} if baud else {})}
    if not changed:
        return settings
    return settings.model_copy(update={"serial": settings.serial.model_copy(update=changed)})


def prepare(file: Path, schedule: Path, printer: Printer) -> tuple[Job, Printer]:
    """Open, survey, hold against the printer. Raises InputError, or RefusedHere with the survey's first refusal."""
    from banderole.plan.refusal import InputError
    from banderole.plan.schedule import load_schedule

    wanted = load_schedule(schedule, printer)
    try:
        opened = open(file, "rb")  # noqa: SIM115 - it stays open as long as the run
    except OSError as why:
        reason = "there is no such file" if isinstance(why, FileNotFoundError) else (why.strerror or str(why))
        raise InputError(f"the G-code file cannot be read: {reason}", str(file), "check the name") from why
    try:
        return prepared(opened, str(file), wanted, printer), printer
    except BaseException:
        opened.close()
        raise


def prepared(opened: BinaryIO, name: str, wanted: Schedule, printer: Printer, reading: BinaryIO | None = None) -> Job:
    """Surveyed from its start, through `reading` if given, and held against the printer. Raises as `prepare`."""
    from banderole.plan.survey import survey
    from banderole.run.runner import Job

    found = survey(reading or opened, name, wanted, printer)
    if (refusal := found.refusal()) is not None:
        raise RefusedHere(refusal)
    opened.seek(0)
    return Job(opened, name, wanted, printer, found)


def check_marks(name: str, bed_clear: bool) -> None:
    """A latched trip, or a part on the bed, refuses a run."""
    from banderole.cli.marks import latched, part_on_bed
    from banderole.link import latch

    if (trip := latched(name)) is not None:
        raise RefusedHere(trip)
    bed = latch.read_bed(name)
    if bed is None or bed_clear:
        latch.clear_bed(name)
        return
    if not sys.stdin.isatty() or not typer.confirm(
        f"Run {bed.get('run')} left a part on the bed. Is the bed clear now?"
    ):
        raise RefusedHere(part_on_bed(name) or "look at the bed, then say --bed-clear")
    latch.clear_bed(name)


def finish_unfinished(printer: Printer) -> None:
    """A run that never ended: heat off and its values put back, before anything else is looked at, be it a latched trip."""
    from banderole.cli.journaling import left_unfinished
    from banderole.cli.safe_command import safe

    unfinished = left_unfinished(printer.name)
    if unfinished is None:
        return
    complain(f"run {unfinished.get('run')} never ended: making the printer safe first")
    prior = unfinished.get("prior")
    ended, _ = safe(printer, prior if isinstance(prior, dict) else {})
    if not ended.proven:
        raise RefusedHere(
            f"the printer could not be made safe after run {unfinished.get('run')}: switch it off at the mains"
        )


def port_of(printer: Printer) -> Link:
    """The serial port, or the emulated printer."""
    if printer.serial.port == "emulated":
        from banderole.bench import Manners, MemoryPort
        from banderole.link.port import PortAbsent

        board = Manners(
            baud=printer.serial.baud,
            receive_bytes=printer.serial.receive_bytes,
            e_mode=printer.firmware.e_mode or "joined",
            idle_release_s=printer.firmware.idle_release_s,
        )
        return MemoryPort(board, absent=PortAbsent)
    from banderole.link.port import SerialPort

    return SerialPort(printer.serial.port, printer.serial.baud)


def go(job: Job, port: Link, view: View, kept: bool = True) -> Ended:
    """The run, in an event loop of its own."""
    import asyncio

    from banderole.cli.stage import perform
    from banderole.link.local_socket import NameInUse
    from banderole.link.port import PortError

    try:
        return asyncio.run(perform(job, port, view, kept))
    except (PortError, NameInUse) as why:
        raise RefusedHere(str(why)) from why
