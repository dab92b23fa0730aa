"""One heater: a first-order body, the firmware's controller, a sensor and their faults.

The body obeys the lumped-capacitance law tau·dT/dt = -(T - ambient) + gain·duty (first order; see Çengel, *Heat
Transfer*, ch. 4). The controller gives full duty below a band, none above it, and within it
duty = bias + (target - T)/band, where bias is the duty that holds the target: what a firmware's integral has learnt.
Every piece of that is linear, so each step is the exact exponential, and the curve does not depend on the step size.
With a dead time the controller samples and holds, as a firmware does, and each held piece is again exact.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from random import Random

# °C shown for a sensor that is not there: the public line convention has it below absolute zero.
READS_OPEN = -300.0
# °C shown for a shorted thermistor: the hot end of its table.
READS_SHORT = 999.0
# °C that no room has, and that no heater reaches: readings which look like any other and cannot be.
READS_COLD = -25.0
READS_HOT = 350.0
# °C by which a faulty reading is off: more than any heater can do between two readings.
WILD_OFFSET = 150.0
JUMP_OFFSET = 80.0
# Share of its power that a weak heater still has: too little for any usual nozzle setpoint.
WEAK_SHARE = 0.4
# s, the firmware controller's sampling period where there is a dead time.
CONTROL_TICK_S = 0.1
# s for which the ambient of a draught counts as constant: far below the period of any.
DRAFT_STEP_S = 5.0
# °C and duty below which a held state counts as at rest, far below any sensor's resolution.
AT_REST = 1e-7

BODY_FAULTS = ("", "dead", "stuck_on", "weak")
SENSOR_FAULTS = ("", "open", "short", "nan", "cold", "hot", "frozen", "jump")
_CONSTANT = {"open": READS_OPEN, "short": READS_SHORT, "nan": math.nan, "cold": READS_COLD, "hot": READS_HOT}


@dataclass(frozen=True, slots=True)
class HeaterBuild:
    """What a heater is made of: °C, °C at full duty above ambient, s."""

    ambient: float = 25.0
    gain: float = 375.0  # 400 °C at full duty: a common nozzle heater; common practice, no source
    tau: float = 180.0  # s; hot ends measured lie between about 60 and 625 s
    band: float = 15.0  # °C of proportional band
    dead_time: float = 0.0  # s between a change of duty and its effect
    noise: float = 0.0  # °C, standard deviation of one reading
    resolution: float = 0.0  # °C, 1.0 = whole degrees; 0 = as fine as the report
    draft: float = 0.0  # °C by which the ambient swings about its mean: doors, sun, a heating that comes and goes
    draft_s: float = 900.0  # s of one such swing
    fan_share: float = 0.0  # by which the loss of heat grows with the part fan at full; hot ends: 0 to 0.3, no source


class Heater:
    """A heater in its own thermal time. `advance(seconds)` moves it on; `read()` is one reading of its sensor."""

    __slots__ = ("_ambient", "_body", "_frozen_at", "_held", "_left", "_loss", "_rng", "_sensor", "_tick", "_time", "build",
                 "target", "temperature", "wild_samples")  # fmt: skip

    def __init__(self, build: HeaterBuild, rng: Random) -> None:
        self.build = build
        self.temperature = build.ambient
        self.target = 0.0
        self.wild_samples = 0
        self._rng = rng
        self._body = ""
        self._sensor = ""
        self._frozen_at = build.ambient
        ticks = max(1, round(build.dead_time / CONTROL_TICK_S)) if build.dead_time > 0 else 0
        self._tick = build.dead_time / ticks if ticks else 0.0
        self._held: deque[float] = deque([0.0] * ticks, maxlen=ticks or 1)
        self._left = 0.0  # s until the controller samples again
        self._ambient = build.ambient  # at this moment
        self._loss = 1.0  # times that in still air
        self._time = 0.0  # s lived so far

    @property
    def power(self) -> float:
        """Duty that the controller asks for, 0..1: what a firmware reports, whether or not the heater obeys."""
        if self.target <= 0:
            return 0.0
        felt = self._frozen_at if self._sensor == "frozen" else self.temperature
        return min(1.0, max(0.0, self._bias() + (self.target - felt) / self.build.band))

    def break_body(self, fault: str) -> None:
        if fault not in BODY_FAULTS:
            raise ValueError(f"no such heater fault: {fault!r}; known are {BODY_FAULTS}")
        self._body = fault

    def break_sensor(self, fault: str) -> None:
        if fault not in SENSOR_FAULTS:
            raise ValueError(f"no such sensor fault: {fault!r}; known are {SENSOR_FAULTS}")
        self._frozen_at = self.temperature
        self._sensor = fault

    def read(self) -> float:
        """One reading, °C, with noise, resolution and whatever is wrong with the sensor."""
        if self._sensor in _CONSTANT:
            return _CONSTANT[self._sensor]
        match self._sensor:
            case "frozen":
                value = self._frozen_at
            case "jump":
                value = self.temperature + JUMP_OFFSET
            case _:
                value = self.temperature
        if self.wild_samples:
            self.wild_samples -= 1
            value += WILD_OFFSET
        build = self.build
        if build.noise and self._sensor != "frozen":
            value += self._rng.gauss(0.0, build.noise)
        return round(value / build.resolution) * build.resolution if build.resolution else value

    def advance(self, seconds: float) -> None:
        """Moves on by `seconds` of thermal time, exactly (a draught apart, which goes in steps)."""
        if seconds <= 0.0:
            return
        draft = self.build.draft
        while draft and seconds > DRAFT_STEP_S:
            seconds -= DRAFT_STEP_S
            self._blow(DRAFT_STEP_S)
            self._advance(DRAFT_STEP_S)
        if draft:
            self._blow(seconds)
        self._advance(seconds)

    def blown_at(self, share: float) -> None:
        """From now on the part fan runs at this share of full, 0..1."""
        self._loss = 1.0 + self.build.fan_share * share

    def _blow(self, seconds: float) -> None:
        self._time += seconds
        self._ambient = self.build.ambient + self.build.draft * math.sin(math.tau * self._time / self.build.draft_s)

    def _advance(self, seconds: float) -> None:
        if self._body == "stuck_on":
            self._relax(seconds, self._ambient + self.build.gain / self._loss, self.build.tau / self._loss)
        elif self._tick:
            self._advance_held(seconds)
        elif self.target <= 0.0:
            self._relax(seconds, self._ambient, self.build.tau / self._loss)
        elif self._sensor == "frozen":  # the controller knows no better than the sensor
            self._relax(seconds, self._ambient + self._gain() * self.power / self._loss, self.build.tau / self._loss)
        elif self._body or self._loss != 1.0 or self.build.draft or abs(self.temperature - self.target) >= AT_REST:
            self._advance_controlled(seconds)

    def _gain(self) -> float:
        match self._body:
            case "dead":
                return 0.0
            case "weak":
                return self.build.gain * WEAK_SHARE
            case _:
                return self.build.gain

    def _bias(self) -> float:
        return min(1.0, max(0.0, (self.target - self.build.ambient) / self.build.gain))

    def _relax(self, seconds: float, end: float, tau: float) -> None:
        away = self.temperature - end
        if -AT_REST < away < AT_REST:
            self.temperature = end
        else:
            self.temperature = end + away * math.exp(-seconds / tau)

    def _advance_controlled(self, seconds: float) -> None:
        # Three linear regions: full duty below `low`, proportional between, none above `high`.
        build, bias, gain, ambient, loss = self.build, self._bias(), self._gain(), self._ambient, self._loss
        stiff = gain / build.band
        low = self.target - (1.0 - bias) * build.band
        high = self.target + bias * build.band
        regions = (  # resting temperature, time constant, lower border, upper border
            (ambient + gain / loss, build.tau / loss, -math.inf, low),
            (
                (loss * ambient + gain * bias + stiff * self.target) / (loss + stiff),
                build.tau / (loss + stiff),
                low,
                high,
            ),
            (ambient, build.tau / loss, high, math.inf),
        )
        at = 0 if self.temperature < low else 2 if self.temperature > high else 1
        while True:
            end, tau, lower, upper = regions[at]
            rising = end > self.temperature
            border = upper if rising else lower
            if (end <= border) if rising else (end >= border):  # never gets there
                self._relax(seconds, end, tau)
                return
            until = tau * math.log((self.temperature - end) / (border - end)) if self.temperature != border else 0.0
            if until >= seconds:
                self._relax(seconds, end, tau)
                return
            seconds -= max(0.0, until)
            self.temperature = border
            at += 1 if rising else -1

    def _advance_held(self, seconds: float) -> None:
        build, gain = self.build, self._gain()
        while seconds > 0.0:
            if self._left <= 0.0:
                if self._at_rest(gain):
                    return
                self._left = self._tick
                self._held.append(self.power)  # the deque is full, so the oldest, now due, has gone already
            piece = min(seconds, self._left)
            self._relax(piece, self._ambient + gain * self._held[0] / self._loss, build.tau / self._loss)
            seconds -= piece
            self._left -= piece
            if self._left < AT_REST:
                self._left = 0.0

    def _at_rest(self, gain: float) -> bool:
        # At rest every further tick would repeat the one before; skipping them keeps long quiet times cheap.
        duty = self.power
        if any(abs(held - duty) > AT_REST for held in self._held):
            return False
        return abs(self.temperature - self._ambient - gain * duty / self._loss) < AT_REST
