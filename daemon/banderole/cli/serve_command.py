"""`serve`: the daemon of one printer, until a signal."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from banderole.cli.errors import RefusedHere

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from banderole.cli.output import Output
    from banderole.plan.config import Printer


def register(app: typer.Typer) -> None:
    app.command("serve", no_args_is_help=True)(serve)


def serve(printer: Annotated[str, typer.Option("--printer", help="the printer file, or its name")]) -> None:
    """The daemon: Idle until a run is handed over by `start`, run after run, until a signal. A run that never
    ended is made safe first; nothing heats by itself. SIGTERM and Ctrl-C abort a run that is under way, then leave.

    Example: banderole serve --printer bench-a
    """
    import asyncio
    import faulthandler

    from banderole.cli.output import Output
    from banderole.link.local_socket import NameInUse
    from banderole.plan.config import load_printer

    settings = load_printer(printer)
    if sys.stderr is not None:
        faulthandler.enable()  # a watchdog that ends a stuck daemon does so by SIGABRT: the log then says where it stood
    output = Output()
    try:
        code = asyncio.run(_serve(settings, output))
    except NameInUse as why:
        raise RefusedHere(str(why)) from why
    finally:
        output.finish()
    raise typer.Exit(code)


async def _serve(settings: Printer, output: Output) -> int:
    from banderole.cli.daemon import Daemon
    from banderole.cli.run_command import port_of
    from banderole.cli.say import CAUTION, paragraph
    from banderole.cli.stage import Signals, outlets_of, signals
    from banderole.cli.status_lines import line_of
    from banderole.link.service import attendant, beside

    service = attendant()
    daemon = Daemon(settings, port_of, lambda event: _write(output, event), service)
    async with (
        outlets_of(daemon, service.rounds) as outlets,
        signals(Signals(daemon.signalled, daemon.leave)),
        beside(service.attend(lambda: line_of(daemon.status())), "service"),
    ):
        output.write(f"{paragraph(CAUTION)}\n")
        output.write(f"serving {settings.name}: banderole start FILE --schedule SCHEDULE --to {settings.name}\n")
        return await daemon.live(outlets)


def _write(output: Output, event: dict[str, Any]) -> None:
    """A line for whoever reads the daemon's output (the system's journal, mostly): what an event says to a person."""
    from banderole.cli.sentences import line_of

    said = line_of(event)
    if said is not None:
        output.write(f"{said}\n")
