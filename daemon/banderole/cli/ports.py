"""`ports` and `identify`: what is plugged in, and what a printer says of itself."""

from __future__ import annotations

import json as json_
import sys
from typing import Annotated

import typer

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from banderole.plan.config import Printer

WARNING = "opening a port restarts some boards: do not do it to a printer at work"


def register(app: typer.Typer) -> None:
    app.command("ports")(ports)
    app.command("identify", no_args_is_help=True)(identify)


def ports(json: Annotated[bool, typer.Option("--json", help="as JSON")] = False) -> None:
    """Serial devices by stable name; none of them is opened.

    Example: banderole ports
    """
    from banderole.link.ports import list_ports

    found = list_ports()
    if json:
        print(
            json_.dumps(
                [{"name": p.name, "device": p.device, "description": p.description, "stable": p.stable} for p in found]
            )
        )
        return
    if not found:
        print("no serial device is plugged in")
    for port in found:
        mark = "" if port.stable else "  (this name may change when it is plugged in again)"
        print(f"{port.name}  {port.device}  {port.description}{mark}")


def identify(
    port: Annotated[str, typer.Option("--port", help="the device, best by its stable name")],
    baud: Annotated[int, typer.Option("--baud", help="bit/s")] = 115200,
    json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """What a printer says of itself. Until it answers properly nothing but M110 and M115 is sent.

    Example: banderole identify --port /dev/serial/by-id/usb-board-0001
    """
    import asyncio

    from banderole.cli.run_command import RefusedHere
    from banderole.link.port import PortError, SerialPort

    print(WARNING, file=sys.stderr)
    printer = _unknown(port, baud)
    try:
        said = asyncio.run(_ask(printer, SerialPort(port, baud)))
    except PortError as why:
        raise RefusedHere(str(why)) from why
    if json:
        print(json_.dumps(said, ensure_ascii=False))
        return
    for key, value in said["identity"].items():
        print(f"{key}: {value}")
    for name, able in said["capabilities"].items():
        print(f"{name}: {'yes' if able else 'no'}")
    for heater, value in said["measured"].items():
        print(f"{heater} now {value:.1f} °C")


def _unknown(port: str, baud: int) -> Printer:
    """A printer of which nothing is known: nothing may be asked of it."""
    from banderole.plan.config import Printer

    return Printer.model_validate(
        {"name": "unknown", "serial": {"port": port, "baud": baud}, "limits": {"nozzle": (0, 200)},
         "volume": {"x": (0, 1), "y": (0, 1), "z": (0, 1)}}
    )  # fmt: skip


async def _ask(printer: Printer, port: Any) -> dict[str, Any]:
    from banderole.cli.run_command import RefusedHere
    from banderole.cli.stage import Unkept
    from banderole.plan.schedule import Schedule
    from banderole.run import whole_run
    from banderole.run.runner import Runner

    runner = Runner(printer, Schedule.empty(), None, port, Unkept())
    ended = await runner.run(whole_run.identify)
    if ended.exit:
        raise RefusedHere(ended.reason)
    engine = runner.engine
    return {"identity": engine.identity, "capabilities": engine.capabilities, "measured": dict(engine.watch.measured)}
