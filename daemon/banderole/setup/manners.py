"""What a board does and does not, tried on it while it is cold. Each trial is harmless, and says so where it is not.

Moves are for whoever has had a yes to them: `e_mode` moves filament back by two tenths of a millimetre at most.
"""

from __future__ import annotations

from typing import Final, Literal

from banderole_protocol import Banner, Ok, Position, Refusal, Report, Resend

from banderole.setup.receive_buffer import LENGTHS, Buffer, Taken, burst, reckon
from banderole.setup.talk import NoPrinter, Talk

REPORTS_S: Final = 2.6
"""Two reports come within it, if they come each second."""
DWELL_MS: Final = 1000
"""Longer than a burst is on its way, also at 57600 baud: 0.3 s."""
UNDER_WAY_S: Final = 0.2
"""After the dwell was sent, until the board has begun it and its queue is empty."""
BURST_S: Final = 1.2
"""After the dwell: what the board then says of some dozen lines, 4 kB, takes 0.7 s at 57600 baud."""
RESTART_S: Final = 12.0
"""Slow boards boot for ten seconds (common practice, no source)."""
BACK: Final = 0.1
"""mm of filament: ten times what reports show, and less than the play of a drive wheel."""
MOVE_S: Final = 10.0


async def reports_itself(talk: Talk) -> bool:
    """Do readings come by themselves, once asked for (M155 S1)? Put off again."""
    await talk.say(b"M155 S1")
    talk.heard.clear()
    await talk.quiet(REPORTS_S)
    came = sum(isinstance(one, Report) for one in talk.heard)
    await talk.say(b"M155 S0")
    return came >= 2


async def receive_buffer(talk: Talk) -> Buffer | None:
    """Measured by what it loses; None where nothing is lost (flow control, a large buffer) or it cannot be told."""
    taken: list[Taken] = []
    for length in LENGTHS:
        if not taken and not await _takes_padding(talk, length):
            return None
        lines = burst(talk.next_number + 1, length)
        heard = await talk.burst(b"G4 P%d" % DWELL_MS, lines, UNDER_WAY_S, DWELL_MS / 1000, BURST_S)
        count = -1  # the dwell's own
        for one in heard:
            if isinstance(one, Resend | Refusal):
                break
            count += isinstance(one, Ok)
        await talk.greet()
        if 0 <= count < len(lines):
            taken.append(Taken(tuple(map(len, lines)), count))
        elif count == len(lines) and not taken:
            return None  # the shortest lines are lost last of all in bytes: nothing will be lost
    return reckon(taken)


async def _takes_padding(talk: Talk, length: int) -> bool:
    """Are blanks before the checksum counted, as the convention has it? One padded line, alone."""
    padded = b"M105" + b" " * (length - 10)
    try:
        await talk.say(padded)
    except NoPrinter:
        await talk.greet()
        return False
    return True


async def restarts(talk: Talk) -> bool:
    """Does a pulse on DTR restart the board? Its banner says so; greeted anew afterwards."""
    talk.pulse_dtr()
    came = await talk.wait(lambda: any(isinstance(one, Banner) for one in talk.heard), RESTART_S / 3)
    await talk.greet(RESTART_S)
    return came


async def e_mode(talk: Talk) -> Literal["joined", "apart"] | None:
    """Do G90 and G91 set the E axis too? None where the board does not show it.

    E is told to be at 0.1 and sent to 0. After M82 that moves it back (if not, the board refuses cold moves or shows no E,
    and nothing can be told). After M83 and then G90 it moves where G90 has set E too, and stays where it has not.
    """
    if not await _goes_to_zero(talk, b"M82"):
        return None
    try:
        return "joined" if await _goes_to_zero(talk, b"M83", b"G90") else "apart"
    finally:
        for block in (b"M82", b"G92 E0"):
            await talk.say(block)


async def _goes_to_zero(talk: Talk, *modes: bytes) -> bool | None:
    """Does E go to 0 from 0.1, in this mode? None where it is not shown."""
    for block in (b"G21", *modes, b"G92 E%.1f" % BACK):
        await talk.say(block)
    before = await _e(talk)
    if before is None or abs(before - BACK) > BACK / 4:
        return None
    await talk.say(b"G1 E0 F60", MOVE_S)
    await talk.say(b"M400", MOVE_S)
    after = await _e(talk)
    return None if after is None else abs(after) < BACK / 4


async def _e(talk: Talk) -> float | None:
    await talk.say(b"M114")
    await talk.wait(lambda: _position(talk) is not None, 0.2)
    position = _position(talk)
    return None if position is None else position.e


def _position(talk: Talk) -> Position | None:
    for one in talk.heard:
        if isinstance(one, Position):
            return one
        if isinstance(one, Ok) and one.position is not None:
            return one.position
    return None
