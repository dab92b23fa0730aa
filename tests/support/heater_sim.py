"""A heater to try things on: first order, dead time, one of three manners of control, noise, rounding, faults.

dT/dt = (ambient + gain·u/loss − T)·loss/τ, stepped exactly between readings; the sensor shows T `dead` seconds late
and `draught` °C off. Control runs on the sensor as real firmware does; `loss` above 1 is a fan on the heater.
Shares no code with the model it is used to test.
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal


@dataclass
class HeaterSim:
    """Temperatures in °C, times in s, power as a share of full. `warp` makes everything that many times faster."""

    tau: float = 180.0
    gain: float = 280.0
    ambient: float = 23.0
    dead: float = 2.0
    control: Literal["p", "pi", "switch"] = "pi"
    band: float = 8.0
    integral_s: float = 60.0
    hysteresis: float = 1.0
    noise: float = 0.0
    step: float = 0.0
    warp: float = 1.0
    seed: int = 1
    draught: float = 0.0
    loss: float = 1.0
    target: float = 0.0
    now: float = 0.0
    power: float = 0.0
    fault: Literal["", "dead", "full", "frozen", "open", "weak"] = ""
    temperature: float = field(init=False)

    def __post_init__(self) -> None:
        self.temperature = self.ambient
        self._random = random.Random(self.seed)
        self._pipe: deque[tuple[float, float]] = deque([(-math.inf, self.ambient)])
        self._integral = 0.0
        self._frozen: float | None = None

    @property
    def held(self) -> float:
        """Power that would hold the target for ever."""
        return min(1.0, max(0.0, (self.target - self.ambient) / self.gain))

    def set(self, target: float) -> None:
        self.target = target

    def _sensed(self) -> float:
        shown = self.now - self.dead / self.warp
        while len(self._pipe) > 1 and self._pipe[1][0] <= shown:
            self._pipe.popleft()
        return self._pipe[0][1]

    def _decide(self, sensed: float, dt: float) -> float:
        if self.target <= 0.0:
            self._integral = 0.0
            return 0.0
        error = self.target - sensed
        match self.control:
            case "switch":
                low = error > self.hysteresis
                high = error < -self.hysteresis
                return 1.0 if low else 0.0 if high else round(self.power)
            case "p":
                return min(1.0, max(0.0, self.held + error * (1.0 - self.held) / self.band))
            case "pi":
                proportional = error * (1.0 - self.held) / self.band
                wanted = proportional + self._integral
                if abs(error) < self.band and 0.0 <= wanted <= 1.0:
                    self._integral += proportional * dt * self.warp / self.integral_s
                elif abs(error) >= self.band:
                    self._integral = self.held * 0.9 if error > 0 else self._integral
                return min(1.0, max(0.0, wanted))

    def advance(self, seconds: float) -> None:
        """Let time pass, in slices short against dead time and control."""
        end = self.now + seconds
        while self.now < end - 1e-9:
            dt = min(0.1 / self.warp, end - self.now)
            self.power = self._decide(self.sensed_now(), dt)
            real = {"dead": 0.0, "full": 1.0, "weak": 0.5 * self.power}.get(self.fault, self.power)
            limit = self.ambient + self.gain * real / self.loss
            self.temperature = limit + (self.temperature - limit) * math.exp(-dt * self.warp * self.loss / self.tau)
            self.now += dt
            self._pipe.append((self.now, self.temperature))

    def sensed_now(self) -> float:
        """What the sensor gives, without noise."""
        if self.fault == "open":
            return -14.0 if self._random.random() < 0.5 else math.nan
        if self.fault == "frozen":
            if self._frozen is None:
                self._frozen = self._sensed() + self.draught
            return self._frozen
        return self._sensed() + self.draught

    def reading(self) -> float:
        """What a report says: with noise, rounded to `step` (to hundredths where 0)."""
        value = self.sensed_now()
        if math.isnan(value):
            return value
        if self.fault != "frozen":
            value += self._random.gauss(0.0, self.noise)
        step = self.step or 0.01
        return round(round(value / step) * step, 3)

    def readings(self, seconds: float, every: float) -> Iterator[tuple[float, float, float]]:
        """(measured, power, now), one `every` s, for `seconds`."""
        for _ in range(round(seconds / every)):
            self.advance(every)
            yield self.reading(), self.power, self.now
