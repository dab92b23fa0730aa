"""The last half minute of readings, as it was when an interlock decided: what somebody wants to see first. Pure."""

from __future__ import annotations

import math
from collections import deque
from typing import Final

LAST_S: Final = 30.0
"""s. A heater that runs away shows it in this; more is in the journal."""
MOST: Final = 60
"""Rows: at one a second all of them, of a printer that reports more often every so many."""


class LastReadings:
    """Rows of (time, °C by heater, target by heater), bounded in time and number."""

    def __init__(self) -> None:
        self._rows: deque[tuple[float, dict[str, float], dict[str, float | None]]] = deque()

    def add(self, now: float, measured: dict[str, float], targets: dict[str, float | None]) -> None:
        """One report; the newest stays in any case, older ones go where they come too close or are too old."""
        rows = self._rows
        if len(rows) >= 2 and now - rows[-2][0] < LAST_S / MOST:
            rows.pop()
        rows.append((now, dict(measured), dict(targets)))
        while now - rows[0][0] > LAST_S or len(rows) > MOST:
            rows.popleft()

    def before(self, now: float) -> list[dict[str, float | None]]:
        """As told with a trip, the oldest first: `ago_s`, and `nozzle`, `nozzle_target`, … in °C."""
        return [
            {
                "ago_s": round(now - at, 1),
                **{heater: value if math.isfinite(value) else None for heater, value in measured.items()},
                **{f"{heater}_target": target for heater, target in targets.items()},
            }
            for at, measured, targets in self._rows
            if now - at <= LAST_S
        ]
