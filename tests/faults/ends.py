"""How a run in virtual time may end, each end judged by what the emulated printer did."""

from __future__ import annotations

import re
from typing import Any

from banderole.plan.config import Printer
from banderole.rehearsal import some_printer

from tests.rehearsal.acts import Act, moment
from tests.support.towers import BANDS, LAYER, STEPS, TOLERANCE


def printer(window: int = 96, **more: Any) -> Printer:
    data = some_printer().model_dump(exclude_none=True)
    data["serial"]["window_bytes"] = window
    for key, value in more.items():
        table, _, name = key.partition("__")
        data[table][name] = value
    return Printer.model_validate(data)


def finishes(play: Act) -> None:
    """To the end, and every command of the file carried out once, in its order, in its band."""
    ended = play.stage.run(play.job)
    assert ended is not None
    assert (ended.state, ended.exit, ended.proven) == ("Complete", 0, True), ended.reason
    play.verdict().all_of_it(LAYER, STEPS, BANDS, TOLERANCE)
    told = play.events[-1]["blocks_sha256"]
    assert told["file"] == told["acknowledged"]


def trips(play: Act, *alarms: str, proven: bool = True, as_sent: bool = True) -> dict[str, Any]:
    """Heat off, proven, latched, with one of these as the first cause; nothing of the file after it. Returns the trip.

    `as_sent`: until then the printer carried out what the file has; not so where a line was falsified past its checksum.
    """
    ended = play.stage.run(play.job)
    assert ended is not None
    assert (ended.state, ended.exit, ended.proven) == ("Aborted", 5, proven), ended.reason
    trip = play.of("trip")[0]
    assert trip["alarm"] in alarms, trip
    assert trip["first_out"]
    assert play.events[-1]["first_out"] == trip["alarm"]
    assert play.stage.marks.latched is not None
    assert play.stage.marks.latched["alarm"] == trip["alarm"]
    assert not file_after(play, moment(trip))
    heat_is_off(play)
    if as_sent:
        judged = play.verdict(whole=False)
        judged.same_part()
        judged.travel_clear()
    return trip


def lost(play: Act, kind: str) -> dict[str, Any]:
    """Aborted, exit 6, never resumed: making safe was tried. Returns the event that says so."""
    ended = play.stage.run(play.job)
    assert ended is not None
    assert (ended.state, ended.exit) == ("Aborted", 6), ended.reason
    said = play.of(kind)[0]
    assert not file_after(play, moment(said))
    heat_is_off(play)
    return said


def file_after(play: Act, since: float) -> list[str]:
    """What was written after a moment and makes the machine go on: heat, or a motion that lays anything down."""
    texts = [line for at, data in play.wire if at > since + 0.01 for line in data.decode().splitlines()]
    return [text for text in texts if re.search(r"M10[49] S[1-9]|M1[49]0 S[1-9]|G[01] [^E]*[XY].*E[\d.]", text)]


def heat_is_off(play: Act) -> None:
    """Whatever the run believes."""
    machine = play.stage.board.machine
    assert [heater.target for heater in (*machine.nozzles, machine.bed)] == [0.0] * (len(machine.nozzles) + 1)
