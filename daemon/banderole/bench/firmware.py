"""The emulated printer, sans-I/O: bytes and the clock go in, bytes come out. This is the centre of the bench.

It lives by events. Each has a clock, `advance` takes them in order up to now, and `next_event` says when it wants to be
asked again, so the same board runs in real time, faster, or in virtual time. A command that takes time is a generator
(see `reading.Waiting`); while it lasts, lines gather: first in the queue of commands, then in the receive ring, which
overflows.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Literal

from banderole.bench.commands import HANDLERS
from banderole.bench.do_motion import delayed_move, plain_move
from banderole.bench.faults import FaultPlan
from banderole.bench.hearing import Hearing
from banderole.bench.line_discipline import Line
from banderole.bench.machine import Machine
from banderole.bench.manners import Manners
from banderole.bench.reading import Waiting, read
from banderole.bench.records import Log, OnRecord
from banderole.bench.timers import Timers
from banderole.bench.voice import Voice


class EmulatedPrinter:
    """One board with its machine. The clock is in s, begins at 0, and never runs backwards."""

    def __init__(self, manners: Manners | None = None, on_record: OnRecord | None = None) -> None:
        self.manners = manners = manners or Manners()
        self.clock = 0.0
        self.log = Log(manners.log_limit, on_record)
        self.machine = Machine(manners, self.log, 0.0)
        self.voice = Voice(manners, self.log)
        self.hearing = Hearing(manners)
        self.unplugged = False  # fault S12: the outlet takes the port away and clears this
        self.readings_muted = False
        self.refusal_repeats = 1
        self.resend_wrong_by = 0
        self._faults = FaultPlan(manners.faults)
        self._due = -math.inf  # clock of the next event, kept while nothing happens; -inf: to be looked for
        self._begin_anew("alive")

    def _begin_anew(self, state: Literal["booting", "alive"]) -> None:
        self.state: Literal["booting", "alive", "halted"] = state
        self.number: int | None = None  # of the command under way
        self.ok_tail = ""
        self.break_wait = False
        self.busy_reason = "processing"
        self.timers = Timers(self.manners, self.clock)
        self.heating = self.deaf = False  # what the command under way means for `busy` and reports
        self._queue: deque[Line] = deque()
        self._job: Waiting | None = None
        self._job_until = math.inf
        self._halt_text = ""
        self._due = -math.inf
        self._boot_at = self.clock + self.manners.boot_s if state == "booting" else math.inf

    @property
    def under_way(self) -> bool:
        """A command that takes time is being carried out."""
        return self._job is not None

    # --- the three doors
    def receive(self, data: bytes, now: float) -> None:
        """Bytes from the host, put on the wire now."""
        self._live_until(now)
        self.hearing.send(data, self.clock)
        if self._due != -math.inf:  # bytes bring nothing but lines, and orders that act at once
            self._due = min(self._due, self._heard_at())

    def advance(self, now: float) -> bytes:
        """Lives on until now; returns the bytes to the host."""
        self._live_until(now)
        self.machine.carry_out(self.clock)
        return self.voice.take(self.clock)

    def next_event(self, now: float) -> float | None:
        """Clock at which `advance` should be called again, not before `now`; None if only bytes can wake the board."""
        ending = self.machine.planner.rest_at if self.machine.planner.queue else math.inf
        at = min(self._due if self._due != -math.inf else self._next(), self.voice.ready_at(), ending)
        return None if at == math.inf else max(at, now)

    def opened(self, now: float) -> None:
        """The host opened the port: DTR rises."""
        self._live_until(now)
        self.voice.forget()
        self._due = -math.inf
        if self.manners.restart_on_open:
            self.restart("port opened")

    def pulse_dtr(self, now: float) -> None:
        self._live_until(now)
        if self.manners.dtr_resets:
            self.restart("DTR")

    def befall(self, fault: str) -> None:
        """One more fault to come, `NAME@WHEN`. Raises ValueError with one clear line."""
        self._faults.add(fault)
        self._due = -math.inf

    # --- events
    def _next(self) -> float:
        # Comparisons, not `min`: this is asked some four times for each line of a file.
        at = self._faults.next_at
        if self._boot_at < at:
            at = self._boot_at
        if self.state == "booting":
            return at
        heard = self._heard_at()
        if heard < at:
            at = heard
        if self.state == "halted":
            return at
        if self._job_until < at:
            at = self._job_until
        due = self.timers.next(self)
        return due if due < at else at

    def _heard_at(self) -> float:
        """Clock at which the next line can be read, or an order acts as it arrives."""
        if self.state == "booting":
            return math.inf
        at = self.hearing.uart.next_line_at if self._reading else math.inf
        orders = self.hearing.at_once
        return min(at, orders[0][0]) if orders and self.state != "halted" else at

    def _live_until(self, now: float) -> None:
        at = self._due
        if at > now:
            if now > self.clock:
                self.clock = now
            return
        while (at := self._next()) <= now:
            if at > self.clock:
                self.clock = at
            self._step()
        self._due = at
        if now > self.clock:
            self.clock = now

    def _step(self) -> None:
        """Does what is due at this clock, one thing at a time."""
        clock = self.clock
        if self._faults.next_at <= clock:
            self._faults.strike(self)
        elif self.state == "booting":
            self._boot()
        elif self.state == "halted":
            self._hear()
        elif self.hearing.at_once and self.hearing.at_once[0][0] <= clock:
            self._act_at_once(self.hearing.at_once.popleft()[1])
        elif self._job is not None and self._job_until <= clock:
            self._go_on()
        elif self._reading and self.hearing.uart.next_line_at <= clock:
            self._hear()
        else:
            self.timers.strike(self)

    # --- lines
    @property
    def _reading(self) -> bool:
        return len(self._queue) + (self._job is not None) < self.manners.command_queue

    def _hear(self) -> None:
        raw, verdict = self.hearing.take()
        if self.state == "halted":
            self.log.line(raw, self.clock, "halted")
            if self.manners.halt_talks:
                self._tell_halt()
        elif isinstance(verdict, Line):
            self.log.line(raw, self.clock)
            self.timers.heard_at = self.clock
            if self._job is None:
                self._begin(verdict)
            else:
                self._queue.append(verdict)
            if not self._reading:
                self.hearing.uart.stop_reading()
        elif verdict is not None:
            self.log.line(raw, self.clock, verdict.why)
            self._refuse(verdict.why)

    def _refuse(self, why: str) -> None:
        last = self.hearing.discipline.last
        wanted = last + 1 if not self.resend_wrong_by else max(2, last + 1 + self.resend_wrong_by)  # 1: a restart
        if self.manners.flush_on_refusal:
            self.hearing.uart.clear(self.clock)
        for _ in range(self.refusal_repeats):
            self.say(f"Error:{why}, Last Line: {last}")
            self.say(f"{self.manners.resend_form}{wanted}")
            if self.manners.resend_ok:
                self.voice.ok("ok", self.clock)
        self.refusal_repeats = 1

    def _begin(self, line: Line) -> None:
        self.number = line.number
        self.log.command(line.number, line.text, self.clock)
        if self._faults.next_count <= self.log.executed:
            self._faults.strike(self)
            if self.state != "alive":
                return
        if line.move is not None:
            if plain_move(self, line.move):
                self._ok()
                return
            job: Waiting | None = delayed_move(self, line)
        else:
            job = self._handled(line.text)
        if job is not None:
            self._job, self._job_until = job, self.clock
            self.timers.command_begun(self.clock)
            self.break_wait = self.heating = self.deaf = False
            self.busy_reason = "processing"
            self._go_on()
        elif self.state == "alive":
            self._ok()

    def _handled(self, text: bytes) -> Waiting | None:
        """What a command does at once, or the job that it is."""
        code, words = read(text)
        handler = HANDLERS.get(code)
        if handler is None:
            self.unknown(text.decode("latin-1"))
            return None
        return handler(self, words)

    def _go_on(self) -> None:
        """Goes on with the command under way, and with those behind it as far as they end at once."""
        job = self._job
        if job is not None:
            self._job_until = next(job, math.nan)
            if self._job is not job:  # the command halted or restarted the board
                return
            if not math.isnan(self._job_until):
                return
            self._end_job()
        while self._job is None and self._queue and self.state == "alive":
            self._begin(self._queue.popleft())
        if self._reading:
            lost = self.hearing.uart.read_on(self.clock)
            if lost:
                self.log.event(self.clock, "overrun", f"{lost} bytes lost")

    def _end_job(self) -> None:
        self._job = None
        self._job_until = math.inf
        self.timers.command_ended(self.clock)
        self.heating = self.deaf = False
        self._ok()

    def _ok(self) -> None:
        text = "ok"
        if self.manners.advanced_ok:
            number = "" if self.number is None else f" N{self.number}"
            room = self.machine.planner.depth - len(self.machine.planner.queue)
            text = f"ok{number} P{max(0, room)} B{self.manners.command_queue - len(self._queue)}"
        text, self.ok_tail = text + self.ok_tail, ""
        self.voice.ok(text, self.clock)

    def _act_at_once(self, code: str) -> None:
        self.log.event(self.clock, "at_once", code)
        match code:
            case "M108":
                self.break_wait = True
                if self._job is not None:
                    self._job_until = self.clock
            case "M112":
                self.halt("stopped by M112")
            case "M410":
                self.machine.stop(self.clock)
                if self._job is not None:
                    self._job_until = self.clock
            case _:
                raise ValueError(f"no order that acts at once: {code!r}")

    # --- what commands may ask of the board
    def say(self, text: str) -> None:
        self.voice.say(text, self.clock)

    def say_reading(self, text: str) -> None:
        if not self.readings_muted:
            self.say(text)

    def answer(self, code: str, text: str) -> None:
        """The answer to a bare command, where this board gives one."""
        if code in self.manners.answers:
            self.say(text)

    def unknown(self, text: str) -> None:
        self.say(f'echo:not known here: "{text}"')

    def cold(self, held_back: bool) -> None:
        if held_back:
            self.log.event(self.clock, "cold", f"N{self.number}")
            self.say("echo:nozzle too cold, filament held back")

    def let_motors_go(self, why: str) -> None:
        lost = self.machine.release_motors()
        self.log.event(self.clock, "motors_released", why + (", position lost" if lost else ""))

    def halt(self, text: str) -> None:
        """Heat off, motors off, deaf to everything but a reset."""
        self.log.event(self.clock, "halted", text)
        self.machine.stop(self.clock)
        self.machine.heat_off(self.clock)
        self.machine.release_motors()
        self._begin_anew("alive")
        self.state = "halted"
        self._halt_text = text
        self.hearing.uart.read_on(self.clock)
        self._tell_halt()

    def _tell_halt(self) -> None:
        self.say(f"!! {self._halt_text}" if self.manners.halt_form == "!!" else f"Error:{self._halt_text}; halted")

    def restart(self, why: str) -> None:
        """The board begins anew: what it was told is forgotten, bodies stay as warm as they are."""
        self.log.event(self.clock, "restart", why)
        self.machine.stop(self.clock)
        self.machine.heat_off(self.clock)
        self.machine.reset(self.clock)
        self.voice.forget()
        self.hearing.uart.read_on(self.clock)
        self._begin_anew("booting")

    def _boot(self) -> None:
        self.hearing.restart(self.clock)
        self._begin_anew("alive")
        self.say("start")
        self.say("echo:emulated bench board ready")
