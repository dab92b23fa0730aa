"""A run that never ended (a killed daemon, heat that could not be proven off), until the printer is made safe after it."""

from __future__ import annotations

import asyncio
import logging
import time
from typing import Any, Final

from banderole.cli.journaling import left_unfinished
from banderole.link.service import Beat, attended

log = logging.getLogger("banderole.daemon")

RETRY_S: Final = 15.0
"""Between two attempts to make a printer safe: each may restart the board, and a cable that is plugged in again is
found soon enough."""


class Leftover:
    """What is left of a run of printer `name`, and when the next attempt to make safe is due."""

    def __init__(self, name: str) -> None:
        self.run: dict[str, Any] | None = None  # {"run", "prior"}, where one never ended: heat may be on
        self.unsafe = ""  # why the last attempt to make safe was not proven
        self._name = name
        self._retry_at = 0.0
        self._proven: set[str] = set()  # runs after which heat was proven off, whatever the disk still says

    async def look(self, beat: Beat) -> None:
        """What stands on the disk now. In a thread: the disk may stall.

        A disk that has become read-only keeps the mark of a run for ever: once is enough, for each attempt opens the port,
        which restarts some boards, and somebody may be printing from the panel by then.
        """
        found = await attended(asyncio.to_thread(left_unfinished, self._name), beat)
        self.run = None if found is not None and found.get("run") in self._proven else found

    def proven(self, run: str | None) -> None:
        """Heat was proven off after this run, in it or by a make-safe."""
        if run is not None:
            self._proven.add(run)

    @property
    def prior(self) -> dict[str, float]:
        """What it changed, by channel: as it was before."""
        prior = (self.run or {}).get("prior")
        return dict(prior) if isinstance(prior, dict) else {}

    @property
    def due(self) -> bool:
        """Is there something to be made safe, now?"""
        return self.run is not None and _now() >= self._retry_at

    @property
    def rest_s(self) -> float:
        """Until the next attempt; without end where nothing is left."""
        return max(0.0, self._retry_at - _now()) if self.run is not None else float("inf")

    def tried(self, before: str = "") -> None:
        """An attempt is over, or a run is that tried for itself; `before` is why the last one was not proven."""
        self._retry_at = _now() + RETRY_S
        if self.unsafe and self.run is not None and self.unsafe != before:
            log.warning("after run %s: not made safe yet (%s); trying again", self.run.get("run"), self.unsafe)

    def sentence(self) -> str:
        """For whoever wants something that has to wait for it."""
        run, reason = (self.run or {}).get("run"), self.unsafe or "that is being tried"
        return f"after run {run} the printer has not been made safe yet: {reason}"


def _now() -> float:
    return time.monotonic()
