"""A run with everything around it: the port, the marks that outlive it, sockets, broker, screen, signals."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Final, Protocol

from banderole import __version__
from banderole.cli.journaling import Kept as Kept
from banderole.cli.journaling import journaled
from banderole.cli.say import complain
from banderole.link.host import Host, HostWatch
from banderole.link.local_socket import Answer, LocalServer
from banderole.link.service import Beat, Rounds, unheard
from banderole.places import state_folders
from banderole.plan.config import Printer
from banderole.plan.schedule import Schedule
from banderole.run import whole_run
from banderole.run.effects import Ended
from banderole.run.engine import Engine
from banderole.run.runner import Job, Link, Runner
from banderole.run.steps import Procedure

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.link.broker import Broker

log = logging.getLogger("banderole.stage")

Step = Callable[[Engine], Procedure]
"""What a runner is to do: a whole run, or only making safe."""

TOLD: Final = ("held", "settle_late", "trip", "run_ended")
TOLD_S: Final = 60.0
"""For a command that sends a message; a longer one is left to itself."""
MOST_TOLD: Final = 8
SHOW_S: Final = 0.25
"""Between two looks of a screen: what a person takes for at once."""


class View(Protocol):
    """Who looks on: a live screen, plain lines, or JSON lines. Nothing here may block or raise."""

    def event(self, event: dict[str, Any]) -> None: ...
    def show(self, status: dict[str, Any], bands: list[dict[str, Any]]) -> None: ...
    def close(self) -> None: ...


class Unkept:
    """Marks for what leaves none: a demo, a question."""

    def latch(self, trip: dict[str, Any]) -> None:
        pass

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        pass

    def finished(self, proven: bool) -> None:
        pass


class Performer(Protocol):
    """Who answers for a printer: one run, or the daemon that has one after another."""

    @property
    def printer(self) -> Printer: ...
    @property
    def run_id(self) -> str | None: ...
    def command(self, request: dict[str, Any], who: dict[str, Any]) -> Answer: ...
    def refused(self, refusal: dict[str, Any]) -> None: ...
    def caution(self, alarm: str, text: str) -> None: ...
    def status(self) -> dict[str, Any]: ...
    def bands(self) -> list[dict[str, Any]]: ...


async def perform(job: Job, port: Link, view: View, kept: bool = True) -> Ended:
    """One run from start to end. Raises PortError or NameInUse where it cannot begin; heat is off in any case."""
    runner = Runner(job.printer, job.schedule, job, port, Kept(job.printer.name) if kept else Unkept())
    runner.outlets.event.append(view.event)
    async with outlets_of(runner, host=kept) as outlets, signals(Signals(runner.command, runner.leave)):
        showing = asyncio.create_task(_show(runner, view), name="screen")
        try:
            return await carry_out(runner, outlets)
        finally:
            showing.cancel()
            if runner.seq:  # the port was opened: there is something to be seen
                view.show(runner.status(), runner.bands())


async def carry_out(runner: Runner, outlets: Outlets, procedure: Step = whole_run.run) -> Ended:
    """One run, or one make-safe, to its end, told on these outlets; by `run` as by `serve`. Raises PortError."""
    runner.outlets.event.append(outlets.event)
    runner.outlets.event.append(outlets.begun(runner))
    runner.outlets.thermal.append(outlets.thermal)
    async with journaled(runner):
        return await runner.run(procedure)


async def make_safe(printer: Printer, port: Link, prior: dict[str, float]) -> tuple[Ended, dict[str, float]]:
    """Heat off and proven on a printer that no run holds; `prior` is put back. Also what was measured last, °C."""
    runner = Runner(printer, Schedule.empty(), None, port, Kept(printer.name))
    runner.engine.prior = prior
    runner.outlets.event.append(_complain_of_cautions)
    async with signals(Signals(runner.command, runner.leave)), journaled(runner):
        ended = await runner.run(whole_run.make_safe_only)
    return ended, dict(runner.engine.watch.measured)


def _complain_of_cautions(event: dict[str, Any]) -> None:
    """Why it takes so long. Aside: a terminal that is stopped must not hold a heat-off up."""
    if event["kind"] == "caution":
        asyncio.get_running_loop().run_in_executor(None, complain, event["text"])


class Teller:
    """Runs the owner's command with the event as JSON on its stdin, for what a person should know at once."""

    def __init__(self, command: tuple[str, ...]) -> None:
        self._command = command
        self._tasks: set[asyncio.Task[None]] = set()

    def __call__(self, event: dict[str, Any]) -> None:
        if event["kind"] in TOLD and len(self._tasks) < MOST_TOLD:
            task = asyncio.create_task(self._tell(json.dumps(event).encode()), name="told")
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _tell(self, event: bytes) -> None:
        try:
            process = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.DEVNULL,
                start_new_session=True,
            )
            await asyncio.wait_for(process.communicate(event), TOLD_S)
        except (OSError, TimeoutError) as why:
            log.warning("told.command: %s", why or f"takes longer than {TOLD_S:g} s")


class Outlets:
    """The local socket, the broker and the owner's command of one printer. Runs come and go, these stay."""

    def __init__(self, performer: Performer, broker: Broker | None, records: Path, beat: Beat = unheard) -> None:
        self._performer = performer
        self._broker = broker
        self._server = LocalServer(performer.printer.name, performer.command, performer.status, performer.bands, beat)
        command = performer.printer.told.command
        self._teller = Teller(command) if command else None
        self.host = HostWatch(Host(records), performer.caution)

    def begun(self, runner: Runner) -> Callable[[dict[str, Any]], None]:
        """A run hears at its start what the computer lacks already."""

        def hear(event: dict[str, Any]) -> None:
            if event["kind"] == "run_started":
                for alarm, text in self.host.edges.begin().items():
                    runner.caution(alarm, text)

        return hear

    async def start(self) -> None:
        """Raises NameInUse, PlaceError."""
        await self._server.start()

    def event(self, event: dict[str, Any]) -> None:
        """What has happened, with the status and the bands after it. Returns at once, as all of these."""
        if self._broker is not None:
            self._broker.event(event)
        self._server.broadcast(event)
        self.show()
        if self._teller is not None:
            self._teller(event)

    def thermal(self, reading: dict[str, Any]) -> None:
        if self._broker is not None:
            self._broker.thermal(reading)
            self._broker.publish_run(self._performer.status())

    def show(self) -> None:
        """Status and bands as they are now; viewers at the socket get the status each second anyway."""
        bands = self._performer.bands()
        self._server.publish_bands(bands)
        if self._broker is not None:
            status = self._performer.status()
            self._broker.publish_run(status)
            self._broker.publish_bands(bands)
            self._broker.alarm(status["alarms"])

    async def close(self) -> None:
        if self._broker is not None:
            await self._broker.close()
        await self._server.close()


@contextlib.asynccontextmanager
async def outlets_of(performer: Performer, rounds: Rounds | None = None, host: bool = True) -> AsyncIterator[Outlets]:
    """The outlets as the printer file has them; they end with the block. Raises AccessRefused, NameInUse.

    What has a loop of its own is expected in `rounds` from here on. `host`: the computer is watched too.
    """
    rounds = rounds or Rounds()
    broker = _broker(performer, rounds)  # first: credentials that will not do are refused before anything is opened
    records = state_folders()[0] / performer.printer.name if host else Path()
    outlets = Outlets(performer, broker, records, rounds.expect("local socket"))
    await outlets.start()
    task = asyncio.create_task(broker.run(), name="broker") if broker is not None else None
    try:
        with outlets.host if host else contextlib.nullcontext():
            yield outlets
    finally:
        await outlets.close()
        if task is not None:
            task.cancel()


def _broker(performer: Performer, rounds: Rounds) -> Broker | None:
    """The broker's outlet, where the printer file has one. Raises AccessRefused."""
    settings = performer.printer.broker
    if settings is None:
        return None
    from banderole.link.broker import Broker

    def handler(request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        answer = performer.command(request, who)
        assert isinstance(answer, dict)  # what is answered later comes over the local socket only
        return answer

    return Broker(
        settings,
        performer.printer.name,
        __version__,
        handler,
        run_id=lambda: performer.run_id,
        on_refused=performer.refused,
        beat=rounds.expect("broker"),
    )


class Signals:
    """SIGINT and SIGTERM abort; a second SIGINT is the emergency stop; a third leaves an unproven ladder."""

    def __init__(self, command: Callable[[dict[str, Any], dict[str, Any]], object], leave: Callable[[], None]) -> None:
        self._command = command
        self._leave = leave
        self._seen = 0

    def interrupted(self) -> None:
        self._seen += 1
        if self._seen >= 3:
            self._leave()
        else:
            self._command({"command": "abort" if self._seen == 1 else "estop"}, {"via": "signal"})

    def terminated(self) -> None:
        self._command({"command": "abort"}, {"via": "signal"})


@contextlib.asynccontextmanager
async def signals(wanted: Signals) -> AsyncIterator[None]:
    """For as long as the block lasts."""
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGINT, wanted.interrupted)
    loop.add_signal_handler(signal.SIGTERM, wanted.terminated)
    hangup = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # a closed terminal does not end a run
    try:
        yield
    finally:
        loop.remove_signal_handler(signal.SIGINT)
        loop.remove_signal_handler(signal.SIGTERM)
        signal.signal(signal.SIGHUP, hangup)


async def _show(runner: Runner, view: View) -> None:
    while True:
        view.show(runner.status(), runner.bands())
        await asyncio.sleep(SHOW_S)
