"""The run from end to end, as procedures: start, the file item by item, the end; stop and abort."""

from __future__ import annotations

from typing import Final

from banderole.plan.itinerary import (
    AskPosition,
    Crossing,
    DwellAside,
    Item,
    PersonWait,
    PreWait,
    Reassertion,
    Stretch,
)
from banderole.run import crossing
from banderole.run.effects import Given, Unfinished
from banderole.run.guards import too_cold
from banderole.run.make_safe import DEAF_S, Cause, fan_off, heat_off_in_order, make_safe, put_back
from banderole.run.start_proof import start_proof
from banderole.run.state import State, completed
from banderole.run.steps import Procedure, RefusedAtStart, Tripped, Waiting, ask_factor, drain, send
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

BANNER_S: Final = 2.0
"""A board that restarts when its port is opened says so within this; another says nothing (common practice, no source)."""
GREET_EVERY_S: Final = 1.0
ANSWER_WITHIN_S: Final = 15.0
"""From opening the port: slow boards boot for ten seconds (common practice, no source)."""
DEAF: Final = (
    "the printer does not answer: it may be homing or probing, and reads nothing until that is over; heat goes off as soon as "
    "it listens again"
)
FIRST_READING_S: Final = 10.0
FACTORS: Final = ("flow", "feed", "advance", "retract")


def greeting(e: Engine) -> Procedure:
    """Until somebody answers properly nothing but M110 and M115 is sent: it may be another device."""
    opened, told = e.now, False
    while e.now - opened < BANNER_S and not e.restarted_while_starting:
        yield
    while e.now - opened < ANSWER_WITHIN_S:
        if e.cause is not None and not told and e.now - opened > DEAF_S:
            told = True
            e.caution("queued", DEAF)
        e.restarted_while_starting = False
        e.greet()
        again = e.now + GREET_EVERY_S
        while e.now < again and not e.restarted_while_starting:
            yield
            if e.greeted and e.identity:
                return
        if e.greeted and not e.restarted_while_starting:
            return  # it takes numbered lines and does not say who it is
    raise RefusedAtStart("no printer answers on this port: check port and baud, and that the printer is switched on")


def first_reading(e: Engine) -> Procedure:
    """Temperatures, before anything is heated."""
    e.polling = True
    until = e.now + FIRST_READING_S
    while "nozzle" not in e.watch.measured:
        yield
        if e.now > until:
            raise RefusedAtStart("the printer says nothing of its nozzle's temperature: nothing was heated")


def prior_values(e: Engine) -> Procedure:
    """What each scheduled factor is now, so that it can be put back: answered, else the file's, else [restore]."""
    for channel in e.schedule.channels:
        if channel not in FACTORS:
            continue
        value = yield from ask_factor(e, channel)
        if value is None and e.survey is not None:
            value = e.survey.told.get(channel)
        if value is None:
            value = e.printer.restore.of(channel)
        if value is None:
            raise RefusedAtStart(
                f"nothing tells what {channel} is now, so it could not be put back: give restore.{channel} in the printer file"
            )
        e.prior[channel] = value
    if "feed" not in e.prior:
        e.feed_found = yield from ask_factor(e, "feed")
        if e.feed_found not in (None, 100.0):
            e.caution(
                "feed",
                f"the printer's own feed factor stands at {e.feed_found:g} %: it prints so much faster or slower",
            )


def own_reports(e: Engine) -> Procedure:
    """Ask the printer to report by itself, where it can and the interval is one of whole seconds."""
    every = e.printer.thermal.report_s
    if e.capable("AUTOREPORT_TEMP") and every >= 1.0:
        yield from send(e, (b"M155 S%d" % int(every),), "report")
        e.reports = True


def run(e: Engine) -> Procedure:
    """The whole run."""
    yield from greeting(e)
    e.phase = "proving"
    yield from first_reading(e)
    yield from start_proof(e)
    yield from prior_values(e)
    e.state, e.phase = State.RUNNING, "printing"
    e.effect(Unfinished(dict(e.prior)))
    e.notify("run_started", identity=e.identity, prior=e.prior, start_proof=e.start_proof)
    yield from own_reports(e)
    if e.printer.firmware.inactivity_s:
        e.inactivity = True
        yield from send(e, (b"M85 S%d" % int(e.printer.firmware.inactivity_s),), "inactivity")
    while (item := (yield from _next_item(e))) is not None:
        if e.state is State.STOPPING and _may_stop_here(e, item):
            yield from stop(e)
            return
        yield from _item(e, item)
    yield from _finish(e)


def _next_item(e: Engine) -> Waiting[Item | None]:
    e.need_item()
    while True:
        heard = yield
        if isinstance(heard, Given):
            return heard.item


def _may_stop_here(e: Engine, item: Item) -> bool:
    """After the layer in work; before the first one at once."""
    begins = isinstance(item, Stretch) and item.layer_begins
    return begins or isinstance(item, Crossing) or e.band is None


def _item(e: Engine, item: Item) -> Procedure:
    match item:
        case Stretch():
            yield from _stretch(e, item)
            return
        case Crossing():
            e.top = item.top
            yield from crossing.crossing(e, item)
        case Reassertion():
            e.lead.file_sets(item.channel)
            yield from crossing.reassertion(e, item)
        case PreWait():
            e.lead.file_sets(item.setpoint.channel)
            yield from crossing.pre_wait(e, item)
        case PersonWait():
            yield from crossing.person_wait(e, item)
        case DwellAside():
            yield from crossing.dwell_aside(e, item)
        case AskPosition():
            yield from crossing.ask_position(e, item)
    e.phase = "printing"


def _stretch(e: Engine, item: Stretch) -> Procedure:
    """Feed the blocks; at a hold, what has no number yet comes back, and goes out after it."""
    e.phase = "printing"
    if e.holds.at_layer(e, item.layer_begins):
        yield from crossing.hold(e, item.modal, e.top)
        e.phase = "printing"
    e.top, e.height = item.top, item.z
    e.feeder.load(item)
    if e.feeder.deposits:
        if (cold := too_cold(e, e.watch.believed.get("nozzle", 0.0))) is not None:
            raise Tripped(cold)
        e.account.work(e.now)
    e.feeding = True
    while not e.feeder.empty:
        heard = yield
        e.lead.step(e, heard)
        if e.wants_hold:
            e.feeding = False
            yield from crossing.hold(e, e.feeder.here(), e.top)
            e.phase = "printing"
            e.account.work(e.now)
            e.feeding = True


def _finish(e: Engine) -> Procedure:
    """Everything carried out, heat off and proven, values put back."""
    e.fed_whole = True
    yield from send(e, (b"M400",), "drain")
    if e.wants_hold:  # it came behind the last block
        yield from crossing.hold(e, e.feeder.here(), e.top)
    e.account.rest(e.now)
    e.phase = "ending"
    yield from heat_off_in_order(e)
    e.notify("make_safe", proven=True, measured=dict(e.watch.measured), reason="the end of the file")
    yield from put_back(e)
    if e.survey is not None and e.account.digest != e.survey.digest:
        raise Tripped(
            Trip("file_changed", None, None, "what was printed is not what the survey read: the file has changed")
        )
    if e.state is State.STOPPING:
        e.end(completed(e.state), 4, "stopped by a person, at the end of the file", True)
    else:
        e.end(State.COMPLETE, 0, "the whole file was carried out", True)


def stop(e: Engine) -> Procedure:
    """In order: drained, aside, heat off and proven, values put back."""
    if not e.away:
        modal = e.feeder.here()
        yield from drain(e, modal)
        excursion = e.excursion(modal, e.top)
        yield from send(e, excursion.away(e.warm), "aside")
    e.account.rest(e.now)
    yield from heat_off_in_order(e)
    e.notify("make_safe", proven=True, measured=dict(e.watch.measured), reason="stop")
    yield from put_back(e)
    yield from fan_off(e)
    e.end(completed(State.STOPPING), 4, "stopped by a person", True)


def abort(e: Engine, cause: Cause) -> Procedure:
    """Heat off first; then what was changed is put back, while the line is alive."""
    if not e.answered and not e.left_hot:  # nothing was heated; and who has never answered may be another device
        sent = "a greeting and the emergency stop" if cause.emergency else "a greeting"
        e.end(State.ABORTED, cause.exit, f"{cause.reason}; nothing but {sent} was sent", False)
        return
    proven = yield from make_safe(e, cause)
    if proven:
        found = e.watch.stuck_on
        yield from put_back(e)
        yield from fan_off(e)
        if e.watch.stuck_on - found:  # what switches a heater has failed since
            proven = yield from make_safe(e, cause)
    if e.left_hot:
        made_safe(e, proven)
    else:
        e.end(State.ABORTED, cause.exit, cause.reason, proven)


def made_safe(e: Engine, proven: bool) -> None:
    """The end of what was to be made safe and nothing else."""
    e.end(State.ABORTED, 0 if proven else 5, "heat is off" if proven else "heat could not be proven off", proven)


def make_safe_only(e: Engine) -> Procedure:
    """Heat off, proven, with nothing else under way."""
    e.cause = Cause(5, "make-safe")
    e.state, e.left_hot = State.ABORTING, True
    try:
        yield from greeting(e)
    except RefusedAtStart:  # it may listen again
        proven = yield from make_safe(e, Cause(5, "make-safe", deaf=True))
    else:
        proven = yield from make_safe(e, e.cause)
    if proven:
        yield from put_back(e)
    made_safe(e, proven)
