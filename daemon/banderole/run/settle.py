"""Settle: are the heaters where they should be, and have they been for long enough?

A guaranteed soak, as controller makers call it: the dwell clock of a channel runs only while its readings stay inside
the tolerance and starts again from nothing after any excursion, so times are minimum times. What counts as dwell is
what readings span: the time after the last reading proves nothing, nor does a hole between two of them.

Pure: no clock, no I/O; `now` is monotonic seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

SettleState = Literal["waiting", "settled", "late"]

# °C. Readings are decimal text: 241.5 must count as within 1.5 of 240 whatever binary fractions make of it.
EDGE = 1e-6
# s. The same for times that are sums of intervals: ten steps of 0.1 s are 1 s.
TICK = 1e-6


@dataclass(slots=True)
class _Soak:
    """One channel's dwell clock."""

    target: float
    tolerance: float
    heating_only: bool
    since: float | None = None
    last: float | None = None

    def inside(self, measured: float) -> bool:
        """Whether this reading is within tolerance; a NaN never is."""
        difference = measured - self.target
        if self.heating_only:
            return difference >= -self.tolerance - EDGE
        return abs(difference) <= self.tolerance + EDGE

    def feed(self, measured: float, now: float, max_gap_s: float) -> None:
        if not self.inside(measured):
            self.since = None
        elif self.since is None or self.last is None or now - self.last > max_gap_s:
            self.since = now
        self.last = now

    def proven(self) -> float:
        """Seconds without a break inside, as far as readings show; -1 while outside."""
        if self.since is None or self.last is None:
            return -1.0
        return self.last - self.since


class Settle:
    """The soak of one crossing or pre-wait; make a new one whenever a target changes.

    `targets` and `tolerance` in °C by channel; `dwell_s`, `patience_s` and `max_gap_s` in seconds. A channel in
    `heating_only` counts as settled from its target less tolerance upwards (a wait that takes heating only, as
    `M109 S` and `M190 S`). A hole between two readings of a channel longer than `max_gap_s` restarts its dwell
    (None: no hole is too long). Raises ValueError for no target, a missing tolerance or a negative duration.
    """

    def __init__(
        self,
        targets: Mapping[str, float],
        tolerance: Mapping[str, float],
        dwell_s: float,
        patience_s: float,
        now: float,
        heating_only: frozenset[str] = frozenset(),
        max_gap_s: float | None = None,
    ) -> None:
        if not targets:
            raise ValueError("settle: no target was given; name at least one channel")
        if missing := [name for name in targets if name not in tolerance]:
            raise ValueError(f"settle: no tolerance for {', '.join(missing)}; give one for each target")
        if dwell_s < 0 or patience_s < 0:
            raise ValueError(f"settle: dwell {dwell_s} s and patience {patience_s} s must not be negative")
        self._soaks = {name: _Soak(value, tolerance[name], name in heating_only) for name, value in targets.items()}
        self._dwell_s = dwell_s
        self._late_at = now + patience_s
        self._max_gap_s = math.inf if max_gap_s is None else max_gap_s

    def feed(self, measured: Mapping[str, float], now: float) -> None:
        """Take one reading, °C by channel; channels without a target are ignored, absent ones keep their clock."""
        for name, soak in self._soaks.items():
            if (value := measured.get(name)) is not None:
                soak.feed(value, now, self._max_gap_s)

    def state(self, now: float) -> SettleState:
        """`settled` while every channel has its dwell, else `late` once patience is over, else `waiting`.

        Being late does not end the watch: a heater that gets there afterwards still becomes `settled`.
        """
        if all(soak.proven() >= self._dwell_s - TICK for soak in self._soaks.values()):
            return "settled"
        return "late" if now >= self._late_at - TICK else "waiting"

    @property
    def inside_since(self) -> float | None:
        """When the present unbroken stay of all channels within tolerance began; None while any is outside."""
        since = [soak.since for soak in self._soaks.values()]
        inside = [at for at in since if at is not None]
        return max(inside) if len(inside) == len(since) else None

    def outside(self) -> tuple[str, ...]:
        """The channels that are not within tolerance by their last reading, or have not been read yet."""
        return tuple(name for name, soak in self._soaks.items() if soak.since is None)

    def next_deadline(self) -> float:
        """When the state can change with no further reading: when patience is over."""
        return self._late_at
