"""`demo`: the whole story in about a minute, on an emulated printer behind a real pseudo-terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from banderole.cli.say import CAUTION, complain, paragraph, say

QUICK: Final = 12.0
"""So many times faster than a printer: a tower of five minutes, with its heating, in less than a minute."""
FILES: Final = Path(__file__).resolve().parent.parent / "demo"


def register(app: typer.Typer) -> None:
    app.command("demo")(demo)


def demo(
    broker: Annotated[str | None, typer.Option("--broker", help="mqtt://HOST:PORT, to watch it over a broker")] = None,
    json: Annotated[bool, typer.Option("--json", help="the events, one JSON object a line")] = False,
) -> None:
    """The whole story on an emulated printer: survey, run with crossings, what each band got. No hardware needed.

    Example: banderole demo
    """
    from banderole.bench import Manners, PtyPrinter
    from banderole.cli.live import LiveView
    from banderole.cli.run_command import go, port_of, prepare
    from banderole.cli.safe_command import unproven
    from banderole.cli.survey_command import print_survey
    from banderole.plan.config import BrokerSettings, load_printer

    printer = load_printer(FILES / "printer.toml")
    if broker is not None:
        printer = printer.model_copy(update={"broker": BrokerSettings(url=broker)})
    with PtyPrinter(Manners(e_mode="apart").sped(QUICK)) as emulated:
        printer = printer.model_copy(update={"serial": printer.serial.model_copy(update={"port": emulated.path})})
        job, _ = prepare(FILES / "short-tower.gcode", FILES / "short-tower.toml", printer)
        if not json:
            say(f"An emulated printer on {emulated.path}, {QUICK:g} times faster than a real one.\n")
            print_survey(job.survey, job.schedule)
            say(f"\n{paragraph(CAUTION)}\n")
        view = LiveView(json=json)
        try:
            ended = go(job, port_of(printer), view, kept=False)
        finally:
            view.close()
    if ended.exit:
        complain(f"{ended.state}: {ended.reason}{unproven(ended)}")
    elif not json:
        say("\nThe same before a print of your own, with nothing sent anywhere:")
        say("  banderole survey FILE --schedule SCHEDULE --printer PRINTER")
    raise typer.Exit(ended.exit)
