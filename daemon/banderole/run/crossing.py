"""What happens between two stretches: crossings, holds, and the waits of the file that we take over.

Each leaves the part with the filament back, and comes back to exactly where it was; nothing waits inside the printer on
our account. The order of the steps, and why, is in DEVELOPERS.md ("A crossing, step by step").
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.channels import CHANNELS
from banderole_protocol.modal import Modal

from banderole.plan.blocks import Block
from banderole.plan.itinerary import AskPosition, Crossing, DwellAside, PersonWait, PreWait, Reassertion, Stretch
from banderole.run.aside import Excursion
from banderole.run.lead import UNKNOWN
from banderole.run.state import State
from banderole.run.steps import (
    Procedure,
    Tripped,
    Waiting,
    drain,
    locate,
    nudge_if_due,
    send,
    set_factor,
    set_heat,
    soak,
)
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

PRE_WAIT_S: Final = {"nozzle": 600.0, "bed": 1800.0}
"""Bound of a pre-wait while the heater is not known yet: a large plate needs half an hour (common practice, no source)."""
SPEAKS: Final = 2.0
"""Intervals of reports: a reading that is younger shows a printer that is no longer waiting for a person."""
PRE_WAIT_FACTOR: Final = 3.0
"""Of what the model expects."""
PRE_WAIT_LEAST_S: Final = 30.0
"""A prediction of a few seconds must not make a draught a trip."""
PRE_WAIT_DWELL_S: Final = 2.0
"""Within tolerance so long, so that the printer's own wait ends at once."""


class Late(Exception):
    """A heater did not settle in time and the schedule says to abort."""


# ---- crossings


def crossing(e: Engine, item: Crossing) -> Procedure:
    """From one band to the next."""
    began, number = e.now, item.band.number
    hold_here = e.holds.before(e, number)
    where = {"band": number, "line": item.line, "block": item.block, "z": round(item.z, 4)}
    setpoints = dict(item.setpoints)
    e.phase, e.entering = "crossing", number
    e.notify("crossing_begun", **where, setpoints=setpoints, why_here=item.why_here)
    while e.lead.open(e):
        heard = yield
        e.lead.step(e, heard)
    e.lead.last_call(e)
    yield from _drain_meanwhile(e, item.modal)
    heat = {channel: value for channel, value in setpoints.items() if CHANNELS[channel].thermal}
    factors = {channel: value for channel, value in setpoints.items() if channel not in heat}
    moving = e.schedule.settle.stance == "moving" and item.left is not None  # nothing is laid down yet: it settles
    led = e.lead.arrive(e, number)
    predicted = 0.0 if moving or e.watch.settled(heat) else e.watch.predicted_s(heat)
    taken: float | None = 0.0
    if hold_here or _must_leave(e, item, heat, factors, moving):
        taken = yield from visit(e, item.modal, item.top, heat, factors, hold_here)
    elif led is not None and led["proven"]:
        yield from set_all(e, {channel: value for channel, value in setpoints.items() if channel != "nozzle"})
    else:
        yield from set_all(e, setpoints)
    if moving and heat:
        e.caution_in(number, "no stop was made: the bottom of this band is a transition")
        if led is None and where_not_led(e, item, heat):
            e.caution_in(number, UNKNOWN)
    e.entered(item, setpoints, predicted if heat else None, taken if heat else None)
    account = e.account.bands[number]
    e.notify("crossing_ended", **where, setpoints=setpoints, proof=account.proof,
             predicted_s=rounded(account.predicted_s), taken_s=rounded(account.settle_s),
             seconds=round(e.now - began, 2), lead=led)  # fmt: skip
    e.notify("band_entered", band=number, z=round(item.z, 4))
    e.restarted()


def _drain_meanwhile(e: Engine, modal: Modal) -> Procedure:
    """A drain, while the proof of a change that was led goes on."""
    drained = drain(e, modal)
    try:
        next(drained)
        while True:
            heard = yield
            e.lead.prove(heard)
            drained.send(heard)
    except StopIteration:
        return


def where_not_led(e: Engine, item: Crossing, heat: dict[str, float]) -> bool:
    """Was there no lead since nothing is known of the heater? The first band, and a value that stays, need none."""
    measured, wanted = e.watch.measured.get("nozzle"), heat.get("nozzle")
    if item.left is None or measured is None or wanted is None or wanted == item.left.setpoints.get("nozzle"):
        return False
    return e.watch.models["nozzle"].halfway_s(measured, wanted) is None


def _must_leave(e: Engine, item: Crossing, heat: dict[str, float], factors: dict[str, float], moving: bool) -> bool:
    """Is there something to wait for, or filament to be moved that had better not ooze on the part?"""
    forward = any(CHANNELS[channel].needs_filament_forward for channel in factors)
    return (not moving and not e.watch.settled(heat)) or (forward and item.modal.back)


def set_all(e: Engine, setpoints: dict[str, float]) -> Procedure:
    """Setpoints of any channel, each with its proof, where nothing need be waited for."""
    yield from set_heat(e, {c: v for c, v in setpoints.items() if CHANNELS[c].thermal}, "setpoint")
    for channel, value in setpoints.items():
        if not CHANNELS[channel].thermal:
            yield from set_factor(e, channel, value, "setpoint")


def visit(
    e: Engine, modal: Modal, top: float, heat: dict[str, float], factors: dict[str, float], hold_first: bool = False
) -> Waiting[float | None]:
    """Go aside, hold if asked to, set, settle, purge, come back. Returns the seconds that settling took, None without."""
    excursion = e.excursion(modal, top)
    yield from send(e, excursion.away(e.warm), "aside")
    yield from send(e, (b"M400",), "drain")  # there before anything changes; and it shows how fast motion really goes
    left = e.now
    if hold_first:
        heat = {**(yield from held(e, excursion)), **heat}
    taken = yield from settle_here(e, excursion, heat)
    yield from come_back(e, excursion, e.now - left, factors)
    return taken


def settle_here(e: Engine, excursion: Excursion, heat: dict[str, float]) -> Waiting[float | None]:
    """Set and settle, aside already; a hold in between is kept, and settled again after. Returns the seconds taken."""
    settle, taken = e.schedule.settle, None
    while heat:
        began, predicted = e.now, e.watch.predicted_s(heat)
        rising = heat.get("nozzle", 0.0) > e.watch.measured.get("nozzle", 0.0)
        yield from set_heat(e, heat, "setpoint")
        e.settling(heat, predicted)
        verdict = yield from soak(e, heat, excursion, dwell_s=settle.dwell_s, patience_s=settle.patience_s)
        taken = e.now - began
        if verdict == "settled":
            e.notify("settled", setpoints=heat, predicted_s=rounded(predicted), taken_s=round(taken, 2))
            if predicted is not None and set(heat) == {"nozzle"}:
                e.watch.models["nozzle"].note_outcome(predicted, taken, rising)
            break
        if verdict == "late" and not _wait_on(e, heat):
            break
        heat = {**(yield from held(e, excursion)), **heat}
    return taken


def _wait_on(e: Engine, heat: dict[str, float]) -> bool:
    """Patience is over: True to hold, False to go on; raises Late to abort."""
    settle = e.schedule.settle
    said = f"not settled within {settle.patience_s:g} s"
    e.notify("settle_late", setpoints=heat, measured={heater: e.watch.measured.get(heater) for heater in heat},
             patience_s=settle.patience_s, when_late=settle.when_late)  # fmt: skip
    if (band := e.entering or e.band) is not None:
        e.caution_in(band, said)
    match settle.when_late:
        case "go-on":
            return False
        case "hold":
            e.holds.begin(e, "settle_late", said)
            return True
        case "abort":
            raise Late(f"{', '.join(f'{heater} {value:g} °C' for heater, value in heat.items())}: {said}")


def come_back(e: Engine, excursion: Excursion, waited_s: float, factors: dict[str, float]) -> Procedure:
    """Purge what oozed, set what acts on filament while it is forward, back over the place, the other factors."""
    e.phase = "returning"
    aside = e.printer.aside
    purge = aside.purge_mm + aside.purge_mm_per_min * waited_s / 60 if excursion.away_from_part else 0.0
    forward = {c: v for c, v in factors.items() if CHANNELS[c].needs_filament_forward}
    if (purge > 0 or forward) and e.warm:
        reason = "purge" if purge > 0 else "filament"
        yield from send(e, excursion.push(purge), reason)
        yield from send(e, (b"M400",), "drain")
        yield from set_all(e, forward)
        yield from send(e, excursion.pull(purge), reason)
        factors = {c: v for c, v in factors.items() if c not in forward}
    yield from send(e, excursion.back(e.warm), "aside")
    e.came_back()
    yield from set_all(e, factors)


# ---- holds


def hold(e: Engine, modal: Modal, top: float) -> Procedure:
    """Come to rest aside, wait, come back, from over the part."""
    led, own = e.lead.led is not None, e.current.get("nozzle")
    e.lead.forget()
    goal = own if led and own is not None else e.watch.goal("nozzle")  # what was set ahead waits until after the hold
    heat = {"nozzle": goal} if goal > 0 else {}
    yield from drain(e, modal)
    yield from visit(e, modal, top, heat, {}, hold_first=True)
    e.restarted()


def held(e: Engine, excursion: Excursion) -> Waiting[dict[str, float]]:
    """At rest until somebody resumes; heat goes off after a while, told. Returns what was turned off: °C by heater."""
    e.rest_begins()
    since, policy, cooled = e.now, e.printer.hold, dict[str, float]()
    e.phase = "held"
    e.notify("held", reason=e.holds.reason, note=e.holds.note, band=e.entering or e.band, line=e.line)
    while e.state is State.HELD:
        yield
        e.leave_if_stopping()
        nudge_if_due(e, excursion)
        for heater, after_s in (("nozzle", policy.nozzle_off_after_s), ("bed", policy.bed_off_after_s)):
            goal = e.watch.goal(heater)
            if heater not in cooled and e.now - since >= after_s and goal > 0:
                cooled[heater] = goal
                loose = "; the part may come loose from the bed" if heater == "bed" else ""
                e.caution(f"hold_{heater}_off", f"held for {after_s:g} s: {heater} is turned off{loose}")
                yield from set_heat(e, {heater: 0.0}, "hold")
    e.leave_if_stopping()
    e.phase = "returning"
    return cooled


# ---- what the file itself waits for


def pre_wait(e: Engine, item: PreWait) -> Procedure:
    """A wait for heat, taken over: the same setpoint, set and waited for by us; then the file's line."""
    heater, value = item.setpoint.channel, item.setpoint.value
    yield from drain(e, item.modal)
    measured = e.watch.believed.get(heater)
    excursion: Excursion | None = None
    left = e.now
    if measured is not None and _would_wait(item, measured, e.watch.tolerance(heater)):
        if item.over_part:
            excursion = e.excursion(item.modal, item.top)
            yield from send(e, excursion.away(e.warm), "aside")
        # Homed and not yet over a part it waits where it is, and must not lose its motors either: the bed takes minutes.
        waits = excursion or Excursion(item.modal, item.top, e.printer, None)
        yield from _wait_for_heat(e, item, heater, value, waits)
        if excursion is None:
            yield from send(e, waits.back(warm=False), "nudge")
    yield from send_file(e, item.block, item.modal)
    if item.reassert is not None:
        yield from reassert(e, heater, item.reassert, value, item.block.line)
        if excursion is None and not e.watch.near(heater, item.reassert):
            excursion = e.excursion(e.feeder.here(), item.top)
            yield from send(e, excursion.away(e.warm), "aside")
        if excursion is not None:
            yield from settle_here(e, excursion, {heater: item.reassert})
    if excursion is not None:
        yield from come_back(e, excursion, e.now - left, {})


def _would_wait(item: PreWait, measured: float, tolerance: float) -> bool:
    """S waits for heating only, R both ways; the printer's own idea of being there is near ours."""
    below = measured < item.setpoint.value - tolerance
    return below or (item.setpoint.both_ways and measured > item.setpoint.value + tolerance)


def _wait_for_heat(e: Engine, item: PreWait, heater: str, value: float, excursion: Excursion) -> Procedure:
    e.phase = "heating"
    heating_only = frozenset() if item.setpoint.both_ways else frozenset({heater})
    while True:
        began = e.now
        predicted = e.watch.predicted_s({heater: value})
        found = (
            e.watch.models[heater].curve is not None
        )  # in this run: what is known of runs before may be another heater's
        bound = (
            PRE_WAIT_S[heater] if predicted is None or not found else max(PRE_WAIT_LEAST_S, PRE_WAIT_FACTOR * predicted)
        )
        yield from set_heat(e, {heater: value}, "pre_wait")
        e.settling({heater: value}, predicted)
        verdict = yield from soak(
            e, {heater: value}, excursion, dwell_s=PRE_WAIT_DWELL_S, patience_s=bound, heating_only=heating_only
        )
        if verdict == "settled":
            e.notify("pre_wait", line=item.block.line, channel=heater, value=value, taken_s=round(e.now - began, 2))
            return
        if verdict == "late":
            measured = e.watch.measured.get(heater)
            text = f"{heater} did not reach {value:g} °C within {bound:.0f} s (line {item.block.line} of the file)"
            raise Tripped(Trip("pre_wait", measured, value, text))
        yield from set_heat(e, (yield from held(e, excursion)), "setpoint")
        e.restarted()


def reassert(e: Engine, channel: str, value: float, file_value: float, line: int) -> Procedure:
    """The band's own setpoint again, after the file set the same channel."""
    if CHANNELS[channel].thermal:
        yield from set_heat(e, {channel: value}, "reassertion")
    else:
        yield from set_factor(e, channel, value, "reassertion")
    e.notify("file_setpoint_reasserted", channel=channel, value=value, file_value=file_value, line=line)


def reassertion(e: Engine, item: Reassertion) -> Procedure:
    """As `reassert`, and settled again if the heater left its tolerance meanwhile."""
    thermal = CHANNELS[item.channel].thermal
    if thermal or item.value is None:  # many boards act when they read the block, ahead of motions taken before
        yield from drain(e, item.modal)
    yield from send_file(e, item.block, item.modal)
    if item.value is None:
        e.current = {channel: value for channel, value in e.current.items() if channel != item.channel}
        return
    yield from reassert(e, item.channel, item.value, item.file_value, item.block.line)
    if thermal and not e.watch.near(item.channel, item.value) and e.schedule.settle.stance != "moving":
        yield from visit(e, item.modal, item.top, {item.channel: item.value}, {})


def person_wait(e: Engine, item: PersonWait) -> Procedure:
    """The file waits for a person: a hold of ours, and the line when somebody is there."""
    e.holds.begin(e, "person", f"the file waits for a person in line {item.block.line}: resume when you are there")
    yield from hold(e, item.modal, item.top)
    e.somebody_there = True
    yield from send_file(e, item.block, item.modal)
    # A printer that was asked meanwhile says that it has the line, not that it is through with it: that a reading shows.
    while e.now - e.watch.read_at.get("nozzle", e.now) > SPEAKS * e.printer.thermal.report_s:
        yield
    e.somebody_there = False


def dwell_aside(e: Engine, item: DwellAside) -> Procedure:
    """A long pause of the file over the part is spent aside."""
    yield from drain(e, item.modal)
    excursion = e.excursion(item.modal, item.top)
    yield from send(e, excursion.away(e.warm), "aside")
    yield from send_file(e, item.block, item.modal)
    yield from come_back(e, excursion, 0.0, {})


def ask_position(e: Engine, item: AskPosition) -> Procedure:
    """After homing and the like: where is it really? Kept for the itinerary, which goes on from there."""
    e.phase = "homing"
    position = yield from locate(e)
    if position is None:
        e.caution("position", f"the printer does not say where it is after {item.head}: no going aside")
        return
    e.located({axis: getattr(position, axis.lower()) for axis in "XYZ"})


def send_file(e: Engine, block: Block, modal: Modal) -> Procedure:
    """One block of the file, apart from any stretch; done when the printer has taken it."""
    before = e.account.blocks
    e.feeder.load(Stretch([block], modal))
    e.feeding = True
    while e.account.blocks == before:
        yield


def rounded(seconds: float | None) -> float | None:
    """For records: hundredths of a second."""
    return None if seconds is None else round(seconds, 2)
