"""The trials of `setup` on the printer, each a conversation of its own: finding it, its manners, the place, the heater."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from banderole.cli.errors import RefusedHere
from banderole.cli.inquiry import Answers, Inquiry, NoPrinter
from banderole.cli.stage import Signals, signals
from banderole.link import latch
from banderole.plan.config import Printer
from banderole.plan.machine_tables import Volume
from banderole.plan.schedule import Schedule
from banderole.run.effects import Ended
from banderole.run.runner import Link, Runner
from banderole.setup import manners
from banderole.setup.heat_step import HeatStep
from banderole.setup.places_to_look import go_there
from banderole.setup.receive_buffer import Buffer
from banderole.setup.talk import Talk

BAUDS: Final = (115200, 250000, 1_000_000, 500_000, 230_400, 57_600)
"""bit/s, the usual ones first (common practice, no source)."""
ROUNDS: Final = 2
"""The first try at the right speed may fall into the board's boot, which its opening began."""
TRY_S: Final = 6.0
"""For one speed: the banner, and four greetings."""
READ_S: Final = 0.25
"""s between readings of the heater step: a small nozzle climbs the whole of it in four seconds."""
SHOW_S: Final = 5.0

Tell = Callable[[str], None]


@dataclass(slots=True)
class Manners:
    """What was tried; None: not tried, or not to be told."""

    reports: bool
    buffer: Buffer | None
    restarts: bool | None = None
    e_mode: str | None = None


async def find(line_at: Callable[[int], Link], name: str, baud: int | None, tell: Tell) -> tuple[int, Answers]:
    """The speed at which a printer answers, and what it says. Raises PortError, NoPrinter."""
    if baud is not None:
        return baud, await Inquiry(line_at(baud), name).ask()
    for _ in range(ROUNDS):
        for one in BAUDS:
            tell(f"trying {one} baud …")
            try:
                return one, await asyncio.wait_for(Inquiry(line_at(one), name).ask(), TRY_S)
            except (TimeoutError, NoPrinter):
                continue  # another speed
    raise NoPrinter(f"{name}: no printer answers at {', '.join(map(str, BAUDS))} baud; is it switched on?")


async def try_manners(line: Link, name: str, restart: bool, move_e: bool) -> Manners:
    """Everything that a cold board can be asked to show. Raises RefusedHere where it heats, PortError, NoPrinter."""
    async with Talk(line, name) as talk:
        readings = await talk.readings()
        for sensor in (readings.nozzle, readings.bed) if readings is not None else ():
            if sensor is not None and (sensor.target or 0.0) > 0.0:
                raise RefusedHere(
                    f"{name}: the printer is heating, so it may be at work; wait for its end, or switch its heaters off"
                )
        found = Manners(await manners.reports_itself(talk), await manners.receive_buffer(talk))
        if move_e:
            found.e_mode = await manners.e_mode(talk)
        if restart:
            found.restarts = await manners.restarts(talk)
        return found


async def look(line: Link, name: str, volume: Volume, place: tuple[float, float]) -> None:
    """Home, and go to the place. Raises PortError, NoPrinter."""
    async with Talk(line, name) as talk:
        await go_there(talk, volume, place)


class HeatMarks:
    """The marks of a heater step: a latched trip, and a printer that is to be made safe if we are cut off."""

    def __init__(self, name: str) -> None:
        self._name = name

    def latch(self, trip: dict[str, Any]) -> None:
        latch.write_latch(self._name, trip)

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        latch.write_unfinished(self._name, {"run": run, "prior": prior})  # no part: the bed stays as it is

    def finished(self, proven: bool) -> None:
        if proven:
            latch.clear_unfinished(self._name)


async def heat(line: Link, printer: Printer, step: HeatStep, tell: Tell) -> Ended:
    """The heater step with interlocks and ladder; Ctrl-C is an abort. Raises PortError."""
    thermal = printer.thermal.model_copy(update={"report_s": READ_S})
    runner = Runner(
        printer.model_copy(update={"thermal": thermal}), Schedule.empty(), None, line, HeatMarks(printer.name)
    )
    runner.outlets.thermal.append(_shown(tell))
    runner.outlets.event.append(lambda event: _told(event, tell))
    async with signals(Signals(runner.command, runner.leave)):
        return await runner.run(step.procedure)


def _shown(tell: Tell) -> Callable[[dict[str, Any]], None]:
    due = 0.0

    def show(reading: dict[str, Any]) -> None:
        nonlocal due
        now = asyncio.get_running_loop().time()
        if now >= due:
            due = now + SHOW_S
            tell(f"nozzle {reading['measured'].get('nozzle', 0.0):.1f} °C")

    return show


def _told(event: dict[str, Any], tell: Tell) -> None:
    match event["kind"]:
        case "caution" | "trip":
            tell(f"{event['kind']}: {event['text']}")
        case "setpoint_confirmed":
            tell(f"nozzle set to {event['value']:g} °C ({event['proof']})")
        case "make_safe" if "rung" in event:
            tell(f"making safe: {event['rung']}")
