"""`setup`: from nothing to a printer file that is proven on the machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final

import typer

from banderole.cli.errors import RefusedHere
from banderole.cli.say import complain, paragraph, say

CAUTION: Final = (
    "Stay with the printer, with a hand at its mains switch. Surfaces get hot, and axes move: hands off, bed clear, nothing "
    "near that can burn. Follow the maker's instructions. Nothing heats or moves before you say yes to it."
)
HEAT_LEAST, HEAT_MOST = 50.0, 120.0
"""°C that the step may go to: less shows too little, more is hot enough to do harm where nobody looks."""


def register(app: typer.Typer) -> None:
    app.command("setup")(setup)


def setup(
    port: Annotated[str | None, typer.Option("--port", help="the device, best by its stable name")] = None,
    baud: Annotated[int | None, typer.Option("--baud", min=1, help="bit/s; left out, it is found by trying")] = None,
    name: Annotated[str | None, typer.Option("--name", help="the printer's name: a-z, 0-9 and -")] = None,
    x: Annotated[str | None, typer.Option("--x", help="least,most that the nozzle can reach, mm")] = None,
    y: Annotated[str | None, typer.Option("--y", help="least,most, mm")] = None,
    z: Annotated[str | None, typer.Option("--z", help="least,most, mm")] = None,
    round_bed: Annotated[bool, typer.Option("--round", help="the volume is round")] = False,
    keep_out: Annotated[list[str] | None, typer.Option("--keep-out", help="x0,y0,x1,y1 of a clip or probe")] = None,
    aside: Annotated[str | None, typer.Option("--aside", help="where the nozzle waits: x,y or auto")] = None,
    nozzle_max: Annotated[
        float | None, typer.Option("--nozzle-max", help="°C that the nozzle may ever be asked for")
    ] = None,
    e_mode: Annotated[str | None, typer.Option("--e-mode", help="joined, apart or unknown")] = None,
    motors_off: Annotated[
        float | None, typer.Option("--motors-off", help="s without motion until motors are let go; 0 = never")
    ] = None,
    heat_to: Annotated[
        float, typer.Option("--heat-to", min=HEAT_LEAST, max=HEAT_MOST, help="°C of the heater step")
    ] = 60.0,
    out: Annotated[Path | None, typer.Option("--out", help="the file to write; else in your configuration")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="write over a file that is there")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="yes to all that heats, moves or restarts")] = False,
    yes_heat: Annotated[bool, typer.Option("--yes-heat", help="yes to the heater step")] = False,
    yes_move: Annotated[bool, typer.Option("--yes-move", help="yes to homing, the aside place, 0.2 mm of E")] = False,
    yes_restart: Annotated[bool, typer.Option("--yes-restart", help="yes to a restart by the DTR line")] = False,
    json: Annotated[bool, typer.Option("--json", help="what was found, as JSON; the rest goes to stderr")] = False,
) -> None:
    """Find out, ask, prove and write what a printer file needs. Nothing heats, moves or restarts without a yes.

    Example: banderole setup --port /dev/serial/by-id/usb-board-0001 --name my-printer --x 0,220 --y 0,220 --z 0,250
    --nozzle-max 250 --e-mode unknown --yes-heat
    """
    from banderole.cli.setup_answers import Given
    from banderole.cli.setup_flow import Flow

    given = Given(
        port=port, baud=baud, name=name, x=x, y=y, z=z, round=round_bed, keep_out=tuple(keep_out or ()), aside=aside,
        nozzle_max=nozzle_max, e_mode=e_mode, motors_off=motors_off, yes_move=yes or yes_move,
        yes_heat=yes or yes_heat, yes_restart=yes or yes_restart,
    )  # fmt: skip
    tell = complain if json else say
    flow = Flow(given, out, replace, heat_to, tell)
    flow.check_missing()
    tell(paragraph(CAUTION))
    found = _found(flow)
    if json:
        from banderole.link.encoding import to_json

        say(to_json(found).decode())


def _found(flow: Any) -> dict[str, Any]:
    """The whole flow, with the errors of ports as refusals."""
    from banderole.link.port import PortError

    try:
        found: dict[str, Any] = flow.go()
    except PortError as why:
        raise RefusedHere(str(why)) from why
    return found
