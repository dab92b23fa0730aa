"""The journal as an outlet of a run, and the marks beside it: neither ever holds the run up, nor ends it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from banderole.cli.known_heaters import known_heaters, nozzle_of
from banderole.link import latch
from banderole.link.service import attended
from banderole.places import state_folder
from banderole.record.journal import Journal
from banderole.record.recorder import Facts, Recorder
from banderole.record.schema import ENTRY, Row, dumped, utc
from banderole.run.foresight import foresee_settling
from banderole.run.runner import Runner

log = logging.getLogger("banderole.journal")
T = TypeVar("T")

MARK_S: Final = 1.0
"""For the mark of an unfinished run, before anything is heated: a sound disk takes some hundredths of a second."""
LATCH_S: Final = 5.0
"""For the word that a latch came off, which somebody waits for; the latch itself is off by then."""
LAST_MARK_S: Final = 25.0
"""At the end, when heat is off: for a disk that stalls for 20 s."""


class Kept:
    """The marks of one printer in its state folder. Written aside: a stalled disk must not delay a heat-off.

    They, not the journal, say what is latched, whether the bed is clear and whether a run is unfinished. Three small
    files, each written whole or not at all, are there even where the journal is corrupt, full or of a later version.
    """

    def __init__(self, name: str) -> None:
        self.told: Callable[[str], None] = lambda text: None
        self._name = name
        self._last: threading.Thread | None = None
        self._refused = False

    def latch(self, trip: dict[str, Any]) -> None:
        self._aside(lambda: latch.write_latch(self._name, trip))

    def unfinished(self, run: str, prior: dict[str, float]) -> None:
        self._in_memory(lambda: latch.write_running(self._name, {"run": run, "prior": prior}))

        def write() -> None:
            latch.mark_bed(self._name, run)
            latch.write_unfinished(self._name, {"run": run, "prior": prior})

        self._aside(write).join(MARK_S)

    def finished(self, proven: bool) -> None:
        if proven:
            self._in_memory(lambda: latch.clear_running(self._name))
        writing = self._aside(lambda: latch.clear_unfinished(self._name)) if proven else self._last
        if writing is not None:
            writing.join(LAST_MARK_S)

    def _in_memory(self, work: Callable[[], None]) -> None:
        """Not behind what waits for the disk. In a thread all the same: where a user has no run folder it lies on one."""

        def guarded() -> None:
            try:
                work()
            except OSError as why:
                log.info("no mark in the run folder: %s", why)

        thread = threading.Thread(target=guarded, name="mark in memory", daemon=True)
        thread.start()
        thread.join(MARK_S)

    def _aside(self, write: Callable[[], None]) -> threading.Thread:
        """One after the other, in a thread; what the disk refuses is told."""
        before = self._last

        def work() -> None:
            if before is not None:
                before.join()
            try:
                write()
            except OSError as why:
                if not self._refused:
                    self._refused = True
                    reason = why.strerror or getattr(why.__cause__, "strerror", None) or "no reason given"
                    self.told(
                        f"a mark cannot be written ({reason}): after a power cut now, look at the printer yourself"
                    )

        self._last = threading.Thread(target=work, name="mark", daemon=True)
        self._last.start()
        return self._last


@contextlib.asynccontextmanager
async def journaled(runner: Runner) -> AsyncIterator[None]:
    """The run is written to its printer's journal; at the end all of it is on the disk, if the disk will.

    What only makes a printer safe goes under the run it comes after, if that one never ended; which is over once heat is
    proven off. A run whose marks are not kept has no journal either.
    """
    if not isinstance(runner.marks, Kept):
        yield
        return
    folder = state_folder(runner.printer.name)
    journal = Journal(folder, _told(runner, "journal"))
    runner.marks.told = _told(runner, "marks")
    recorder = Recorder(journal, _facts(runner), runner.status, runner.bands)
    fault = _told(runner, "record")
    runner.outlets.event.insert(
        0, _guarded(recorder.event, fault)
    )  # first, so that no fault of another costs the record
    runner.outlets.thermal.insert(0, _guarded(recorder.thermal, fault))
    runner.outlets.state.append(_guarded(recorder.state, fault))
    models = runner.engine.watch.models
    former = await attended(asyncio.to_thread(known_heaters, runner.printer.name), runner.beat)
    for heater, learned in former.items():
        if heater in models:
            models[heater].begin_with(learned)
    if runner.job is not None:
        nozzle = await attended(asyncio.to_thread(nozzle_of, runner.printer.name), runner.beat)
        foresee_settling(runner.job.survey, runner.job.schedule, nozzle)
    try:
        yield
    finally:
        found = {heater: model.learned() for heater, model in models.items()}
        _guarded(recorder.heaters, fault)({heater: one for heater, one in found.items() if one is not None})
        ended = runner.engine.ended
        if runner.job is None and ended is not None and ended.proven:
            recorder.never_ended()
        await attended(asyncio.to_thread(journal.close), runner.beat)


def _guarded(outlet: Callable[[T], None], fault: Callable[[str], None]) -> Callable[[T], None]:
    """A fault of ours in the record is told and logged, once; it must not end a run that is well."""
    failed = False

    def guarded(heard: T) -> None:
        nonlocal failed
        try:
            outlet(heard)
        except Exception as why:
            if not failed:
                failed = True
                log.exception("the recorder has a fault")
                fault(f"the record has a fault of ours and lacks some of the run: {why!r}")

    return guarded


def _told(runner: Runner, alarm: str) -> Callable[[str], None]:
    """From a writer's thread: a caution of the run, as long as there is one."""
    loop = asyncio.get_running_loop()

    def tell(text: str) -> None:
        try:
            loop.call_soon_threadsafe(runner.caution, alarm, text)
        except RuntimeError:
            log.warning("%s", text)  # the loop is closed: the run is over

    return tell


def _facts(runner: Runner) -> Facts:
    name, job = runner.printer.name, runner.job
    if job is not None:
        return Facts(runner.run_id, "run", name, Path(job.name).name, job.schedule.title)
    left = left_unfinished(name) or {}
    return Facts(str(left.get("run") or runner.run_id), "make-safe", name)


def take_latch_off(name: str, by: dict[str, Any]) -> None:
    """The latch off, and by whom: that stands in the journal under the run that tripped. May wait for the disk a while."""
    run = (latch.read_latch(name) or {}).get("run")
    latch.clear_latch(name)
    if isinstance(run, str):
        journal = Journal(state_folder(name))
        journal.put(Row(ENTRY, (run, None, utc(), "trip_reset", dumped(by)), True))
        journal.close(LATCH_S)


def left_unfinished(name: str) -> dict[str, Any] | None:
    """{"run", "prior"} of a run of that printer that never ended, by its mark on the disk or in memory, or else by the
    journal; None of none."""
    from banderole.record.runs import never_ended

    return latch.read_unfinished(name) or latch.read_running(name) or never_ended(state_folder(name))
