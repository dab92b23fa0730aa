"""The small steps that procedures are made of. Each is a generator: it sends, then waits for what shows that it is done.

A procedure is suspended at `yield` until the next thing is heard (a reply, a tick) and gets it as the value. It reads no
clock and does no I/O; `engine.now` is the time of what was heard. Trips, losses and commands are the engine's: it drops a
procedure that they end.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable
from typing import Any, Final, TypeVar

from banderole_protocol.channels import CHANNELS, setpoint_block
from banderole_protocol.modal import Modal
from banderole_protocol.replies import Position, Report

from banderole.run.aside import Excursion
from banderole.run.effects import Ours
from banderole.run.readback import AUDIT_MM, audit_trip, off
from banderole.run.settle import Settle, SettleState
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

T = TypeVar("T")
Waiting = Generator[None, Any, T]
"""A procedure that returns a T when it is done."""
Procedure = Generator[None, Any, None]

TRIES: Final = 4
"""Of a setpoint or a question. One in some hundred damaged lines passes the checksum; four in a row do not."""
PROOF_S: Final = 3.0
"""Longest wait for a report that shows a target, at reports each second: three of them."""
ANSWER_S: Final = 0.5
"""What an answer may lag behind its `ok`."""
SAME_FACTOR: Final = 0.006
"""Answers are rounded to hundredths (flow and feed to whole per cent, which our setpoints then are)."""


class Tripped(Exception):
    """An interlock, or a proof that could not be had: make safe, latched."""

    def __init__(self, trip: Trip, latched: bool = True) -> None:
        super().__init__(trip.text)
        self.trip = trip
        self.latched = latched


class StopNow(Exception):
    """A stop was accepted, and here nothing is left to be finished first."""


class RefusedAtStart(Exception):
    """Nothing was heated or moved, and nothing will be (exit 3): one line."""


def send(e: Engine, blocks: Iterable[bytes], reason: str) -> Procedure:
    """Queue blocks of ours; done when the printer has taken the last of them."""
    ours = [Ours(block, reason, e.takes_s(block)) for block in blocks]
    for one in ours:
        e.queue(one)
    while ours and not ours[-1].taken:
        yield


def locate(e: Engine) -> Waiting[Position | None]:
    """Everything carried out (M400), then where is it (M114)? None from a printer that does not say."""
    for _ in range(TRIES):
        e.position = None
        yield from send(e, (b"M400", b"M114"), "drain")
        until = e.now + ANSWER_S
        while e.position is None and e.now < until:
            yield
        if e.position is not None:
            break
    return e.position


def drain(e: Engine, modal: Modal) -> Procedure:
    """Wait until all motion is carried out, and hold where the printer says it is against where the file says.

    Raises Tripped where they differ twice: a damaged line that the checksum let pass has moved the part (fault S2b).
    """
    e.phase = "draining"
    wrong = None
    for _ in range(2):
        position = yield from locate(e)
        wrong = None if position is None else off(modal, position)
        if wrong is None or wrong[1] <= AUDIT_MM:
            break
    if wrong is not None and wrong[1] > AUDIT_MM:
        raise Tripped(audit_trip(*wrong, e.line))
    e.account.drained(e.now)
    e.notify("position_audit", line=e.line, off_mm=None if wrong is None else round(wrong[1], 3))


def check_limit(e: Engine, channel: str, value: float) -> None:
    """The last look before the wire. Zero is always allowed for heat and fan. Raises Tripped."""
    objection = e.printer.objection(channel, value)
    if objection is not None and not (value == 0.0 and channel in ("nozzle", "bed", "fan")):
        raise Tripped(Trip("limit", value, None, objection))


def set_heat(e: Engine, targets: dict[str, float], reason: str) -> Procedure:
    """Set targets (°C by heater) and see each in the printer's own report. Raises Tripped where it never shows."""
    for heater, value in targets.items():
        check_limit(e, heater, value)
        proof = "reported"
        for attempt in range(TRIES):
            yield from send(e, (setpoint_block(heater, value, attempt % 2),), reason)
            e.watch.commanded(heater, value)
            shown = yield from _shown(e, heater, value)
            if shown:
                break
            if shown is None and attempt:
                proof = "accepted"
                break
        else:
            text = (
                f"{heater} was set to {value:g} °C {TRIES} times and the printer reports {e.watch.targets[heater]:g} °C"
            )
            raise Tripped(Trip("setpoint_unproven", e.watch.targets[heater], value, text))
        e.proofs[heater] = proof
        e.notify("setpoint_confirmed", channel=heater, value=value, proof=proof)


def _shown(e: Engine, heater: str, value: float) -> Waiting[bool | None]:
    """Whether a report made after the setpoint shows it; None where reports show no targets."""
    e.window.ask_temperatures()
    began = e.now
    until = began + max(PROOF_S, 3 * e.printer.thermal.report_s)
    fresh = False  # a report of before the setpoint proves nothing, nor one of other heaters alone
    while e.now < until:
        yield
        fresh = e.watch.read_at.get(heater, -math.inf) > began
        if fresh and e.watch.shows(heater, value) is not False:
            return e.watch.shows(heater, value)
    shown = e.watch.shows(heater, value)
    return False if shown and not fresh else shown


def ask_factor(e: Engine, channel: str) -> Waiting[float | None]:
    """What the printer answers to the bare command of a channel; None where it does not."""
    query = CHANNELS[channel].query
    if query is None:
        return None
    e.asked, e.answer = channel, None
    yield from send(e, (query,), "question")
    until = e.now + (ANSWER_S if channel in e.answering else 0.0)
    while e.answer is None and e.now < until:
        yield
    e.asked = None
    if e.answer is not None:
        e.answering.add(channel)
    return e.answer


def set_factor(e: Engine, channel: str, value: float, reason: str) -> Procedure:
    """Set fan, flow, feed, advance or retract: answered where the printer answers, else sent in two spellings."""
    if reason != "restore":  # it goes back to what it was, limits or not
        check_limit(e, channel, value)
    proof = "accepted"
    for attempt in range(TRIES):
        yield from send(e, (setpoint_block(channel, value, attempt % 2),), reason)
        answer = yield from ask_factor(e, channel)
        if answer is None:
            yield from send(e, (setpoint_block(channel, value, (attempt + 1) % 2),), reason)
            break
        if abs(answer - value) <= max(SAME_FACTOR, 0.5 if channel in ("flow", "feed") else 0.0):
            proof = "answered"
            break
    else:
        text = f"{channel} was set to {value:g} {TRIES} times and the printer answers {answer:g}"
        raise Tripped(Trip("setpoint_unproven", answer, value, text))
    e.proofs[channel] = proof
    e.notify("setpoint_confirmed", channel=channel, value=value, proof=proof)


def soak(
    e: Engine,
    targets: dict[str, float],
    excursion: Excursion | None,
    *,
    dwell_s: float,
    patience_s: float,
    heating_only: frozenset[str] = frozenset(),
) -> Waiting[SettleState | None]:
    """Wait until the heaters have settled, nudging meanwhile. None: somebody wants a hold first."""
    tolerance = {heater: e.watch.tolerance(heater) for heater in targets}
    settle = Settle(targets, tolerance, dwell_s, patience_s, e.now, heating_only, e.printer.interlocks.bed.stale_s)
    while True:
        heard = yield
        if isinstance(heard, Report):
            settle.feed(e.watch.measured, e.now)
        if (state := settle.state(e.now)) != "waiting":
            return state
        e.leave_if_stopping()
        if e.wants_hold:
            return None
        nudge_if_due(e, excursion)


def bounded(e: Engine, procedure: Procedure, seconds: float) -> Waiting[bool]:
    """Run a procedure for so long at most. Returns whether it came to its end."""
    until = e.now + seconds
    try:
        next(procedure)
        while e.now < until:
            heard = yield
            procedure.send(heard)
    except StopIteration:
        return True
    procedure.close()
    return False


def nudge_if_due(e: Engine, excursion: Excursion | None) -> None:
    """Long before the board would let its motors go, or shut itself down, move a tenth of a millimetre and back."""
    firmware = e.printer.firmware
    limit = min((s for s in (firmware.idle_release_s, firmware.inactivity_s) if s), default=0.0)
    if excursion is None or not limit or e.now - e.moved_at < limit / 2:
        return
    e.moved_at = e.now
    for block in excursion.nudge():
        e.queue(Ours(block, "nudge", excursion.took[block]))
