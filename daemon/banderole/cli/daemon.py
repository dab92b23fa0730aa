"""The daemon of one printer: Idle until a run is handed over, then run after run. One thing at a time, in one task.

Theory of operation
-------------------
`live` is that task. It takes the next of what is wanted, in this order: leave; make safe, where a person asks or a run
never ended; reset a latch; begin the run that was handed over. What is asked comes in by `command`, which returns at once
or gives a coroutine (`start` and `reset` take their time; their client waits). While a run, or a make-safe, is under way,
its runner answers.

The port is open for a run or a make-safe only. In between nothing is owed to anybody: no heat of ours is on, the printer
may be used from its panel or by another program, be switched off or unplugged. The price: some boards restart when the
port is opened, as they do at every `run`.

What ended last stays in sight (Complete, Stopped, Aborted, with its bands) until `reset` or the next start. `start` wants
a word of somebody who has seen the bed, so from those states it is a reset as well; a latched trip wants its own.

A run that never ended, of a killed daemon or because heat could not be proven off, is made safe before anything else, again
and again, and until then nothing is begun. Heat never comes back by itself.
"""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Callable
from datetime import UTC, datetime
from secrets import token_hex
from typing import Any, Final

from banderole.cli.errors import RefusedHere
from banderole.cli.idle import idle_status, latched_alarms
from banderole.cli.journaling import take_latch_off
from banderole.cli.leftover import Leftover
from banderole.cli.marks import latched, not_to_reset, part_on_bed
from banderole.cli.stage import Kept, Outlets, Step, carry_out
from banderole.cli.starting import Begin, No, Starts, by, exit_of, has_begun, refusal, whose
from banderole.link import handover
from banderole.link.local_socket import Answer
from banderole.link.port import PortError
from banderole.link.service import ROUND_S, Attendant, attendant, attended
from banderole.plan.config import Printer
from banderole.plan.refusal import InputError
from banderole.plan.schedule import Schedule
from banderole.run import whole_run
from banderole.run.effects import Ended
from banderole.run.emergency import emergency_only
from banderole.run.runner import Link, Runner
from banderole.run.state import State

UNPROVEN: Final = 5
"""The contract's exit code where heat could not be proven off."""


class Daemon:
    """Everything here returns at once, the work of `live` apart. `port_of` gives a port that is not open yet; `told` gets
    every event, of runs and of the daemon."""

    def __init__(
        self,
        printer: Printer,
        port_of: Callable[[Printer], Link],
        told: Callable[[dict[str, Any]], None],
        service: Attendant | None = None,
    ) -> None:
        self.printer = printer
        self._port_of = port_of
        self._told = told
        self._outlets: Outlets | None = None
        self._runner: Runner | None = None  # under way, or what ended last
        self._going = False
        self._to_reset: tuple[asyncio.Future[float], dict[str, Any]] | None = None  # who waits for it, whose it is
        self._order = ""  # abort or estop, while nothing is under way
        self._left = Leftover(printer.name)
        self._at_rest = asyncio.Event()  # nothing goes on, and what did is written down
        self._at_rest.set()
        self._seen = False  # the alarms that outlive a run: acknowledged
        self._leaving = False
        self._exit = 0
        self._seq = 0
        self._since, self._nonce = _utc(), token_hex(16)
        self._wake = asyncio.Event()
        self._starts = Starts(printer, self._wake.set)
        self._service = service or attendant()
        self._beat = self._service.rounds.expect("daemon")  # while a run is under way, by its looks

    # ---- the one task

    async def live(self, outlets: Outlets) -> int:
        """Until a signal; the exit code. The outlets are open."""
        self._outlets = outlets
        handover.clear(self.printer.name)
        await self._look()
        while not self._leaving or self._order:  # an abort that was accepted is carried out
            self._wake.clear()
            if await self._one():
                gc.collect()  # a run's objects stand in circles; now it holds nothing up, and memory stays flat
                await self._look()
            else:
                await self._rest()
        await self._starts.over()
        return self._exit or (UNPROVEN if self._left.run is not None else 0)

    async def _look(self) -> None:
        """What stands on the disk now, after whatever was done: a run that never ended."""
        await self._left.look(self._beat)
        if self._outlets is not None:
            self._outlets.show()

    async def _rest(self) -> None:
        """Until something is asked, the next attempt to make safe is due, or a round is over.

        Where this is reached for the first time, an attempt has been made at whatever was left. It may not have been proven:
        a printer that is switched off must not hold the machine's start up. That is said, and tried again.
        """
        self._service.ready()
        self._beat()
        try:
            await asyncio.wait_for(self._wake.wait(), min(ROUND_S, self._left.rest_s))
        except TimeoutError:
            pass  # the time being over is one of the things waited for

    async def _one(self) -> bool:
        """The next thing that is wanted. Whether there was one."""
        if self._order:
            order, self._order = self._order, ""
            await self._make_safe(emergency_only if order == "estop" else whole_run.make_safe_only, asked=True)
        elif self._left.due:
            await self._make_safe(whole_run.make_safe_only)
        elif self._to_reset is not None:
            waiting, who = self._to_reset
            await self._reset_latch(waiting, who)
            self._to_reset = None
        elif (begin := self._starts.take()) is not None:
            if self._left.run is None:
                await self._run(begin)
            else:
                begin.drop(self._left.sentence())
        else:
            return False
        return True

    async def _run(self, begin: Begin) -> None:
        """One run that was handed over, from start to end; its client hears when it has begun, or why not."""
        job = begin.job
        runner = Runner(job.printer, job.schedule, job, self._port_of(self.printer), Kept(self.printer.name))
        runner.outlets.event.append(lambda event: has_begun(event, begin, runner))
        refused = ""
        try:
            ended = await self._carry_out(runner, whole_run.run)
            refused = ended.reason
            if ended.proven:
                self._left.proven(runner.run_id)
            self._left.tried()
            if not begin.begun.done():
                self._rest_now()  # refused: nothing was heated, and nothing of it is left to be seen
            elif self._leaving:
                self._exit = ended.exit
        except PortError as why:
            refused = str(why)
        finally:
            begin.drop(refused or "a fault of ours: see the log", 3 if refused else 70)

    async def _make_safe(self, procedure: Step, asked: bool = False) -> tuple[Ended | None, dict[str, float]]:
        """Heat off, proven, and what a run that never ended left changed put back. Also what was measured last, °C."""
        before = self._left.unsafe
        runner = Runner(self.printer, Schedule.empty(), None, self._port_of(self.printer), Kept(self.printer.name))
        runner.engine.prior = self._left.prior
        ended, self._left.unsafe = None, ""
        try:
            ended = await self._carry_out(runner, procedure)
            if ended.proven:
                self._left.proven((self._left.run or {}).get("run"))
            else:
                self._left.unsafe = ended.reason
        except PortError as why:
            self._left.unsafe = str(why)
            if asked or self._left.unsafe != before:  # not with each of many attempts
                self._tell("make_safe", {"proven": False, "measured": {}, "reason": self._left.unsafe})
        self._left.tried(before)
        if self._leaving and self._left.unsafe:
            self._exit = UNPROVEN
        return ended, dict(runner.engine.watch.measured)

    async def _carry_out(self, runner: Runner, procedure: Step) -> Ended:
        assert self._outlets is not None
        self._runner, self._going = runner, True
        self._seen = self._seen and runner.job is None
        self._at_rest.clear()
        runner.outlets.event.append(self._told)
        runner.outlets.beat.append(self._beat)
        try:
            return await carry_out(runner, self._outlets, procedure)
        except PortError:
            self._rest_now()  # nothing was sent
            raise
        finally:
            self._going = False
            self._at_rest.set()

    async def _reset_latch(self, waiting: asyncio.Future[float], who: dict[str, Any]) -> None:
        """The latch off, once heat is proven off and the nozzle cool. Where the client has gone, nothing is done."""
        if waiting.cancelled():
            return
        ended, measured = await self._make_safe(whole_run.make_safe_only)
        refusal = f"not reset: {self._left.unsafe}" if ended is None else not_to_reset(ended, measured)
        if refusal is None:
            await attended(asyncio.to_thread(take_latch_off, self.printer.name, by(who)), self._beat)
            self._tell("trip_reset", by(who))
            self._rest_now()
        if waiting.cancelled():
            return
        if refusal is None:
            waiting.set_result(measured["nozzle"])
        else:
            waiting.set_exception(No(refusal))

    # ---- what is asked

    def command(self, request: dict[str, Any], who: dict[str, Any]) -> Answer:
        """From the local socket or the broker. Only `start` and `reset`, which the broker does not carry, answer later."""
        name = str(request.get("command"))
        try:
            match name:
                case "start" | "reset" if who.get("via") != "local":
                    raise No(f"{name} is taken at the local socket only: by somebody who is there")
                case "start":
                    names = (request.get("file"), request.get("schedule"))
                    return self._answered(name, self._start(handover.take(who["files"], names), request, who), who)
                case "reset":
                    return self._answered(name, self._reset(who), who)
                case _ if self._runner is not None and self._under_way:
                    return self._runner.command(request, who)
                case "abort" | "estop":
                    return self._abort(name, who)
                case "acknowledge":
                    return self._acknowledge(who)
                case _:
                    raise No(refusal(self._state, name))
        except (No, InputError) as why:
            return self._refuse(name, why, who)

    def signalled(self, request: dict[str, Any], who: dict[str, Any]) -> None:
        """SIGINT or SIGTERM: an abort where something is under way; then, or else at once, leave."""
        self._leaving = True
        self._service.stopping()
        self._starts.give_up()
        if self._runner is not None and self._under_way:
            self._runner.command(request, who)
        self._wake.set()

    def leave(self) -> None:
        """A third signal: leave a ladder that is not proven."""
        if self._runner is not None and self._going:
            self._runner.leave()

    def refused(self, refusal: dict[str, Any]) -> None:
        """A command that an outlet did not let through."""
        if self._runner is not None and self._under_way:
            self._runner.refused(refusal)
        else:
            self._tell("command_refused", {**refusal, "who": {"via": "broker"}})

    def caution(self, alarm: str, text: str) -> None:
        """The computer lacks something: of the run under way, or of none."""
        if self._runner is not None and self._under_way:
            self._runner.caution(alarm, text)
        else:
            self._seen = False
            self._tell("caution", {"alarm": alarm, "text": text, "value": None, "limit": None})

    async def _answered(self, name: str, coming: Any, who: dict[str, Any]) -> dict[str, Any]:
        try:
            answer: dict[str, Any] = await coming
        except (No, InputError, RefusedHere, handover.NoRoom) as why:
            return self._refuse(name, why, who)
        return answer

    def _abort(self, name: str, who: dict[str, Any]) -> dict[str, Any]:
        """While nothing is under way: heat may be on all the same, set at the panel. A start in preparation is given up."""
        self._starts.give_up()
        self._order = "estop" if "estop" in (name, self._order) else "abort"
        self._tell("command_accepted", {"command": name, **by(who)})
        self._wake.set()
        reason = "no run is under way; heat is turned off all the same"
        return {"accepted": True, "state": State.ABORTING.value, "reason": reason, "exit": 0}

    def _acknowledge(self, who: dict[str, Any]) -> dict[str, Any]:
        """While nothing is under way: what the last run left, and the latch, which stands until it is reset."""
        self._seen = True
        if self._runner is not None:
            self._runner.engine.alarms.acknowledge()
        self._tell("command_accepted", {"command": "acknowledge", **by(who)})
        return {"accepted": True, "state": self._state.value, "reason": "the alarms are acknowledged", "exit": 0}

    async def _start(self, handed: handover.Handed, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        """Copied, surveyed, begun: its client hears of it then, or is told why not. Where the client goes, it is given up."""
        with handed:
            await self._wound_up()
            self._check_start(request.get("bed_clear") is True)
            runner = await self._starts.start(handed, lambda begin: self._client_gone(begin, who))
        runner.tell("command_accepted", {"command": "start", **by(who)})
        file = runner.status()["file"]
        answer = {"accepted": True, "state": State.RUNNING.value, "run": runner.run_id, "exit": 0}
        return {**answer, "reason": f"run {runner.run_id} of {file} has begun on {self.printer.name}"}

    def _client_gone(self, begin: Begin, who: dict[str, Any]) -> None:
        """Whose run has been taken up, and has not begun yet: it is aborted, for nobody would know of it."""
        if self._runner is not None and self._under_way and not begin.begun.done():
            self._runner.command({"command": "abort"}, whose(who))

    def _check_start(self, bed_clear: bool) -> None:
        """Nothing else under way, nothing left over, no latch, and somebody has seen the bed. Raises No."""
        name = self.printer.name
        if self._leaving:
            raise No(f"the daemon of {name} is ending")
        if self._going and self._runner is not None:
            if self._runner.job is None:
                raise No(f"{name} is being made safe: try again when that is done")
            raise No(f"a run of {name} is going already: wait for its end, or banderole stop --to {name}")
        self._check_nothing_pending()
        if (trip := latched(name)) is not None:
            raise No(trip)
        if self._left.run is not None:
            raise No(self._left.sentence())
        if (bed := part_on_bed(name)) is not None and not bed_clear:
            raise No(bed, bed=True)

    async def _wound_up(self) -> None:
        """Where a run has ended and is still being written down: until it is. Who heard of its end may start at once."""
        if self._going and not self._under_way:
            await self._at_rest.wait()
        if not self._going:
            await self._look()

    def _check_nothing_pending(self) -> None:
        if self._starts.pending or self._to_reset is not None or self._order:
            raise No("another start, reset or abort is being carried out: one at a time")

    async def _reset(self, who: dict[str, Any]) -> dict[str, Any]:
        await self._wound_up()
        if self._going or (self._runner is None and latched(self.printer.name) is None):
            raise No(refusal(self._state, "reset"))
        self._check_nothing_pending()
        if self._left.run is not None:
            raise No(self._left.sentence())
        said = f"{self.printer.name} is idle"
        if latched(self.printer.name) is not None:
            waiting: asyncio.Future[float] = asyncio.get_running_loop().create_future()
            self._to_reset = (waiting, who)
            self._wake.set()
            said += f"; the trip is reset: heat is off, the nozzle is at {await waiting:.1f} °C"
        self._rest_now()
        self._tell("command_accepted", {"command": "reset", **by(who)})
        return {"accepted": True, "state": State.IDLE.value, "reason": said, "exit": 0}

    def _refuse(self, name: str, why: Exception, who: dict[str, Any]) -> dict[str, Any]:
        more = why.more if isinstance(why, No) else {}
        self._tell("command_refused", {"command": name, "reason": str(why), **by(who)})
        return {"accepted": False, "state": self._state.value, "reason": str(why), "exit": exit_of(why), **more}

    # ---- facts for outlets

    @property
    def run_id(self) -> str | None:
        """Of the run under way."""
        return self._runner.run_id if self._runner is not None and self._going else None

    @property
    def _under_way(self) -> bool:
        return self._going and self._runner is not None and self._runner.engine.ended is None

    @property
    def _state(self) -> State:
        return State.IDLE if self._runner is None else self._runner.engine.state

    def status(self) -> dict[str, Any]:
        """The whole status of the contract: of the run under way or ended last, else of a printer that nothing is done with."""
        if self._runner is not None:
            status = self._runner.status()
            if self._runner.job is None:  # only made safe: what had tripped before stays in sight
                status["alarms"] = [*latched_alarms(self.printer.name, self._seen), *status["alarms"]]
            return status
        doing = "surveying the tower of a start" if self._starts.preparing else "waiting for a run to be handed over"
        return {
            **idle_status(self.printer.name, doing, self._left.run, self._left.unsafe, self._lacking, self._seen),
            "since": self._since,
            "nonce": self._nonce,
        }

    @property
    def _lacking(self) -> dict[str, str]:
        """What the computer lacks, by alarm."""
        return self._outlets.host.edges.present if self._outlets is not None else {}

    def bands(self) -> list[dict[str, Any]]:
        return [] if self._runner is None else self._runner.bands()

    def _rest_now(self) -> None:
        """Idle: nothing that was is in sight any more."""
        self._runner = None
        self._since, self._nonce = _utc(), token_hex(16)

    def _tell(self, kind: str, fields: dict[str, Any]) -> None:
        """What happens while no run is under way: numbered apart, of no run."""
        self._seq += 1
        event = {"seq": self._seq, "at": _utc(), "run": None, "kind": kind, **fields}
        self._told(event)
        if self._outlets is not None:
            self._outlets.event(event)


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
