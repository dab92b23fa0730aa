"""The engine: what is heard goes in, with its time; what is to be done comes out. No I/O, no clock, no await.

It owns the window, so it takes bytes from the printer (`receive`) and time (`tick`), and is asked for bytes to write
(`data_to_send`); all else it wants done is in the closed list of `effects`. One procedure at a time is under way (a
generator, see `steps`): the run itself, or making safe. Interlocks, lost links and commands end a procedure from here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any, Final

from banderole_protocol.channels import answer_of
from banderole_protocol.modal import Modal
from banderole_protocol.replies import Banner, Busy, Capability, Fatal, Identity, Note, Position, Report
from banderole_protocol.state import LinkState
from banderole_protocol.window import Acknowledged, Broken, Rewritten, Window

from banderole.plan.blocks import Block
from banderole.plan.config import Printer
from banderole.plan.itinerary import Crossing, Item
from banderole.plan.schedule import Schedule
from banderole.plan.survey import Survey
from banderole.run import orders, whole_run
from banderole.run.account import Account
from banderole.run.alarms import Alarms
from banderole.run.aside import Excursion
from banderole.run.crossing import Late
from banderole.run.decisions import Does, Input, decide
from banderole.run.effects import Effect, Ended, Given, Latch, NeedItem, Notify, Ours, PortLost, PortOpened, Raw, Tick
from banderole.run.feeder import Feeder
from banderole.run.foresight import Foresight
from banderole.run.guards import Guards
from banderole.run.heat_watch import HeatWatch
from banderole.run.holds import Holds
from banderole.run.lead import Lead
from banderole.run.make_safe import Cause
from banderole.run.readback import Readback
from banderole.run.state import Refused, State, completed
from banderole.run.status import status_of
from banderole.run.steps import Procedure, RefusedAtStart, StopNow, Tripped
from banderole.run.trips import Caution, Trip

AGAIN_S: Final = 1.0
"""A request for temperatures that brought none is made again after so long, where `report_s` is longer."""
HELD_BACK: Final = "the printer held filament back as too cold: what it laid down here is not whole"


class Engine:
    """One conversation with one printer: a whole run, or only making safe. All times are monotonic seconds."""

    def __init__(self, printer: Printer, schedule: Schedule, survey: Survey | None) -> None:
        serial = printer.serial
        self.printer = printer
        self.schedule = schedule
        self.survey = survey
        self.foresight = Foresight(survey) if survey is not None else None
        self.window = Window(serial.window_bytes, serial.receive_bytes, serial.ahead_s)
        self.watch = HeatWatch(printer, schedule.settle)
        self.account = Account(schedule)
        self.feeder = Feeder(Modal(printer.firmware.e_mode))
        self.now = 0.0
        self.state = State.IDLE
        self.phase = "starting"
        self.rung = ""
        self.band: int | None = None
        self.entering: int | None = None
        self.height = self.top = 0.0
        self.feeding = False
        self.fed_whole = False  # the file has been fed to its end: what is queued is waited for, and not taken back
        self.line = 0
        self.current: dict[str, float] = {}  # the band's setpoints, in force
        self.heating: tuple[dict[str, float], float | None, float] | None = None
        self.proofs: dict[str, str] = {}
        self.prior: dict[str, float] = {}
        self.feed_found: float | None = None  # %, where no band sets it
        self.identity: dict[str, str] = {}
        self.capabilities: dict[str, bool] = {}
        self.answering: set[str] = set()
        self.asked: str | None = None
        self.answer: float | None = None
        self.position: Position | None = None
        self.place: dict[str, float] | None = None  # for the itinerary, after homing
        self.moved_at = 0.0
        self.start_proof: dict[str, Any] = {}
        self.greeted = False
        self.answered = False  # ever, since the start: before that it may be no printer at all
        self.left_hot = False  # whether a printer that may have been left hot is to be made safe, be it heard or not
        self.busy_at = 0.0  # it said last that it is at work
        self.polling = False
        self.reports = False
        self.inactivity = False  # whether the board's own shutdown was armed
        self.readback = Readback()
        self.holds = Holds()
        self.lead = Lead()
        self.port_gone = False
        self.restarted_while_starting = False
        self.somebody_there = False
        self.alarms = Alarms()
        self.resends = 0
        self.proven: bool | None = None
        self.ladder_until = 0.0
        # What the heaters read when the ladder was begun, then when its heat-off was taken.
        self.at_heat_off: dict[str, float] = {}
        self.heat_off_taken = False
        self.cause: Cause | None = None
        self.ended: Ended | None = None
        self._excursion: Excursion | None = None
        self._over_part: Modal | None = None  # where an abort found it
        self._polled_at = -math.inf
        self._guards = Guards()
        self._procedure: Procedure | None = None
        self._effects: list[Effect] = []

    # ---- in

    def start(self, now: float, procedure: Callable[[Engine], Procedure]) -> list[Effect]:
        """Begin: the port is open."""
        self.now = self.moved_at = self.watch.heard_at = now
        self._begin(procedure(self))
        return self._out()

    def receive(self, data: bytes, now: float) -> list[Effect]:
        """Bytes from the printer."""
        self.now = now
        self.watch.hear(now)
        for event in self.window.receive(data, now):
            self._hear(event)
        return self._out()

    def tick(self, now: float) -> list[Effect]:
        """Time has passed."""
        self.now = now
        for event in self.window.tick(now):
            self._hear(event)
        self._poll_if_due()
        self._guards.on_tick(self)
        self.readback.on_tick(self)
        self._hear(Tick())
        return self._out()

    def stood_still(self, seconds: float, now: float) -> list[Effect]:
        """This program did not look for so long: what waits to be read is as old as that. Comes before what was received."""
        self.now = now
        self._guards.on_waking(self, seconds)
        return self._out()

    def give(self, item: Item | None, now: float) -> list[Effect]:
        """The item that was asked for; None at the end of the file."""
        self.now = now
        self._hear(Given(item))
        return self._out()

    def port(self, event: PortLost | PortOpened, now: float) -> list[Effect]:
        """The port is gone, or open again."""
        self.now = now
        self.port_gone = isinstance(event, PortLost)
        if isinstance(event, PortLost) and self.decide(Input.PORT_LOST) is Does.LOSE:
            self.lost("port_lost", event.reason)
        else:
            self._hear(event)
        return self._out()

    def fail(self, alarm: str, text: str, now: float, exit_code: int = 5) -> list[Effect]:
        """Something outside has gone wrong (the file has changed, a task has died): make safe."""
        self.now = now
        if exit_code == 4:  # a signal: nobody's fault
            self.abort(Cause(exit_code, text))
        else:
            self.trip(Trip(alarm, None, None, text), exit_code=exit_code)
        return self._out()

    def data_to_send(self, now: float) -> bytes:
        """What to write now; b"" if nothing may be."""
        window, feeder, readback = self.window, self.feeder, self.readback
        if self.feeding and window.wants and readback.open:
            slower = 100.0 / max(1.0, self.feed)
            while window.wants and readback.open and (block := feeder.next()) is not None:
                window.send(block.text, block, block.seconds * slower)
                self.line = block.line
                if block.seconds:
                    self.moved_at = now
                readback.sent(self, block)
        elif not self.feeding:
            readback.drop()
        if not self.answered and (self.cause is None or self.ended is not None) and window.out_lines:
            return b""  # it may be another device: the greeting alone goes out, not the window's questions after it
        return window.data_to_send(now)

    def _out(self) -> list[Effect]:
        effects, self._effects = self._effects, []
        return effects

    # ---- what is heard

    def _hear(self, event: Any) -> None:
        self._observe(event)
        procedure = self._procedure
        if procedure is not None:
            self._step(lambda: procedure.send(event))

    def _begin(self, procedure: Procedure) -> None:
        self._procedure = procedure
        self._step(lambda: next(procedure))

    def _step(self, step: Callable[[], None]) -> None:
        procedure = self._procedure
        try:
            step()
        except StopIteration:
            if self._procedure is procedure:
                self._procedure = None
        except Tripped as why:
            self.trip(why.trip)
        except Late as why:
            self.abort(Cause(5, f"settle_late: {why}"))
        except RefusedAtStart as why:
            self._procedure = None
            self.end(State.ABORTED, 3, str(why), True)
        except StopNow:
            self._begin(whole_run.stop(self))

    def _observe(self, event: Any) -> None:
        match event:
            case Acknowledged(tags=tags):
                for tag in tags:
                    if type(tag) is Block:
                        self.account.taken(tag)
                    elif tag is not None:
                        tag.taken = True
                        self.account.inserted[tag.reason] += 1
                self.greeted = self.answered = True
                self.readback.on_taken(self)
            case Report(readings=readings):
                self._read(self.watch.report(readings, self.now))
            case Position():
                self.position = event
                self.readback.on_position(self, event)
            case Note():
                self._note(event)
            case Identity(fields=fields):
                self.identity, self.greeted = fields, True
            case Capability(name=name, enabled=enabled):
                self.capabilities[name] = enabled
            case Rewritten(number=number, lines=lines):
                self.resends += 1
                self.readback.refused(self.account.blocks)
                self.notify("link_resent", line_number=number, lines=lines)
            case Broken(restarted=restarted, reason=reason):
                self._broken(restarted, reason)
            case Fatal(text=text):
                self._fatal(text)
            case Busy():
                self.busy_at = self.now
            case Banner():
                pass  # the window makes a Broken of it

    def _note(self, note: Note) -> None:
        if self.asked is not None:
            value = answer_of(self.asked, note.text)
            self.answer = self.answer if value is None else value
        band, laying = self.band, self.streaming and not self.past_last_deposit
        if note.held_back and laying and band is not None and HELD_BACK not in self.account.bands[band].cautions:
            self.caution("held_back", f"band {band}: {HELD_BACK} ({note.text})")
            self.caution_in(band, HELD_BACK)

    def _read(self, said: list[Trip | Caution]) -> None:
        nozzle = self.watch.measured.get("nozzle")
        # The file's own heat-off at its end counts for no band.
        over = self.past_last_deposit and not self.watch.targets.get("nozzle")
        if nozzle is not None and not over:
            self.account.reading(nozzle, self.current.get("nozzle"))
        self.watch.track(self.now)
        for one in said:
            if isinstance(one, Trip):
                self.trip(one)
            else:
                self.caution(one.alarm, one.text, one.value, one.limit)
        self._guards.on_reading(self)

    def _broken(self, restarted: bool, reason: str) -> None:
        match self.decide(Input.RESTARTED if restarted else Input.NUMBERS):
            case Does.GREET:
                self.restarted_while_starting = True
            case Does.LOSE:
                self.notify("printer_reset", reason=reason)
                self.alarms.take("printer_reset", "trip", reason, None, None)
                self.abort(Cause(6, f"printer_reset: {reason}", "printer_reset", deaf=True))
            case Does.TRIP:
                self.trip(Trip("line_numbers", None, None, reason))

    def _fatal(self, text: str) -> None:
        if self.decide(Input.FATAL) is Does.TRIP:
            self.trip(Trip("printer_fatal", None, None, text or "the printer has stopped itself"), deaf=True)

    def _poll_if_due(self) -> None:
        if not self.polling or self.window.state is LinkState.BROKEN:
            return
        every, read_at = self.printer.thermal.report_s, self.watch.read_at.get("nozzle", 0.0)
        # No reading came of the last request: its answer was damaged, and two like that may be all that `stale_s` leaves.
        if self.now < self._polled_at + (every if read_at >= self._polled_at else min(every, AGAIN_S)):
            return
        if self.reports and self.now - read_at < 2 * every:
            return
        if self.window.ask_temperatures():  # else the last one is still owed its answer: again once it is given up
            self._polled_at = self.now

    # ---- what ends a procedure

    def decide(self, happens: Input) -> Does:
        """What the table says to this, in the present state, by what is heard of the printer now."""
        return decide(self.state, self._guards.hearing(self), happens)

    def trip(self, trip: Trip, deaf: bool = False, exit_code: int = 5) -> None:
        """An interlock: make safe, latched until a person resets it. The first cause is kept apart (first-out).

        What trips after it mostly follows from it: that is told, and is no alarm of its own (ISA-18.2: one a cause).
        """
        does = self.decide(Input.TRIP)
        if does is Does.NOTHING:
            return
        first = does is Does.TRIP
        before = self.watch.last.before(self.now) if first else None
        self.notify("trip", alarm=trip.alarm, value=trip.value, limit=trip.limit, first_out=first, text=trip.text,
                    readings=before)  # fmt: skip
        if first:
            self.alarms.take(trip.alarm, "trip", trip.text, trip.value, trip.limit)
            self.effect(Latch(asdict(trip)))
            self.abort(Cause(exit_code, f"{trip.alarm}: {trip.text}", trip.alarm, deaf))

    def lost(self, alarm: str, text: str) -> None:
        """The link is lost: make safe as far as it goes."""
        self.alarms.take(alarm, "trip", text, None, None)
        self.notify("link_lost", reason=text)
        self.abort(Cause(6, f"{alarm}: {text}", alarm, deaf=True))

    def abort(self, cause: Cause) -> None:
        """Drop what is under way and make safe."""
        if self.cause is None:
            self.cause = cause
            self.account.rest(self.now)
            self.state, self.feeding = State.ABORTING, False
            self._take_back()
            self._over_part = self.feeder.here() if self.streaming else None
            self.notify("aborting", reason=cause.reason)
        elif cause.emergency:  # the first cause is kept, and so is its exit code
            self.cause = replace(self.cause, emergency=True)
        else:
            return
        if self._procedure is not None:
            self._procedure.close()
        self._begin(whole_run.abort(self, self.cause))

    def end(self, state: State, exit_code: int, reason: str, proven: bool) -> None:
        """The run is over."""
        if self.ended is None:
            self.state, self.proven, self.polling = state, proven, False
            self.account.complete = state is State.COMPLETE
            self.phase = "ended"
            self.ended = Ended(state.value, exit_code, reason, proven)
            self.effect(self.ended)

    def _take_back(self) -> None:
        """What was queued and has no number yet is not sent now; blocks of the file go out after a hold."""
        tags = self.window.drop_pending()
        self.feeder.take_back(sum(type(tag) is Block for tag in tags))

    # ---- commands

    def command(self, request: dict[str, Any], now: float) -> tuple[dict[str, Any], list[Effect]]:
        """A person's or a program's wish → the answer of the contract, and what to do."""
        self.now = now
        name = str(request.get("command"))
        try:
            reason, accepted = orders.obey(self, name, request), True
        except (Refused, orders.NotNow) as why:
            reason, accepted = str(why), False
            self.notify("command_refused", command=name, reason=reason)
        answer = {"accepted": accepted, "state": self.state.value, "reason": reason, "exit": 0 if accepted else 3}
        return answer, self._out()

    # ---- what procedures ask and tell

    def effect(self, effect: Effect) -> None:
        self._effects.append(effect)

    def notify(self, kind: str, **fields: Any) -> None:
        self.effect(Notify(kind, fields))

    def caution(self, alarm: str, text: str, value: float | None = None, limit: float | None = None) -> None:
        """Told and recorded; nothing ends."""
        self.alarms.take(alarm, "caution", text, value, limit)
        self.notify("caution", alarm=alarm, text=text, value=value, limit=limit)

    def caution_in(self, band: int, text: str) -> None:
        """A caution that stays with a band."""
        if text not in self.account.bands[band].cautions:
            self.account.bands[band].cautions.append(text)

    def queue(self, one: Ours) -> None:
        self.window.send(one.block, one, one.seconds)
        if one.block[:1] == b"G":
            self.moved_at = self.now
            self.readback.drop()  # the printer is elsewhere when it answers

    def greet(self) -> None:
        """Begin the conversation anew."""
        self.greeted = False
        self.effect(Raw(b"\n"))  # ends whatever half line the printer may hold
        self.window.greet()

    def capable(self, name: str) -> bool:
        return self.capabilities.get(name, False)

    def settling(self, heat: dict[str, float], predicted: float | None) -> None:
        self.phase = "settling" if self.phase != "heating" else "heating"
        self.heating = (heat, predicted, self.now)

    def excursion(self, modal: Modal, top: float) -> Excursion:
        place = self.survey.aside if self.survey is not None and self.schedule.settle.stance != "in-place" else None
        self._excursion = Excursion(modal, top, self.printer, place)
        return self._excursion

    def takes_s(self, block: bytes) -> float:
        """Seconds that a block of ours moves for, at the least."""
        return 0.0 if self._excursion is None else self._excursion.took.get(block, 0.0)

    @property
    def feed(self) -> float:
        """The feed factor in force, %: by the schedule, by what was sent of the file, as it was found, or none."""
        return (
            self.current.get("feed") or self.feeder.told("feed") or self.prior.get("feed") or self.feed_found or 100.0
        )

    @property
    def warm(self) -> bool:
        """May filament be moved?"""
        return self.watch.believed.get("nozzle", 0.0) >= self.printer.limits.deposit_above

    def came_back(self) -> None:
        self._excursion, self.heating = None, None

    def lift_off_the_part(self) -> None:
        """After a heat-off: up and aside while still molten, where the place is known."""
        if self._over_part is not None and "Z" in self._over_part.known:
            for block in self.excursion(self._over_part, self.top).away(self.warm):
                self.queue(Ours(block, "aside", self.takes_s(block)))
            self._over_part = None

    @property
    def streaming(self) -> bool:
        """Is a stretch of the file being fed, with nothing of ours between?"""
        return self.phase == "printing" and self._excursion is None

    @property
    def past_last_deposit(self) -> bool:
        """Has the last block that lays anything down been sent?"""
        return self.survey is not None and self.line >= self.survey.facts.last_deposit

    @property
    def fan_on(self) -> bool:
        """Is the part fan on, by the schedule or by what was sent of the file?"""
        return self.current.get("fan", self.feeder.here().values.get("fan", 0.0)) > 0.0

    @property
    def away(self) -> bool:
        """Is the nozzle aside, or in place for a wait?"""
        return self._excursion is not None

    @property
    def wants_hold(self) -> bool:
        return self.state is State.HOLDING

    def hold_now(self) -> None:
        """What has no number yet is kept for after the hold."""
        self.holds.begin(self, "command", "")
        if self.streaming and self.feeding and not self.fed_whole:
            self.feeding = False
            self._take_back()

    def rest_begins(self) -> None:
        """Aside and at rest."""
        self.leave_if_stopping()
        self.account.rest(self.now)
        self.state = completed(self.state)

    def restarted(self) -> None:
        """Back at the part after a hold."""
        if self.state is State.RESTARTING:
            self.state = completed(self.state)
            self.notify("resumed", band=self.entering or self.band, line=self.line)

    def leave_if_stopping(self) -> None:
        if self.state is State.STOPPING:
            raise StopNow

    def entered(
        self, item: Crossing, setpoints: dict[str, float], predicted: float | None, taken: float | None
    ) -> None:
        account = self.account.bands[item.band.number]
        account.predicted_s, account.settle_s = predicted, taken
        account.proof = {channel: self.proofs[channel] for channel in setpoints}
        self.current, self.band, self.entering = dict(setpoints), item.band.number, None
        self.account.enter(item.band.number, self.now)

    def located(self, place: dict[str, float]) -> None:
        """Where the printer is after homing: the runner hands it to the itinerary."""
        self.place = place

    def need_item(self) -> None:
        self.effect(NeedItem())

    # ---- status

    def status(self) -> dict[str, Any]:
        """The whole status, as published; the runner adds what it alone knows."""
        return status_of(self)
