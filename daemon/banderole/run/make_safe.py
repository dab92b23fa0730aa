"""Making safe, rung by rung: heat off, and seen to be off. Unproven is never called safe.

in line → break a wait of the printer's own (M108) → its emergency stop (M112) → restart it (DTR) → close the port and open
it again by its stable name → "switch off at the mains". Each rung has a bound, all of them together 60 s; only where the
printer sits in a wait that cannot be broken, and readings still come, the heat-off queued behind it is waited for longer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from banderole_protocol.channels import setpoint_block
from banderole_protocol.replies import Fatal, Report
from banderole_protocol.state import LinkState

from banderole.run.effects import Notify, Ours, PortLost, PortOpened, PulseDtr, Raw, Reopen
from banderole.run.heat_watch import WARM
from banderole.run.steps import Procedure, Tripped, Waiting, bounded, send, set_factor
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

PROOF_S: Final = 20.0
"""From the moment the printer took the heat-off: a heater cut off at full power still climbs for some seconds."""
COMING_DOWN_C: Final = 1.0
"""Sensor noise: a reading may stand this far above the one at the command and count as not risen. What is hot must be seen
this far below it: a plate that is stuck on climbs by less in three readings."""
SEEN_S: Final = 15.0
"""A hot heater that loses so little that it has not come down by then (a thick plate) is held to half of that above; by
then one that is stuck on has climbed further. What an interlock found too hot is not let off."""
CLIMBS_C: Final = 10.0
"""What a heater cut off at full power may still climb on a later rung, from the first heat-off on: its dead time at some
degrees a second (common practice, no source). One that climbs further is stuck on, however steady it reads by then."""
LADDER_S: Final = 60.0
"""All rungs together; a heat-off queued behind a wait of the printer's own, with readings coming, stops this clock."""
FRESH_S: Final = 2.0
"""A reading older than this says where a heater was, not where it is."""
SAID_S: Final = 1.0
"""The window knows of a broken conversation before its event is heard: the events of one piece come in turn."""
READINGS: Final = 3
"""In a row: one reading may be of before, two may be noise."""
APART: Final = 0.8
"""Of `report_s`: nearer to the one before, a reading is no other one. Replies may be doubled, and several requests be out; a
heater that is stuck on needs time to show it."""
DEAF_S: Final = 5.0
"""Nothing heard for so long after a heat-off: the next rung. Firmware says something each second or two."""
QUEUED_S: Final = 900.0
"""Longest wait, while readings come, for a heat-off that stands behind a wait of the printer's own."""
BREAK_S: Final = 8.0
STOP_S: Final = 2.0
GREET_S: Final = 8.0
"""A board that restarts needs some seconds until it answers (common practice, no source)."""
REOPEN_S: Final = 12.0
"""A USB device that comes back needs a few seconds until its stable name is there again."""
RESTORE_S: Final = 15.0
"""For putting values back; heat is off by then, so it may not hold anything up for long."""
FAN_S: Final = 60.0
COOL: Final = 60.0
"""°C, or so many seconds: what a part fan still runs for after an abort, so that no filament bakes in the nozzle."""
MAINS: Final = "heat could not be proven off: switch the printer off at the mains, and do not leave it"


@dataclass(frozen=True, slots=True)
class Cause:
    """Why the machine is made safe. `exit` as in the contract; `deaf`: the firmware has stopped or restarted."""

    exit: int
    reason: str
    alarm: str | None = None
    deaf: bool = False
    emergency: bool = False


def heat_off(e: Engine) -> list[bytes]:
    """Heat off, for every tool that was heard of; the active one first."""
    blocks = [setpoint_block("nozzle", 0.0), setpoint_block("bed", 0.0)]
    if e.watch.tools > 1:
        blocks += [b"M104 T%d S0" % tool for tool in range(e.watch.tools)]
    if e.watch.chamber:
        blocks.append(b"M141 S0")
    return blocks


def make_safe(e: Engine, cause: Cause) -> Waiting[bool]:
    """Climb the ladder until heat is proven off. Returns whether it was."""
    e.phase = "making safe"
    e.polling = True  # the proof lives on readings
    e.ladder_until = e.now + LADDER_S
    e.at_heat_off = {heater: _or_middle(e, heater) for heater in e.watch.measured}
    proven = False
    if cause.emergency and not e.port_gone:  # M112 is out already; where it is not understood, heat goes off in line
        for block in heat_off(e):
            e.window.urgent(block, Ours(block, "heat_off"))
    if not cause.emergency and not e.port_gone and e.window.state is not LinkState.BROKEN:
        proven = yield from _rung(e, "in line", _in_line(e, lift=not cause.deaf))
    if not proven and e.capable("EMERGENCY_PARSER") and not e.port_gone and not cause.emergency and not cause.deaf:
        e.effect(Raw(b"M108\n"))
        proven = yield from _rung(e, "break the wait", _in_line(e, lift=False, limit_s=BREAK_S))
    if not proven and not e.port_gone and e.window.state is LinkState.BROKEN:
        proven = yield from _rung(e, "greet anew", _greeted(e, unless_stopped=True))
    if not proven and not e.port_gone:
        if not cause.emergency:
            e.effect(Raw(b"M112\n"))
        yield from _rung(e, "emergency stop", _pass(e, STOP_S))
        e.effect(PulseDtr())
        proven = yield from _rung(e, "restart", _greeted(e))
    if not proven:
        proven = yield from _rung(e, "open the port anew", _reopened(e))
    if not proven:
        e.caution("mains", MAINS)
    e.notify("make_safe", proven=proven, measured=dict(e.watch.measured), reason=cause.reason)
    return proven


def _rung(e: Engine, name: str, climb: Waiting[bool]) -> Waiting[bool]:
    """One rung, within what is left of the ladder's time. Returns whether heat is proven off."""
    e.rung = name
    e.effect(Notify("make_safe", {"rung": name}))
    try:
        next(climb)
        while e.now < e.ladder_until:
            heard = yield
            climb.send(heard)
    except StopIteration as done:
        return bool(done.value)
    climb.close()
    return False


def _pass(e: Engine, seconds: float) -> Waiting[bool]:
    until = e.now + seconds
    while e.now < until:
        yield
    return False


def _in_line(e: Engine, lift: bool, limit_s: float = PROOF_S) -> Waiting[bool]:
    """Heat off as the next lines; then lift off the part while still molten; then the proof."""
    orders = [Ours(block, "heat_off") for block in heat_off(e)]
    for order in orders:
        e.window.urgent(order.block, order)
    if not (yield from _taken(e, orders, limit_s)):
        return False
    first = not e.heat_off_taken
    if first:
        # It may have stood behind a command that lasts, and the heaters have been heating till then.
        e.heat_off_taken, e.at_heat_off = True, {heater: _or_middle(e, heater) for heater in _read_lately(e)}
    at_command = _at_command(e)
    if lift:
        e.lift_off_the_part()
    return (yield from _proof(e, at_command, max(limit_s, SEEN_S + 3 * e.printer.thermal.report_s), first))


def _at_command(e: Engine) -> dict[str, float]:
    """What the readings may not exceed: those of now. One from before the port was gone is not of now, and is left out."""
    most = _most(e)
    return {heater: min(most[heater], _now(e, heater)) for heater in _read_lately(e)}


def _read_lately(e: Engine) -> list[str]:
    """Heaters whose reading says where they are."""
    since = e.now - max(FRESH_S, 3 * e.printer.thermal.report_s)
    return [heater for heater, at in e.watch.read_at.items() if at >= since]


def _now(e: Engine, heater: str) -> float:
    """What it reads, °C: not held against one reading that is low by its noise, or a slow one would not be seen to come down.

    A cold one comes down no further.
    """
    return _or_middle(e, heater) if e.watch.measured[heater] > WARM else e.watch.highest_lately(heater)


def _or_middle(e: Engine, heater: str) -> float:
    """What it reads, °C, or the middle one of the last few where that is higher: a reading may have lost a digit on its way."""
    return max(e.watch.measured[heater], e.watch.middle_lately(heater))


def _most(e: Engine) -> dict[str, float]:
    """On a later rung: not much more than at the first heat-off."""
    climbs = {heater: 0.0 if e.watch.too_hot(heater) else CLIMBS_C for heater in e.watch.measured}
    return {heater: e.at_heat_off.get(heater, now) + climbs[heater] for heater, now in e.watch.measured.items()}


def _taken(e: Engine, orders: list[Ours], limit_s: float) -> Waiting[bool]:
    """Has the printer taken the heat-off? While readings come, it may stand behind a wait of the printer's own."""
    began, queued_told = e.now, False
    heard_at, readings = e.now, e.watch.readings
    while not all(order.taken for order in orders):
        heard = yield
        if isinstance(heard, PortLost) or e.window.state is LinkState.BROKEN:
            return False
        if e.watch.heard_at > heard_at:
            heard_at = e.watch.heard_at
        if e.now - heard_at > DEAF_S or e.now - began > QUEUED_S:
            return False
        if e.now - began > limit_s:
            if e.watch.readings == readings or e.capable("EMERGENCY_PARSER"):
                return False
            e.ladder_until = e.now + LADDER_S
            if not queued_told:
                queued_told = True
                e.caution("queued", "the heat-off stands queued behind a wait of the printer's own; waiting for it")
    return True


def _proof(e: Engine, at_command: dict[str, float], limit_s: float, first: bool) -> Waiting[bool]:
    """Every target 0, no power where it is reported, and readings in a row that do not stand above the one before.

    `first`: of the first heat-off, from which on it is told how far a heater may climb by itself.
    """
    began, good = e.now, 0
    apart, counted_at = APART * e.printer.thermal.report_s, -math.inf
    peak: dict[str, float] = {}
    lowest: dict[str, float] = {}
    e.window.ask_temperatures()
    while e.now - began < limit_s or (e.now - began < 2 * limit_s and _stands(e, at_command, peak)):
        heard = yield
        if isinstance(heard, PortLost) or e.window.state is LinkState.BROKEN:
            return False
        if isinstance(heard, Report):
            for heater, measured in e.watch.measured.items():  # nothing read at the command: the first after it counts
                known = e.at_heat_off.setdefault(heater, measured)
                if first and e.now - began <= FRESH_S:  # the last one before may be seconds old, of full power
                    e.at_heat_off[heater] = max(known, measured)
                at_command.setdefault(heater, min(_most(e)[heater], measured))
                middle = e.watch.middle_lately(heater)
                peak[heater] = max(peak.get(heater, -math.inf), middle)
                lowest[heater] = min(lowest.get(heater, math.inf), middle)
            first = False
            if not _is_off(e, at_command, peak, e.now - began) or _climbs_on(e, lowest):
                good = 0
            elif e.now - counted_at >= apart:
                good, counted_at = good + 1, e.now
            if good >= READINGS:
                return True
    return False


def _is_off(e: Engine, at_command: dict[str, float], peak: dict[str, float], seconds: float) -> bool:
    watch = e.watch
    return all(
        (watch.targets.get(heater) or 0.0) == 0.0
        and not watch.power.get(heater)
        and (
            _reads(e, heater, seconds) <= at_command[heater] + _leeway(e, heater, seconds)
            or (seconds >= SEEN_S and _has_fallen(e, heater, peak[heater]))
        )
        for heater in watch.measured
    )


def _climbs_on(e: Engine, lowest: dict[str, float]) -> bool:
    """One that was found too hot, by a reading that noise made higher still, may stand below that one and climb."""
    return any(
        e.watch.too_hot(heater) and e.watch.middle_lately(heater) > low + COMING_DOWN_C / 2.0
        for heater, low in lowest.items()
    )


def _reads(e: Engine, heater: str, seconds: float) -> float:
    """°C. Of a warm plate that loses a degree in 15 s not each of three readings running is low, by their noise: the middle one
    of the last few will do. A cold one that is stuck on shows it by its latest reading first, and by then as well."""
    measured = e.watch.measured[heater]
    return min(measured, e.watch.middle_lately(heater)) if measured > WARM or seconds >= SEEN_S else measured


def _stands(e: Engine, at_command: dict[str, float], peak: dict[str, float]) -> bool:
    """Off by the printer's word, read all the time, and no higher than one cut off cold at full power comes by itself; or noise
    hides the fall: a plate loses a degree in 15 s. Then it is worth a longer look; one that is stuck on climbs on meanwhile."""
    watch, most = e.watch, _most(e)
    return len(_read_lately(e)) == len(watch.measured) and all(
        (watch.targets.get(heater) or 0.0) == 0.0
        and not watch.power.get(heater)
        and not watch.too_hot(heater)
        and (
            watch.middle_lately(heater) <= at_command.get(heater, -math.inf) + COMING_DOWN_C
            or peak.get(heater, math.inf) <= most[heater]
        )
        for heater in watch.measured
    )


def _has_fallen(e: Engine, heater: str, peak: float) -> bool:
    """From a peak since the heat-off that it may have come to by itself: cut off cold at full power it climbs for its dead time,
    and takes longer than PROOF_S to come back to where it was. What an interlock found too hot is not let off."""
    by_itself = not e.watch.too_hot(heater) and peak <= _most(e)[heater]
    return by_itself and e.watch.highest_lately(heater) <= peak - COMING_DOWN_C


def _leeway(e: Engine, heater: str, seconds: float) -> float:
    """°C that a reading may stand above the one at the command, so long after it; below 0: so far it must have come down."""
    if e.watch.too_hot(heater):
        return -COMING_DOWN_C
    if e.watch.measured.get(heater, 0.0) <= WARM:
        return COMING_DOWN_C if seconds < SEEN_S else 2.0 * COMING_DOWN_C  # one that is stuck on is further by then
    return -COMING_DOWN_C if seconds < SEEN_S else COMING_DOWN_C / 2.0


def _greeted(e: Engine, unless_stopped: bool = False) -> Waiting[bool]:
    """Begin the conversation anew, then heat off and its proof: of a restarted board, or over a reopened port.

    `unless_stopped`: a board that says that it has stopped itself hears nothing but a restart, and is not waited for.
    """
    until = e.now + GREET_S
    while e.now < until:
        e.greet()
        again = e.now + 1.0
        while e.now < again:
            heard = yield
            if isinstance(heard, PortLost) or (unless_stopped and isinstance(heard, Fatal)):
                return False
            if e.greeted:
                return (yield from _in_line(e, lift=False))
    return False


def _reopened(e: Engine) -> Waiting[bool]:
    until = e.now + REOPEN_S
    while e.now < until:
        e.effect(Reopen())
        heard = yield
        while not isinstance(heard, PortOpened | PortLost):
            heard = yield
        if isinstance(heard, PortOpened):
            return (yield from _greeted(e))
        yield from _pass(e, 1.0)
    return False


def put_back(e: Engine) -> Procedure:
    """What the schedule changed, and the reports we asked for, as they were found. Heat is off by now."""
    done: dict[str, float] = {}
    for channel, value in e.prior.items():
        try:
            back = yield from bounded(e, set_factor(e, channel, value, "restore"), RESTORE_S)
        except Tripped:
            back = False
        if back:
            done[channel] = value
        else:
            e.caution("restore", f"{channel} could not be put back to {value:g}: set it at the printer")
    if e.inactivity:
        e.inactivity = False
        yield from bounded(e, send(e, (b"M85 S0",), "restore"), RESTORE_S)
    if e.reports:
        e.reports = False
        yield from bounded(e, send(e, (b"M155 S0",), "restore"), RESTORE_S)
    e.notify("restored", values=done)


def fan_off(e: Engine) -> Procedure:
    """After heat is proven off: a part fan that was on cools the nozzle for a while, then goes off too."""
    if not e.fan_on:
        return
    e.phase = "cooling"
    until, found = e.now + FAN_S, e.watch.stuck_on
    while e.now < until and e.watch.measured.get("nozzle", 0.0) > COOL:
        yield
        if e.watch.stuck_on != found:
            return  # one heats by itself: the fan may as well go on
    yield from bounded(e, send(e, (setpoint_block("fan", 0.0),), "heat_off"), RESTORE_S)


def heat_off_in_order(e: Engine) -> Procedure:
    """At the end of a file: heat off and proven; raises Tripped where it is not."""
    if not (yield from _in_line(e, lift=False)):
        until = e.now + SAID_S
        while e.window.state is LinkState.BROKEN and e.now < until:
            yield  # what broke the conversation is told in a moment, and is the cause
        raise Tripped(Trip("heat_off_unproven", e.watch.measured.get("nozzle"), None, "heat was not seen to go off"))
