"""Going to the aside place, so that somebody can look at it: homed, up, across. Only ever after a yes."""

from __future__ import annotations

from typing import Final

from banderole_protocol import Problem

from banderole.plan.machine_tables import Volume
from banderole.setup.talk import NoPrinter, Talk

HOME_S: Final = 120.0
"""Longest homing; common practice, no source."""
MOVE_S: Final = 60.0
CLEARANCE: Final = 20.0
"""mm above the bed: over clips and the like, which `keep_out` is there for."""
ACROSS, UPWARD = 3000, 300
"""mm/min: slow enough to put a hand to the switch."""


def moves(volume: Volume, place: tuple[float, float]) -> list[bytes]:
    """Blocks after homing, in absolute millimetres; nothing leaves the volume. The place must be one it holds."""
    z = min(volume.z[1], max(volume.z[0], 0.0) + CLEARANCE)
    x, y = place
    return [b"G21", b"G90", b"G1 Z%.2f F%d" % (z, UPWARD), b"G1 X%.2f Y%.2f F%d" % (x, y, ACROSS)]


async def go_there(talk: Talk, volume: Volume, place: tuple[float, float]) -> None:
    """Home, and go to the place; done when it stands there. Raises NoPrinter.

    Homed each time: opening the port may have restarted the board.
    """
    for one in await talk.say(b"G28", HOME_S):
        if isinstance(one, Problem):
            raise NoPrinter(f"homing went wrong ({one.text}): nothing was moved after it; look at the printer")
    for block in moves(volume, place):
        await talk.say(block, MOVE_S)
    await talk.say(b"M400", MOVE_S)
