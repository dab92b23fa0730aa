"""`ports` and `identify`: what is plugged in, and what a printer says of itself."""

from __future__ import annotations

from typing import Annotated

import typer

from banderole.cli.say import clean, complain, say
from banderole.link.encoding import to_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.cli.inquiry import Answers

WARNING = "opening a port restarts some boards: not with a printer at work"


def register(app: typer.Typer) -> None:
    app.command("ports")(ports)
    app.command("identify", no_args_is_help=True)(identify)


def ports(json: Annotated[bool, typer.Option("--json", help="as JSON")] = False) -> None:
    """Serial devices by stable name; none of them is opened.

    Example: banderole ports
    """
    from dataclasses import asdict

    from banderole.link.ports import list_ports

    found = list_ports()
    if json:
        say(to_json([asdict(port) for port in found]).decode())
        return
    if not found:
        say("no serial device is plugged in")
    for port in found:
        mark = "" if port.stable else "  (this name may change when it is plugged in again)"
        parts = [port.name] + ([port.device] if port.device != port.name else []) + [clean(port.description)]
        say("  ".join(part for part in parts if part) + mark)


def identify(
    port: Annotated[str, typer.Option("--port", help="the device, best by its stable name")],
    baud: Annotated[int, typer.Option("--baud", min=1, help="bit/s")] = 115200,
    json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """What a printer says of itself. Nothing is heated, moved or set.

    Example: banderole identify --port /dev/serial/by-id/usb-board-0001
    """
    import asyncio

    from banderole.cli.inquiry import Inquiry
    from banderole.link.port import SerialPort

    complain(WARNING)
    answers = asyncio.run(Inquiry(SerialPort(port, baud), port).ask())
    if json:
        say(to_json({"port": port, "baud": baud, **answers.as_json()}).decode())
        return
    for line in lines_of(answers):
        say(line)


def lines_of(answers: Answers) -> list[str]:
    """The answers for a person."""
    lines = [f"{key}: {value}" for key, value in answers.identity.items()]
    if not lines:
        lines = ["it takes numbered lines, but does not say who it is"]
    can = [name for name, able in answers.capabilities.items() if able]
    cannot = [name for name, able in answers.capabilities.items() if not able]
    lines += [f"can: {', '.join(can)}"] * bool(can) + [f"cannot: {', '.join(cannot)}"] * bool(cannot)
    if answers.measured:
        lines.append(
            "temperatures: " + ", ".join(f"{heater} {value:.1f} °C" for heater, value in answers.measured.items())
        )
    else:
        lines.append("temperatures: none came; a run would be refused")
    if manner := answers.manner.sentence():
        lines.append(f"answers: {manner}")
    return lines + (["the board restarted when its port was opened"] if answers.restarted else [])
