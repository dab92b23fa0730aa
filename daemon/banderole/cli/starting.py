"""What a start is until its run has begun: copied, surveyed, refused in words."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, BinaryIO, Final, cast

from banderole.cli.run_command import prepared
from banderole.link import handover
from banderole.plan.config import Printer
from banderole.plan.refusal import InputError
from banderole.plan.schedule import load_schedule
from banderole.run.runner import Job, Runner
from banderole.run.state import Command, Refused, State, after

TAKEN_BACK: Final = "the start was taken back before the run began"


class No(Exception):
    """A command that cannot be obeyed: one line, the contract's exit code, and what else the client should know."""

    def __init__(self, reason: str, exit_code: int = 3, **more: object) -> None:
        super().__init__(reason)
        self.exit_code = exit_code
        self.more = more


@dataclass(slots=True, eq=False)
class Begin:
    """A run that is to begin, and who waits to hear of it: the runner, once its `run_started` is out, or a No."""

    job: Job
    begun: asyncio.Future[Runner]

    def drop(self, reason: str, exit_code: int = 3) -> None:
        """The files are let go; who still waits is told why it did not begin."""
        self.job.file.close()
        handover.clear(self.job.printer.name)
        if not self.begun.done():
            self.begun.set_exception(No(reason, exit_code))


class _Reading:
    """The copy as the survey reads it: it ends at once where the start is given up."""

    def __init__(self, file: BinaryIO, given_up: Callable[[], bool]) -> None:
        self._file = file
        self._given_up = given_up

    def read(self, size: int) -> bytes:
        if self._given_up():
            raise handover.GivenUp
        return self._file.read(size)


def prepare(printer: Printer, handed: handover.Handed, given_up: threading.Event) -> Job:
    """In a thread: copied, read, surveyed. Raises InputError, RefusedHere, NoRoom, GivenUp; no copy is left then."""
    copy = handover.keep(handed, printer.name, given_up.is_set)
    file = open(copy.gcode, "rb")  # noqa: SIM115 - it stays open as long as the run
    try:
        wanted = load_schedule(copy.schedule, printer, handed.schedule_name)
        reading = cast(BinaryIO, _Reading(file, given_up.is_set))
        return prepared(file, handed.gcode_name, wanted, printer, reading)
    except BaseException:
        file.close()
        handover.clear(printer.name)
        raise


class Starts:
    """One start at a time, from its files to the run that has begun; `wake` says that there is one to be taken."""

    def __init__(self, printer: Printer, wake: Callable[[], None]) -> None:
        self._printer = printer
        self._wake = wake
        self._given_up: threading.Event | None = None  # while one is under way; set: it is given up
        self._task: asyncio.Task[Any] | None = None
        self._begin: Begin | None = None  # prepared, and not taken yet

    @property
    def preparing(self) -> bool:
        """Is one under way?"""
        return self._given_up is not None

    @property
    def pending(self) -> bool:
        return self.preparing or self._begin is not None

    def take(self) -> Begin | None:
        """What is to begin now; it is the taker's then."""
        begin, self._begin = self._begin, None
        return begin

    def give_up(self) -> None:
        if self._given_up is not None:
            self._given_up.set()
        if (begin := self.take()) is not None:
            begin.drop(TAKEN_BACK)

    async def start(self, handed: handover.Handed, gone: Callable[[Begin], None]) -> Runner:
        """Until the run has begun. Raises No, InputError, RefusedHere, NoRoom. `gone` is called where the client goes before
        that, and the run has been taken: nobody would know of it."""
        given_up = self._given_up = threading.Event()
        self._task = asyncio.current_task()
        try:
            job = await self._prepared(handed, given_up)
            begin = self._begin = Begin(job, asyncio.get_running_loop().create_future())
            self._wake()
            if given_up.is_set():
                self.give_up()
            return await self._begun(begin, gone)
        finally:
            self._given_up = self._task = None

    async def _begun(self, begin: Begin, gone: Callable[[Begin], None]) -> Runner:
        try:
            return await asyncio.shield(begin.begun)
        except asyncio.CancelledError:
            if begin is self._begin:
                self.give_up()
            else:
                gone(begin)
            begin.begun.add_done_callback(lambda done: done.exception())  # nobody else asks for it any more
            raise

    async def _prepared(self, handed: handover.Handed, given_up: threading.Event) -> Job:
        """Copied and surveyed in a thread: only while no run is under way, so it takes time from nobody."""
        loop = asyncio.get_running_loop()
        work = loop.run_in_executor(None, prepare, self._printer, handed, given_up)
        try:
            return await asyncio.shield(work)
        except asyncio.CancelledError:
            given_up.set()
            await asyncio.wait({work})
            if work.exception() is None:
                work.result().file.close()
            handover.clear(self._printer.name)
            raise
        except handover.GivenUp:
            raise No(TAKEN_BACK) from None

    async def over(self) -> None:
        """Where one was given up: its thread is on its way out, then its client is told."""
        if self._task is not None:
            await asyncio.wait({self._task})
            await asyncio.sleep(0)


def has_begun(event: dict[str, Any], begin: Begin, runner: Runner) -> None:
    if event["kind"] == "run_started" and not begin.begun.done():
        begin.begun.set_result(runner)


def refusal(state: State, name: str) -> str:
    """In the words of the state table."""
    try:
        after(state, Command(name))
    except Refused as why:
        return why.reason
    except ValueError:
        return f"{name[:32]!r} is not a command of a printer"
    return f"{name} is for a run under way, and none is"


def whose(who: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in who.items() if key != "files"}


def by(who: dict[str, Any]) -> dict[str, Any]:
    """Whose command it was, for the record: the kernel says, not the client."""
    return {"who": whose(who), **({"uid": who["uid"]} if "uid" in who else {})}


def exit_of(why: Exception) -> int:
    """The contract's code of a refusal."""
    return why.exit_code if isinstance(why, No) else 2 if isinstance(why, InputError) else 3
