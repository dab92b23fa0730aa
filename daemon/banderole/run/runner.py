"""The async shell: carries out the engine's effects, feeds it bytes, time and items, and makes safe whatever happens.

Everything is in one event loop and one task; outlets (record, sockets, broker, screen) hang on callables that return at
once, so none of them can hold the stream up.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol, TypeVar

from banderole.plan.blocks import blocks_of
from banderole.plan.config import Printer
from banderole.plan.itinerary import Item, Itinerary
from banderole.plan.refusal import InputError
from banderole.plan.schedule import Schedule
from banderole.plan.survey import Survey
from banderole.run import whole_run
from banderole.run.clockwork import LIFE, TICK_S, Clockwork
from banderole.run.effects import (
    Effect,
    Ended,
    Latch,
    NeedItem,
    Notify,
    PortLost,
    PortOpened,
    PulseDtr,
    Raw,
    Reopen,
    Unfinished,
)
from banderole.run.engine import Engine
from banderole.run.make_safe import MAINS
from banderole.run.steps import Procedure

log = logging.getLogger("banderole.run")
T = TypeVar("T")

LAST_RESORT: Final = b"\nM104 S0\nM140 S0\nM112\n"
"""Without numbers, as no state of ours can be trusted any more: boards take such lines as they come."""
LAST_RESORT_S: Final = 1.0
STOOD_STILL_S: Final = 2.0
"""Between two looks, of which twenty are due each second, two in a rehearsal."""
CLOSED_S: Final = 0.3
"""Between closing a port and opening it again: the quarter second for which a board must see DTR low (common practice,
no source), and time for whoever sits behind a terminal to see that nobody has it open."""
LONGEST_LADDER_S: Final = 960.0
"""After the engine's own bounds (15 min for a queued heat-off, a minute for the rungs) the shell gives up."""


class Link(Protocol):
    """What the runner needs of a port (`banderole.link.port.Port`)."""

    def open(self, receiver: Callable[[bytes], None]) -> None: ...
    def write(self, data: bytes) -> None: ...
    def pulse_dtr(self) -> None: ...
    def close(self) -> None: ...


class Marks(Protocol):
    """What outlives the program: the latch, the occupied bed, the unfinished run."""

    def latch(self, trip: dict[str, Any]) -> None: ...
    def unfinished(self, run: str, prior: dict[str, float]) -> None: ...
    def finished(self, proven: bool) -> None: ...


@dataclass(slots=True)
class Outlets:
    """Who is told: each callable returns at once."""

    event: list[Callable[[dict[str, Any]], None]] = field(default_factory=list)
    thermal: list[Callable[[dict[str, Any]], None]] = field(default_factory=list)
    state: list[Callable[[str], None]] = field(default_factory=list)
    beat: list[Callable[[], None]] = field(default_factory=list)  # at each look, however little goes on


@dataclass(frozen=True, slots=True)
class Job:
    """One run: the file as it was opened and surveyed, and by what schedule on which printer."""

    file: BinaryIO
    name: str
    schedule: Schedule
    printer: Printer
    survey: Survey


class Runner:
    """One run, or one make-safe, on one port."""

    def __init__(
        self,
        printer: Printer,
        schedule: Schedule,
        job: Job | None,
        port: Link,
        marks: Marks,
        clockwork: Clockwork = LIFE,
    ) -> None:
        self.printer = printer
        self._clockwork = clockwork
        self._sparing = clockwork.rest_s > TICK_S
        self.engine = Engine(printer, schedule, job.survey if job is not None else None)
        self.outlets = Outlets()
        self.run_id = f"{clockwork.wall():%Y%m%d-%H%M%S}-{clockwork.token(2)}"
        self.seq = 0
        self.nonce = self._clockwork.token(16)
        self.since = self._clockwork.utc()
        self.job = job
        self._port = port
        self.marks = marks
        self._items: Iterator[Item] = iter(())
        self._itinerary: Itinerary | None = None
        self._ended = asyncio.Event()
        self._left = False
        self._fault: Exception | None = None
        self._own_fault: str | None = None
        self._size: int | None = None
        self._state = ""
        self._read = 0
        self._opening: asyncio.TimerHandle | None = None
        self._look: asyncio.TimerHandle | None = None
        self._looked_at = 0.0

    # ---- the one task

    async def run(self, procedure: Callable[[Engine], Procedure] = whole_run.run) -> Ended:
        """To the end, and heat off whatever happens. Raises PortError where the port cannot be opened."""
        if self.job is not None:
            self._itinerary = Itinerary(
                blocks_of(self.job.file, self.job.name, self.job.survey.blocks), self.engine.schedule,
                self.printer.firmware.e_mode, self.job.survey.facts,
            )  # fmt: skip
            self._items = self._itinerary.items()
        self._port.open(self._received)
        try:
            return await self._go(procedure)
        finally:
            for timer in (self._opening, self._look):
                if timer is not None:
                    timer.cancel()
            self._port.close()

    async def _go(self, procedure: Callable[[Engine], Procedure]) -> Ended:
        self._looked_at = _now()
        self._perform(self.engine.start(_now(), procedure))
        try:
            await self._until_ended()
        except BaseException as why:
            log.exception("the run's own task ended")
            await self._whatever_is_cancelled(self._make_safe(why))
            if not isinstance(why, Exception):
                raise
        ended = self.engine.ended
        if ended is None and self._own_fault is not None:
            ended = Ended("Aborted", 70, f"{self._own_fault}; heat is not proven off: look at the printer", False)
        if ended is None:
            ended = Ended("Aborted", 5, "the ladder was left: heat is not proven off", False)
        if ended.exit != 3:
            self.marks.finished(ended.proven)
        self._event("run_ended", self._summary(ended))
        return ended

    async def _whatever_is_cancelled(self, ladder: Coroutine[Any, Any, None]) -> None:
        """The ladder to its end, though this task be cancelled meanwhile; then it counts as cancelled."""
        climbing, cancelled = asyncio.ensure_future(ladder), None
        while not climbing.done():
            try:
                await asyncio.shield(climbing)
            except asyncio.CancelledError as why:
                cancelled = why
        if cancelled is not None:
            raise cancelled

    async def _until_ended(self) -> None:
        """Ticks come from a timer; what is raised there, or on the way in, is raised here."""
        self._look_later(TICK_S)
        await self._ended.wait()
        if self._fault is not None:
            raise self._fault

    def _look_later(self, seconds: float) -> None:
        self._look = asyncio.get_running_loop().call_later(seconds, self._tick)

    def _tick(self) -> None:
        self._guarded(self._looked)
        self.beat()
        if not self._ended.is_set():
            self._look_later(self._clockwork.rest_s)
            self._look_sooner()

    def beat(self) -> None:
        """The run's own task, or its timer, has come round."""
        for outlet in self.outlets.beat:
            outlet()

    def _looked(self) -> list[Effect]:
        self._file_unchanged()
        return [*self._awake(), *self.engine.tick(_now())]

    def _awake(self) -> list[Effect]:
        """Each look begins with how long ago the last one was: this program may have been stopped, or its machine asleep."""
        now = _now()
        stood_still, self._looked_at = now - self._looked_at, now
        return self.engine.stood_still(stood_still, now) if stood_still > STOOD_STILL_S else []

    def _look_sooner(self) -> None:
        """Where looks are further apart than a tick, and something falls due on the line before the next."""
        due, look = self.engine.window.next_deadline(), self._look
        if due is not None and look is not None and due < look.when():
            now = _now()
            seconds = max(TICK_S, due - now)
            if now + seconds < look.when():
                look.cancel()
                self._look_later(seconds)

    async def _make_safe(self, why: BaseException) -> None:
        """A fault of ours, or a cancellation: the engine's ladder, driven to its end."""
        exit_code = 4 if isinstance(why, asyncio.CancelledError | KeyboardInterrupt) else 70
        self._fault = None
        if self._look is not None:
            self._look.cancel()
        try:
            self._perform(self.engine.fail("own_fault", f"a fault of ours: {why!r}", _now(), exit_code))
            until = _now() + LONGEST_LADDER_S
            while self.engine.ended is None and not self._left and _now() < until:
                await asyncio.sleep(TICK_S)
                if self._fault is not None:
                    raise self._fault
                self._perform(self.engine.tick(_now()))
                self.beat()
        except Exception:
            log.exception("the ladder itself has a fault: heat off past all numbering, then the emergency stop")
            self._port.write(LAST_RESORT)
            self.engine.proven = False
            self.caution("mains", MAINS)
            await asyncio.sleep(LAST_RESORT_S)
            self._own_fault = f"a fault of ours: {why!r}"

    def _file_unchanged(self) -> None:
        """A G-code file that becomes shorter while it runs (fault D3); other changes show in the digest at the end."""
        if self.job is None or self.engine.cause is not None or self._itinerary is None:
            return
        try:
            size = _size(self.job.file)
        except OSError:
            return
        if self._size is None:
            self._size = size
        elif size != self._size:
            self._perform(self.engine.fail("file_changed", "the G-code file has changed while it runs", _now()))

    def leave(self) -> None:
        """A third signal: leave a ladder that is not proven."""
        self._left = True
        self._ended.set()

    # ---- in

    def _received(self, data: bytes) -> None:
        if data:
            self._guarded(lambda: [*self._awake(), *self.engine.receive(data, _now())])
        else:
            self._guarded(lambda: self.engine.port(PortLost("the device is gone"), _now()))

    def _guarded(self, fed: Callable[[], list[Effect]]) -> None:
        """From the event loop, which would only log what is raised here: a fault is kept for the run's own task."""
        try:
            self._perform(fed())
        except Exception as why:
            self._fault = self._fault or why
            self._ended.set()

    def command(self, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        """From a socket, the broker or a signal; answers at once. Never raises for what a person can get wrong."""
        if self.engine.ended is not None:
            return {"accepted": False, "state": self.engine.state.value, "reason": "the run is over", "exit": 3}
        answer, effects = self.engine.command(request, _now())
        for effect in effects:
            if isinstance(effect, Notify) and effect.kind in ("command_accepted", "command_refused"):
                effect.fields.update(who={k: v for k, v in who.items() if k != "files"})
                effect.fields.update({"uid": who["uid"]} if "uid" in who else {})
        self._perform(effects)
        return answer

    def refused(self, refusal: dict[str, Any]) -> None:
        """A command that an outlet did not let through."""
        self._event("command_refused", {**refusal, "who": {"via": "broker"}})

    def tell(self, kind: str, fields: dict[str, Any]) -> None:
        """Something about this run that its engine does not know, such as who started it."""
        self._event(kind, fields)

    def caution(self, alarm: str, text: str) -> None:
        """Something beside the run has gone wrong, such as its record: told as long as the run goes; nothing ends."""
        if self.engine.ended is None:
            self.engine.alarms.take(alarm, "caution", text, None, None)
            self._event("caution", {"alarm": alarm, "text": text, "value": None, "limit": None})

    # ---- out

    def _perform(self, effects: list[Effect]) -> None:
        """Carry out effects and what they bring forth, write whatever may be written, and only then tell what happened.

        A heat-off is among those bytes: neither the outlets nor the threads that they wake stand before it.
        """
        waiting, told = list(effects), list[Effect]()
        try:
            while waiting:
                effect = waiting.pop(0)
                if isinstance(effect, Notify | Latch):
                    told.append(effect)
                else:
                    waiting[:0] = self._one(effect)
            data = self.engine.data_to_send(_now())
            if data:
                self._port.write(data)
        finally:
            for effect in told:
                self._one(effect)
        if self.engine.watch.readings != self._read:
            self._tell_readings()
        if self._sparing:
            self._look_sooner()
        if self._state != self.engine.state.value:
            self._state = self.engine.state.value
            self.nonce = self._clockwork.token(16)
            self._hand(self.outlets.state, self._state)

    def _one(self, effect: Effect) -> list[Effect]:
        match effect:
            case Notify(kind=kind, fields=fields):
                self._event(kind, fields)
            case Raw(data=data):
                self._port.write(data)
            case NeedItem():
                return self._next_item()
            case PulseDtr():
                self._port.pulse_dtr()
            case Reopen():
                return self._reopen()
            case Latch(trip=trip):
                self.marks.latch({**trip, "run": self.run_id, "at": self._clockwork.utc()})
            case Unfinished(prior=prior):
                self.marks.unfinished(self.run_id, prior)
            case Ended():
                self._ended.set()
        return []

    def _next_item(self) -> list[Effect]:
        if self.engine.place is not None and self._itinerary is not None:
            self._itinerary.located(self.engine.place)
            self.engine.place = None
        try:
            item = next(self._items, None)
        except (InputError, OSError) as why:
            return self.engine.fail("file_changed", f"the G-code file can no longer be read: {why}", _now())
        return self.engine.give(item, _now())

    def _reopen(self) -> list[Effect]:
        self._port.close()
        if self._opening is not None:  # asked for by a ladder that another has replaced
            self._opening.cancel()
        self._opening = asyncio.get_running_loop().call_later(CLOSED_S, self._open_again)
        return []

    def _open_again(self) -> None:
        self._opening = None
        try:
            self._port.open(self._received)
            outcome: PortOpened | PortLost = PortOpened()
        except Exception as why:  # whatever the reason, the ladder goes on with its next attempt
            outcome = PortLost(str(why))
        self._guarded(lambda: self.engine.port(outcome, _now()))

    def _event(self, kind: str, fields: dict[str, Any]) -> None:
        self.seq += 1
        event = {"seq": self.seq, "at": self._clockwork.utc(), "run": self.run_id, "kind": kind, **fields}
        if kind == "run_started" and self.job is not None:
            event.update(
                file=Path(self.job.name).name, title=self.engine.schedule.title, printer=self.printer.name,
                blocks_sha256=self.job.survey.digest, blocks=self.job.survey.blocks,
            )  # fmt: skip
        self._hand(self.outlets.event, event)

    def _hand(self, outlets: list[Callable[[T], None]], said: T) -> None:
        for outlet in list(outlets):
            try:
                outlet(said)
            except Exception:
                if self.engine.cause is None and self.engine.ended is None:
                    raise  # a fault of ours, which ends the run
                log.exception("an outlet has a fault; the run's end goes on without it")

    def _tell_readings(self) -> None:
        self._read = self.engine.watch.readings
        if not self.outlets.thermal:
            return
        watch = self.engine.watch
        reading = {
            "at": self._clockwork.utc(),
            "run": self.run_id,
            "measured": dict(watch.measured),
            "setpoint": dict(watch.targets),
            "power": dict(watch.power),
        }
        self._hand(self.outlets.thermal, reading)

    # ---- facts for outlets

    def status(self) -> dict[str, Any]:
        """The whole status of the contract."""
        status = {
            **self.engine.status(),
            "run": self.run_id,
            "printer": self.printer.name,
            "file": Path(self.job.name).name if self.job is not None else None,
            "title": self.engine.schedule.title,
            "since": self.since,
            "nonce": self.nonce,
        }
        return status

    def bands(self) -> list[dict[str, Any]]:
        """The schedule with what each band has got so far."""
        return self.engine.account.as_bands()

    def _summary(self, ended: Ended) -> dict[str, Any]:
        account, job = self.engine.account, self.job
        return {
            "state": ended.state,
            "exit": ended.exit,
            "reason": ended.reason,
            "first_out": self.engine.alarms.first_out,
            "heat_proven_off": ended.proven,
            "blocks_sha256": {"file": job.survey.digest if job is not None else None, "acknowledged": account.digest},
            "blocks": account.blocks,
            "inserted": dict(account.inserted),
            "resends": self.engine.resends,
            "heaters": {heater: model.quality for heater, model in self.engine.watch.models.items() if model.curve},
            "bands": [{k: v for k, v in band.items() if k != "state"} for band in account.as_bands()],
        }


def _now() -> float:
    """Monotonic seconds, or in a rehearsal's loop virtual ones."""
    return asyncio.get_running_loop().time()


def _size(file: BinaryIO) -> int:
    return os.fstat(file.fileno()).st_size
