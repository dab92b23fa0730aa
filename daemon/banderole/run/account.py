"""What the printer has taken, block by block, and what each band has got so far. Pure; times are monotonic seconds."""

from __future__ import annotations

import hashlib
import math
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Any

from banderole_protocol.motion import PLANNER_MOST

from banderole.plan.blocks import Block
from banderole.plan.schedule import Schedule


@dataclass(slots=True)
class BandAccount:
    """One band: readings while it was laid down, and what it took to get there."""

    readings: int = 0
    total: float = 0.0
    least: float = math.inf
    most: float = -math.inf
    inside: int = 0
    filament_mm: float = 0.0
    seconds: float = 0.0
    predicted_s: float | None = None
    settle_s: float | None = None
    entered: bool = False
    proof: dict[str, str] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)

    def reading(self, measured: float, wanted: float | None, tolerance: float) -> None:
        """A nozzle reading (°C) while the band is being laid down."""
        self.readings += 1
        self.total += measured
        self.least, self.most = min(self.least, measured), max(self.most, measured)
        self.inside += wanted is None or abs(measured - wanted) <= tolerance

    def as_json(self) -> dict[str, Any]:
        """As in the contract's `run_ended`; None where nothing was read."""
        got = None
        if self.readings:
            mean = self.total / self.readings
            got = {"mean": round(mean, 2), "least": round(self.least, 2), "most": round(self.most, 2)}
        return {
            "nozzle": got,
            "in_tolerance": round(self.inside / self.readings, 4) if self.readings else None,
            "filament_mm": round(self.filament_mm, 3),
            "seconds": round(self.seconds, 1),
            "settle_s": None if self.settle_s is None else round(self.settle_s, 2),
            "predicted_s": None if self.predicted_s is None else round(self.predicted_s, 2),
            "proof": self.proof,
            "cautions": self.cautions,
        }


class Account:
    """The run's books."""

    def __init__(self, schedule: Schedule) -> None:
        self._schedule = schedule
        self._digest = hashlib.sha256()
        self._recent: deque[float] = deque(maxlen=PLANNER_MOST)
        self._since: float | None = None
        self.bands = {band.number: BandAccount() for band in schedule.bands}
        self.band: int | None = None
        self.inserted: Counter[str] = Counter()
        self.complete = False  # the whole file was carried out: the last band is done too
        self.blocks = 0
        self.seconds = 0.0  # least motion time of what was taken

    def taken(self, block: Block) -> None:
        """A block of the file was acknowledged. On the hot path."""
        self._digest.update(block.text + b"\n")
        self.blocks += 1
        self.seconds += block.seconds
        self._recent.append(block.seconds)
        if block.laid and self.band is not None:
            self.bands[self.band].filament_mm += block.laid

    @property
    def digest(self) -> str:
        """SHA-256 over the blocks taken, each with a line feed."""
        return self._digest.hexdigest()

    def planned_s(self) -> float:
        """Motion that may still be carried out of what was acknowledged, s, at most."""
        return sum(self._recent)

    def longest_s(self) -> float:
        """The longest single motion among them, s."""
        return max(self._recent, default=0.0)

    def drained(self, now: float) -> None:
        """All of it has been carried out: nothing that is still under way is a reason to hear nothing."""
        self._recent.clear()
        self.rest(now)

    def enter(self, band: int, now: float) -> None:
        """From here on it is laid down in this band."""
        self.rest(now)
        self.band = band
        self.bands[band].entered = True

    def work(self, now: float) -> None:
        """The part is being laid down (again)."""
        if self._since is None:
            self._since = now

    def rest(self, now: float) -> None:
        """The part is not being laid down: a crossing, a hold, the end."""
        if self._since is not None and self.band is not None:
            self.bands[self.band].seconds += now - self._since
        self._since = None

    def worked_s(self, now: float) -> float:
        """How long the part has been laid down so far, crossings and holds apart, s."""
        return sum(band.seconds for band in self.bands.values()) + (
            now - self._since if self._since is not None else 0.0
        )

    def reading(self, measured: float, wanted: float | None) -> None:
        """A nozzle reading; counted only while the part is being laid down."""
        if self._since is not None and self.band is not None:
            self.bands[self.band].reading(measured, wanted, self._schedule.settle.tolerance)

    def as_bands(self) -> list[dict[str, Any]]:
        """Every band of the schedule with what it has got so far."""
        return [
            {
                "band": band.number,
                "from_mm": band.from_mm,
                "to_mm": band.to_mm,
                "setpoints": dict(band.setpoints),
                "state": self._state_of(band.number),
                **self.bands[band.number].as_json(),
            }
            for band in self._schedule.bands
        ]

    def _state_of(self, number: int) -> str:
        if number == self.band and not self.complete:
            return "at work"
        return "done" if self.bands[number].entered else "ahead"
