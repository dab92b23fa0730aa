"""The heater step, a procedure of the engine: rest, a low target, the climb, heat off, the fall.

As a procedure it has all that a run has around it: proven setpoints, interlocks, the watch over the line, commands, and
the ladder that makes safe however it ends. The target is low, so that even a board left alone with it does no harm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from banderole_protocol.replies import Report

from banderole.run.effects import Ours, Raw, Unfinished
from banderole.run.make_safe import heat_off_in_order
from banderole.run.state import State
from banderole.run.steps import Procedure, RefusedAtStart, check_limit, set_heat
from banderole.run.whole_run import first_reading, greeting
from banderole.setup.first_order import Identified, Point, identify

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

COLD: Final = 40.0
"""°C. Warmer than any room a printer stands in: the nozzle has been heated, and its rest would say nothing of the room."""
REST_S: Final = 6.0
DRIFT: Final = 0.4
"""°C between the halves of the rest: ten degrees above the room, a heater of τ 60 s falls by half a degree meanwhile."""
WHOLE_DEGREE: Final = 1.01
"""°C of drift that mean nothing where readings come in whole degrees."""
NEARLY: Final = 1.0
"""°C below the target at which the climb is over."""
CLIMB_S: Final = 240.0
"""Longest climb: a nozzle of τ 625 s at 40 W needs 70 s. The interlock on heat without rise ends a dead one far sooner."""
LINGER_S: Final = 30.0
"""Longest time at less than full power, near the target: nothing is learned from it."""
FULL: Final = 0.97
"""Share of power from which it counts as full; one step of 127 is 0.008."""
UNREPORTED: Final = 15.0
"""°C below the target up to which a board that tells no power is taken to be at full power (common practice, no source)."""
LEAD_S: Final = 3.0
"""After the highest reading, until what is still on its way to the sensor has come."""
FALL_S: Final = 180.0
FALLEN: Final = 0.5
"""Share of the rise: a fall by half shows τ well, and takes 0.7 τ."""
MOST_READINGS: Final = 20_000
"""Far more than the bounds above let come; past it nothing is kept."""
BREAK_AFTER_S: Final = 1.0
BREAK_RISE: Final = 10.0
"""°C above the nozzle that the wait to be broken asks for: it ends by itself soon where it cannot be broken."""
BROKEN_S: Final = 2.0
SHORT_OF: Final = 2.0
"""°C below its target at which a wait that ended was broken and had not come to its end."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One report of the nozzle: s, °C, share of full power or None, °C."""

    at: float
    measured: float
    power: float | None


@dataclass(slots=True)
class HeatStep:
    """What is to be done, and what was seen. `breaks`: whether M108 ended a wait of the printer's own; None: not tried."""

    target: float
    try_break: bool = False
    rest: float = 0.0
    on_at: float = 0.0
    off_at: float = 0.0
    readings: list[Reading] = field(default_factory=list)
    breaks: bool | None = None
    full_power_seen: bool = False

    def procedure(self, e: Engine) -> Procedure:
        """The whole step, from the greeting to the proof that heat is off. Raises RefusedAtStart, Tripped."""
        yield from greeting(e)
        yield from first_reading(e)
        yield from self._rest(e)
        e.state, e.phase = State.RUNNING, "heating"
        e.effect(Unfinished({}))
        self.on_at = e.now
        yield from self._noted(e, set_heat(e, {"nozzle": self.target}, "setup"))
        yield from self._noted(e, self._climb(e))
        self.off_at = e.now
        yield from self._noted(e, set_heat(e, {"nozzle": 0.0}, "setup"))
        e.phase = "cooling"
        yield from self._noted(e, self._fall(e))
        if self.try_break and e.capable("EMERGENCY_PARSER"):
            yield from self._break(e)
        yield from heat_off_in_order(e)
        e.end(State.COMPLETE, 0, "the heater step was carried out, and heat is off", True)

    def _noted(self, e: Engine, procedure: Procedure) -> Procedure:
        """Run it, and note each reading meanwhile."""
        try:
            next(procedure)
            while True:
                heard = yield
                self._note(e, heard)
                procedure.send(heard)
        except StopIteration:
            return
        finally:
            procedure.close()

    def _note(self, e: Engine, heard: Any) -> None:
        if isinstance(heard, Report) and heard.readings.nozzle is not None and len(self.readings) < MOST_READINGS:
            power = e.watch.power.get("nozzle")
            self.full_power_seen = self.full_power_seen or (power or 0.0) >= FULL
            self.readings.append(Reading(e.now, e.watch.measured["nozzle"], power))

    def _rest(self, e: Engine) -> Procedure:
        """The nozzle must be cold, off, and as warm as the room."""
        if e.watch.goal("nozzle") > 0.0 or e.watch.goal("bed") > 0.0:
            raise RefusedAtStart("the printer is heating: it may be at work; wait for its end, and nothing was heated")
        if e.watch.measured["nozzle"] > COLD:
            raise RefusedAtStart(
                f"the nozzle is at {e.watch.measured['nozzle']:.0f} °C: let it cool to the room first; nothing was heated"
            )
        until, values = e.now + REST_S, [e.watch.measured["nozzle"]]
        while e.now < until:
            if isinstance((yield), Report):
                values.append(e.watch.measured["nozzle"])
        half = len(values) // 2 or 1
        drift = abs(_mean(values[:half]) - _mean(values[half:] or values))
        whole = all(value == round(value) for value in values)
        if drift > (WHOLE_DEGREE if whole else DRIFT):
            raise RefusedAtStart("the nozzle's temperature is not at rest: let it cool first; nothing was heated")
        self.rest = _mean(values)

    def _climb(self, e: Engine) -> Procedure:
        part_since: float | None = None
        while e.now - self.on_at < CLIMB_S and e.watch.measured["nozzle"] < self.target - NEARLY:
            yield
            power = e.watch.power.get("nozzle")
            if power is None or power >= FULL or not self.full_power_seen:
                part_since = None
            elif part_since is None:
                part_since = e.now
            elif e.now - part_since > LINGER_S:
                return

    def _fall(self, e: Engine) -> Procedure:
        until = e.now + FALL_S
        while e.now < until:
            yield
            top = max(reading.measured for reading in self.readings) if self.readings else self.rest
            if e.watch.measured["nozzle"] < top - FALLEN * (top - self.rest):
                return

    def _break(self, e: Engine) -> Procedure:
        """A short wait of the printer's own for a little heat, and M108 into it."""
        goal = float(int(min(e.watch.measured["nozzle"] + BREAK_RISE, self.target)))
        check_limit(e, "nozzle", goal)
        order = Ours(b"M109 S%d" % int(goal), "setup")
        e.watch.commanded("nozzle", goal)
        e.queue(order)
        yield from _pass(e, BREAK_AFTER_S)
        if order.taken:
            return  # it came to its end before it could be broken
        e.effect(Raw(b"M108\n"))
        until = e.now + BROKEN_S
        while not order.taken and e.now < until:
            yield
        short = e.watch.measured["nozzle"] < goal - SHORT_OF
        self.breaks = order.taken if short else None

    # ---- what was seen

    def climb(self) -> list[Point]:
        """Readings at full power, from the command on."""
        points: list[Point] = []
        full = False
        for reading in self.readings:
            if reading.at < self.on_at:
                continue
            if reading.at > self.off_at or self._let_go(reading, full):
                break
            full = full or (reading.power or 0.0) >= FULL
            points.append((reading.at - self.on_at, reading.measured))
        return points if full or not any(reading.power for reading in self.readings) else []

    def _let_go(self, reading: Reading, full: bool) -> bool:
        """Is power no longer full, as reported or else as firmware commonly does?"""
        if reading.power is None:
            return reading.measured > self.target - UNREPORTED
        return full and reading.power < FULL

    def fall(self) -> list[Point]:
        """Readings without power, after the highest."""
        off = [reading for reading in self.readings if reading.at > self.off_at]
        if not off:
            return []
        top = max(off, key=lambda reading: reading.measured)
        return [(r.at - top.at - LEAD_S, r.measured) for r in off if r.at >= top.at + LEAD_S]

    def identified(self) -> Identified | None:
        """The heater; None where the step showed too little."""
        return identify(self.rest, self.climb(), self.fall())


def _pass(e: Engine, seconds: float) -> Procedure:
    until = e.now + seconds
    while e.now < until:
        yield


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
