"""A run with everything around it: the port, the marks that outlive it, sockets, broker, screen, signals."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
from collections.abc import AsyncIterator
from typing import Any, Final, Protocol

from banderole import __version__
from banderole.link import latch
from banderole.link.local_socket import LocalServer
from banderole.plan.config import Printer
from banderole.plan.schedule import Schedule
from banderole.run import whole_run
from banderole.run.effects import Ended
from banderole.run.runner import Job, Link, Runner

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.link.broker import Broker

log = logging.getLogger("banderole.stage")

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


class Kept:
    """The marks of one printer in its state folder."""

    def __init__(self, name: str) -> None:
        self._name = name

    def latch(self, trip: dict[str, Any]) -> None:
        latch.write_latch(self._name, trip)

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        latch.mark_bed(self._name, run)
        latch.write_unfinished(self._name, {"run": run, "prior": prior})

    def finished(self, proven: bool) -> None:
        if proven:
            latch.clear_unfinished(self._name)


async def perform(job: Job, port: Link, view: View, kept: bool = True) -> Ended:
    """One run from start to end. Raises PortError or NameInUse where it cannot begin; heat is off in any case."""
    runner = Runner(job.printer, job.schedule, job, port, Kept(job.printer.name) if kept else Unkept())
    runner.outlets.event.append(view.event)
    async with _outlets(runner), _signals(runner):
        showing = asyncio.create_task(_show(runner, view), name="screen")
        try:
            return await runner.run()
        finally:
            showing.cancel()
            if runner.seq:  # the port was opened: there is something to be seen
                view.show(runner.status(), runner.bands())


async def make_safe(printer: Printer, port: Link, prior: dict[str, float]) -> tuple[Ended, dict[str, float]]:
    """Heat off and proven on a printer that no run holds; `prior` is put back. Also what was measured last, °C."""
    runner = Runner(printer, Schedule.empty(), None, port, Kept(printer.name))
    runner.engine.prior = prior
    async with _signals(runner):
        ended = await runner.run(whole_run.make_safe_only)
    return ended, dict(runner.engine.watch.measured)


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


@contextlib.asynccontextmanager
async def _outlets(runner: Runner) -> AsyncIterator[None]:
    """The local socket, the broker and the owner's command, as the printer file has them; all end with the run."""
    broker = _broker(runner)  # first: credentials that will not do are refused before anything is opened
    server = LocalServer(runner.printer.name, runner.command, runner.status, runner.bands)
    await server.start()

    def viewers(event: dict[str, Any]) -> None:
        server.broadcast(event)
        server.publish_bands(runner.bands())

    runner.outlets.event.append(viewers)
    if runner.printer.told.command:
        runner.outlets.event.append(Teller(runner.printer.told.command))
    task = asyncio.create_task(broker.run(), name="broker") if broker is not None else None
    try:
        yield
    finally:
        if broker is not None and task is not None:
            await broker.close()
            task.cancel()
        await server.close()


def _broker(runner: Runner) -> Broker | None:
    """The broker's outlet, where the printer file has one. Raises AccessRefused."""
    settings = runner.printer.broker
    if settings is None:
        return None
    from banderole.link.broker import Broker

    broker = Broker(
        settings,
        runner.printer.name,
        __version__,
        runner.command,
        run_id=lambda: runner.run_id,
        on_refused=runner.refused,
    )

    def told(event: dict[str, Any]) -> None:
        broker.event(event)
        broker.publish_run(runner.status())
        broker.publish_bands(runner.bands())
        broker.alarm(runner.engine.alarms.as_json())

    def thermal(reading: dict[str, Any]) -> None:
        broker.thermal(reading)
        broker.publish_run(runner.status())

    runner.outlets.event.append(told)
    runner.outlets.thermal.append(thermal)
    return broker


@contextlib.asynccontextmanager
async def _signals(runner: Runner) -> AsyncIterator[None]:
    """SIGINT and SIGTERM abort; a second SIGINT is the emergency stop; a third leaves an unproven ladder."""
    loop, seen = asyncio.get_running_loop(), 0

    def interrupted() -> None:
        nonlocal seen
        seen += 1
        if seen >= 3:
            runner.leave()
        else:
            runner.command({"command": "abort" if seen == 1 else "estop"}, {"via": "signal"})

    def terminated() -> None:
        runner.command({"command": "abort"}, {"via": "signal"})

    loop.add_signal_handler(signal.SIGINT, interrupted)
    loop.add_signal_handler(signal.SIGTERM, terminated)
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
