"""What is known of the heaters: latest readings, models, interlocks, and how old all that is.

Stale is never fine: while something is hot or heated, a reading that does not come for `stale_s` ends the run, as a trip
where the printer still talks, as a lost link where nothing was heard since. Pure; `now` is monotonic seconds.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass
from typing import Final

from banderole_protocol.readings import PowerScale, Readings, Sensor

from banderole.plan.config import Printer
from banderole.plan.schedule_file import SettleSettings
from banderole.run.interlocks import HeaterInterlocks
from banderole.run.last_readings import LastReadings
from banderole.run.thermal import HeaterModel
from banderole.run.trips import Caution, Trip

HEATERS: Final = ("nozzle", "bed")
WARM: Final = 50.0
"""°C. Above it a heater counts as hot: what skin bears for a moment without a burn (ISO 13732-1, from memory)."""
SAME_TARGET: Final = 0.6
"""°C. Some firmware reports targets in whole degrees."""
HEATS_BY_ITSELF: Final = ("heat_while_off", "heat_overshoot", "heat_over_limit")
"""What a heater does that is stuck on."""
BED_TOLERANCE: Final = 3.0
"""°C. A plate is coarser than a nozzle, and nothing is judged by it."""
LATELY: Final = 3
"""Readings that tell where a heater is when one may be off by its noise."""
SAME_SAMPLE_S: Final = 0.03
"""The same again so soon is the same sample, told twice (a request's answer right behind a report, a line that was doubled), and
nothing that counts readings in a row may count it twice. Below the least `report_s`, 0.05 s."""
TALKS_S: Final = 1.0
"""A reply heard so long after the last reading shows that the line itself is alive: an `ok` follows a report at once."""
HUSH_S: Final = 3.0
"""After nothing at all for so long (it homes and says nothing) no reading can have come: a printer that answers again ..."""
AGAIN_S: Final = 2.0
"""... has so long to give one; it is asked each second."""


@dataclass(frozen=True, slots=True)
class Silence:
    """No fresh reading for too long. `lost`: nothing at all was heard either."""

    heater: str
    seconds: float
    limit: float
    lost: bool


class HeatWatch:
    """Nozzle and bed of one printer, and how near and how long they must be to count as settled."""

    def __init__(self, printer: Printer, settle: SettleSettings) -> None:
        self._settle = settle
        self._settings = {"nozzle": printer.interlocks, "bed": printer.interlocks.bed}
        self.models = {heater: HeaterModel() for heater in HEATERS}
        self._interlocks = {
            heater: HeaterInterlocks(
                heater, getattr(printer.limits, heater), self._settings[heater], self.models[heater]
            )
            for heater in HEATERS
        }
        self._scales = {heater: PowerScale() for heater in HEATERS}
        self._commanded = dict.fromkeys(HEATERS, 0.0)
        self.measured: dict[str, float] = {}
        self.believed: dict[str, float] = {}  # the latest that no interlock objected to: what is decided by
        self.targets: dict[str, float | None] = {}
        self.power: dict[str, float | None] = {}
        self.read_at: dict[str, float] = {}
        self._sample: dict[str, tuple[tuple[float, float], float]] = {}  # the last one: measured and target, and when
        self._lately = {heater: deque[float](maxlen=LATELY) for heater in HEATERS}
        self.heard_at = 0.0
        self._due_by = -math.inf  # after a hush: by then a reading must have come
        self._readings_before = -1  # how many there were before that hush: one such grace between two readings
        self._inside_since: dict[str, tuple[float, float]] = {}  # target, and since when within tolerance of it
        self.last = LastReadings()
        self.readings = 0
        self.tools = 1
        self.chamber = False

    def hear(self, now: float) -> None:
        """Something has come from the printer, a reading or not."""
        if now - self.heard_at > HUSH_S and self.readings != self._readings_before:
            self._due_by, self._readings_before = now + AGAIN_S, self.readings
        self.heard_at = now

    def report(self, readings: Readings, now: float) -> list[Trip | Caution]:
        """Take what the printer says of its heaters; what an interlock has to say to it."""
        self.readings += 1
        self.tools = max(self.tools, len(readings.tools))
        self.chamber = self.chamber or readings.chamber is not None
        said: list[Trip | Caution] = []
        for heater, sensor in (("nozzle", readings.nozzle), ("bed", readings.bed)):
            if sensor is not None and (verdict := self._take(heater, sensor, now)) is not None:
                said.append(verdict)
        self.last.add(now, self.measured, self.targets)
        return said

    def _take(self, heater: str, sensor: Sensor, now: float) -> Trip | Caution | None:
        power = None if sensor.power_raw is None else self._scales[heater].fraction(sensor.power_raw)
        if sensor.target is not None or heater not in self.targets:
            self.targets[heater] = sensor.target
        target = self.targets[heater]
        if target is None:
            target = self._commanded[heater]
        self.measured[heater], self.power[heater] = sensor.measured, power
        self.read_at[heater] = now
        sample = (sensor.measured, target)
        if self._sample.get(heater, (None, 0.0))[0] == sample and now - self._sample[heater][1] < SAME_SAMPLE_S:
            return None
        self._sample[heater] = (sample, now)
        self._lately[heater].append(sensor.measured)
        interlocks = self._interlocks[heater]
        interlocks.target(target, now)
        verdict = interlocks.feed(sensor.measured, power, now)
        if verdict is None or not verdict.alarm.startswith("sensor_"):
            self.believed[heater] = sensor.measured
        if verdict is None and not interlocks.tripped:  # what was objected to does not teach
            self.models[heater].feed(sensor.measured, target, power, now)
        return verdict

    def track(self, now: float) -> None:
        """How long has each heater been within tolerance of the target it shows?"""
        for heater in self.measured:
            goal = self.goal(heater)
            kept = self._inside_since.get(heater)
            if not self.near(heater, goal):
                self._inside_since.pop(heater, None)
            elif kept is None or kept[0] != goal:
                self._inside_since[heater] = (goal, now)

    def tolerance(self, heater: str) -> float:
        """°C to either side."""
        return self._settle.tolerance if heater == "nozzle" else BED_TOLERANCE

    def near(self, heater: str, value: float) -> bool:
        """Was it within tolerance of this at the last reading?"""
        measured = self.measured.get(heater)
        return measured is not None and abs(measured - value) <= self.tolerance(heater)

    def held_s(self, heater: str) -> float:
        """Seconds within tolerance of its present target without a break, as far as readings show; 0 outside."""
        kept = self._inside_since.get(heater)
        return 0.0 if kept is None else self.read_at[heater] - kept[1]

    def settled(self, heat: dict[str, float]) -> bool:
        """Has each of these targets (°C by heater) been shown and held, for as long as the schedule asks?"""
        return all(
            self.shows(heater, value) is True
            and self.near(heater, value)
            and self.held_s(heater) >= self._settle.dwell_s
            for heater, value in heat.items()
        )

    def predicted_s(self, heat: dict[str, float]) -> float | None:
        """Seconds until all of these targets are settled, by the models; None while one is not known."""
        longest = 0.0
        for heater, value in heat.items():
            start = self.measured.get(heater)
            if start is None:
                return None
            one = self.models[heater].predict(start, value, self.tolerance(heater), self._settle.dwell_s)
            if one is None:
                return None
            longest = max(longest, one)
        return longest

    def highest_lately(self, heater: str) -> float:
        """The highest of the last few readings, °C: one alone may be low by its noise. Of a heater that was heard of."""
        return max(self._lately[heater])

    def middle_lately(self, heater: str) -> float:
        """The middle one of the last few readings, °C. Of a heater that was heard of."""
        return statistics.median(self._lately[heater])

    def commanded(self, heater: str, value: float) -> None:
        """A setpoint was sent and taken: what counts where the printer reports no targets."""
        self._commanded[heater] = value

    def shows(self, heater: str, value: float) -> bool | None:
        """Does the printer's own report show this target? None where it reports none."""
        target = self.targets.get(heater)
        return None if target is None else abs(target - value) <= SAME_TARGET

    def goal(self, heater: str) -> float:
        """The target as far as it is known, °C."""
        return self.targets.get(heater) or self._commanded[heater]

    def hot(self, heater: str) -> bool:
        """Is it warm, or being heated?"""
        return self.measured.get(heater, 0.0) > WARM or self.goal(heater) > 0.0

    def too_hot(self, heater: str) -> bool:
        """Has an interlock found that it heats more than it was told to?"""
        return any(one == heater for one, _ in self.stuck_on)

    @property
    def stuck_on(self) -> frozenset[tuple[str, str]]:
        """What was found of heaters that heat more than they were told to: heater and alarm."""
        return frozenset((heater, trip.alarm) for heater in HEATERS for trip in self._interlocks[heater].tripped
                         if trip.alarm in HEATS_BY_ITSELF)  # fmt: skip

    @property
    def anything_hot(self) -> bool:
        return any(self.hot(heater) for heater in HEATERS)

    def fresh(self, now: float) -> bool:
        """Is each reading that there ever was a young one?"""
        return all(now - at <= self._settings[heater].stale_s for heater, at in self.read_at.items())

    def silence(self, now: float) -> Silence | None:
        """A heater that is hot and has not been heard of for too long: since its last reading while the printer talks, since its
        last word while it says nothing at all."""
        quiet = now - self.heard_at
        for heater, at in self.read_at.items():
            limit = self._settings[heater].stale_s
            if now - at > limit and not TALKS_S < quiet <= limit and now >= self._due_by and self.hot(heater):
                return Silence(heater, now - at, limit, self.heard_at - at < TALKS_S)
        return None
