"""One run as an outlet of the runner's: what is heard of it becomes rows of the journal. Returns at once, like any outlet."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from banderole.record.schema import (
    BAND,
    BEGIN,
    CUT_AT_THE_END,
    END,
    ENTRY,
    FORGET,
    HEATERS,
    PRIOR,
    PROGRESS,
    READINGS,
    STATE,
    UNBEGUN,
    UNENDED,
    Row,
    dumped,
    utc,
)

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.record.journal import Journal

PROGRESS_S: Final = 10.0
"""What a run that is cut off has lost of its progress and its readings, at most."""
READING_S: Final = 0.9
"""Between two readings that are kept: each of a printer that reports once a second, some of one that is asked more often."""
RUNS_WITH_READINGS: Final = 100
"""The newest runs keep theirs; at a run a day those of the last three months. An hour of readings takes about 0.3 MB."""
QUIET: Final = ("link_resent", "command_refused", "position_audit")
"""What may come by the hundred, or tells nothing that a cut-off run needs: written with the next batch."""
ESSENTIAL: Final = (
    "run_started", "trip", "trip_reset", "link_lost", "printer_reset", "aborting", "make_safe", "restored", "run_ended",
)  # fmt: skip
"""Never left out to save room; each comes a few times in a run at most."""
BANDS_AFTER: Final = ("crossing_ended", "band_entered", "held", "aborting", "run_ended")
NEVER_ENDED: Final = "it never ended (a power cut, or killed); made safe at the next start"
CUT_OFF: Final = "it came to its end; what it said then was cut off"
NEVER_BEGAN: Final = "it was killed before the printer had answered; nothing was heated"


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a run before it begins. `what`: "run", or "make-safe" for one without a file."""

    run: str
    what: str
    printer: str
    file: str | None = None
    title: str | None = None


class Recorder:
    """Writes one run to a journal. `status` and `bands` are asked for as they are published; `clock`: monotonic s."""

    def __init__(
        self,
        journal: Journal,
        facts: Facts,
        status: Callable[[], dict[str, Any]],
        bands: Callable[[], list[dict[str, Any]]],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal = journal
        self._facts = facts
        self._status = status
        self._bands = bands
        self._clock = clock
        self._begun = False
        self._known: dict[int, str] = {}
        self._batch: list[tuple[float, dict[str, Any]]] = []
        self._since = clock()

    def event(self, event: dict[str, Any]) -> None:
        """An event as it is published."""
        kind = str(event["kind"])
        fields = {key: value for key, value in event.items() if key not in ("seq", "at", "run", "kind", "bands")}
        rows = [*self._begin(str(event["at"]))]
        if kind == "run_started" and event.get("prior"):
            rows.append(Row(PRIOR, (dumped(event["prior"]), self._facts.run), True))
        spare = "" if kind in ESSENTIAL else kind
        values = (self._facts.run, event.get("seq"), str(event["at"]), kind, dumped(fields))
        rows.append(Row(ENTRY, values, kind not in QUIET, spare))
        if kind in BANDS_AFTER:
            rows += self._changed_bands("")
        if kind == "run_ended":
            rows += self._batch_rows()
            end = (event["at"], event.get("state"), event.get("exit"), event.get("reason"))
            rows.append(Row(END, (*end, self._facts.run, self._facts.what), True))
        self._journal.put(*rows)

    def heaters(self, learned: dict[str, dict[str, float]]) -> None:
        """What was found of the heaters, for the next run to begin with."""
        if self._begun and learned:
            self._journal.put(Row(ENTRY, (self._facts.run, None, utc(), HEATERS, dumped(learned)), True, HEATERS))

    def state(self, state: str) -> None:
        """The run is in another state now."""
        at = utc()
        self._journal.put(
            *self._begin(at),
            Row(STATE, (state, self._facts.run), True),
            Row(ENTRY, (self._facts.run, None, at, "state", dumped({"state": state})), True, "state"),
        )

    def thermal(self, reading: dict[str, Any]) -> None:
        """A reading; one a second is kept, and every `PROGRESS_S` they go to the journal with how far the run is."""
        now = self._clock()
        if not self._batch or now - self._batch[-1][0] >= READING_S:
            self._batch.append((now, reading))
        if now - self._since < PROGRESS_S:
            return
        rows = [*self._begin(utc()), *self._batch_rows(), *self._changed_bands("bands")]
        status = self._status()
        progress = {key: status.get(key) for key in ("phase", "band", "bands", "height", "fraction", "remaining_s")}
        rows.append(Row(PROGRESS, (dumped({"at": utc(), **progress}), self._facts.run), kind="progress"))
        self._journal.put(*rows)

    def never_ended(self) -> None:
        """What the journal holds of runs that never came to an end is over: the printer has been made safe since."""
        self._journal.put(Row(UNENDED, (utc(), NEVER_ENDED), True))

    def _begin(self, at: str) -> list[Row]:
        if self._begun:
            return []
        self._begun = True
        f = self._facts
        rows = [Row(BEGIN, (f.run, f.what, f.printer, f.file, f.title, at), True)]
        if f.what != "run":
            return rows
        over = [Row(UNBEGUN, (NEVER_BEGAN,)), Row(CUT_AT_THE_END, (at, CUT_OFF))]
        return [*over, *rows, Row(FORGET, (RUNS_WITH_READINGS,))]

    def _changed_bands(self, kind: str) -> list[Row]:
        rows = []
        for band in self._bands():
            number, said = int(band["band"]), dumped(band)
            if self._known.get(number) != said:
                self._known[number] = said
                rows.append(Row(BAND, (self._facts.run, number, said), bool(not kind), kind))
        return rows

    def _batch_rows(self) -> list[Row]:
        """The readings so far, by heater and in columns: one row, as no query ever asks for a single one."""
        batch, self._batch = self._batch, []
        self._since = self._clock()
        if not batch:
            return []
        first, start = batch[0]
        columns: dict[str, Any] = {"seconds": [round(at - first, 2) for at, _ in batch]}
        for what in ("measured", "setpoint", "power"):
            heaters = dict.fromkeys(heater for _, reading in batch for heater in reading.get(what) or {})
            columns[what] = {heater: [_short(one, what, heater) for _, one in batch] for heater in heaters}
        return [Row(READINGS, (self._facts.run, str(start["at"]), dumped(columns)), kind="readings")]


def _short(reading: dict[str, Any], what: str, heater: str) -> float | None:
    """In thousandths: no sensor and no power knows more."""
    value = (reading.get(what) or {}).get(heater)
    return round(value, 3) if isinstance(value, float) else value
