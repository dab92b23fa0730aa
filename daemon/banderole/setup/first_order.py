"""A first-order heater with dead time, fitted to one low step: a climb at full power and the fall after it.

The climb alone shows hardly more than its slope, gain/τ: a low step sees the beginning of the curve only. The fall,
without power, shows τ and the room's temperature, whatever the gain. So both are fitted at once,

    climb: T = Ta + (T0 − Ta)·e^(−t/τ) + G·(1 − e^(−(t−θ)/τ)) for t > θ
    fall:  T = Ta + (T1 − Ta)·e^(−t/τ)

T0 is the rest before the step; Ta the room, known to be near T0. For given τ and θ the rest is linear (variable
projection: Golub and Pereyra, 1973, from memory), so only these two are searched for, by golden section.

Sources: lumped capacitance, first order plus dead time, any heat transfer and process control textbook; the widening
of errors for residuals that follow each other, (1+ρ)/(1−ρ), is that of a first-order autoregression (Box and Jenkins,
from memory). Pure; plain Python, some hundred readings, a tenth of a second.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from banderole.setup.linear import inverse, least_squares

Point = tuple[float, float]
"""Seconds since the beginning of its part, °C."""

MOST_POINTS: Final = 120
"""Of each part; more are averaged in neighbours, which costs nothing: the curve is smooth."""
LEAST_POINTS: Final = 6
ROOM_ERROR: Final = 0.5
"""°C, standard deviation by which a heater at rest may stand off the room (sun, an earlier print)."""
LEAST_NOISE: Final = 0.05
"""°C that a reading may be off at the least, by rounding and by the time at which it was made."""
TAU_RANGE: Final = (2.0, 5000.0)
"""s; hot ends lie between about 60 and 625 s (Banderole's stock of check values), small heaters far below."""
MOST_DEAD_TIME: Final = 30.0
"""s; longer is no nozzle."""
COARSE: Final = 24
COARSE_DEAD: Final = 8
"""Places looked at along ln τ and along θ before the golden section."""
GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0
SEARCH_STEPS: Final = 20
"""Golden section narrows by 0.618 each: 20 leave less than a ten-thousandth of a dip's width."""
TWO_SIGMA: Final = 1.96
"""Half width of a 95 % interval, in standard errors."""
GOOD_SHARE: Final = 0.10
"""Half width, as a share of the value, up to which an identification is called good."""
MOST_WIDENING: Final = 25.0


@dataclass(frozen=True, slots=True)
class Identified:
    """One heater. °C, °C above ambient at full power, s; the `_off` are half widths of 95 % intervals."""

    ambient: float
    gain: float
    tau: float
    dead_time: float
    gain_off: float
    tau_off: float
    dead_time_off: float
    noise: float

    @property
    def good(self) -> bool:
        """Are both intervals within a tenth of the value?"""
        return self.gain_off <= GOOD_SHARE * self.gain and self.tau_off <= GOOD_SHARE * self.tau


def identify(rest: float, climb: Sequence[Point], fall: Sequence[Point]) -> Identified | None:
    """The heater that fits best; None where there is too little to fit. `rest`: °C before the step."""
    if len(climb) < LEAST_POINTS or len(fall) < LEAST_POINTS:
        return None
    found: Identified | None = None
    noise = LEAST_NOISE
    for _ in range(2):  # how much the room's error weighs is known once the readings' own is
        found = _Step(rest, _thinned(climb), _thinned(fall), noise).solved()
        if found is None or found.noise <= 2.0 * noise:
            break
        noise = found.noise
    return found


class _Step:
    """The readings of one step, and the sum of squares that a τ and a θ leave."""

    def __init__(self, rest: float, climb: Sequence[Point], fall: Sequence[Point], noise: float) -> None:
        self._rest = rest
        self._climb = climb
        self._fall = fall
        self._longest = min(MOST_DEAD_TIME, 0.9 * climb[-1][0])
        # the room counts as one reading, of an error of its own
        self._room_weight = noise / ROOM_ERROR

    def solved(self) -> Identified | None:
        low, high = TAU_RANGE
        log_tau = _least(lambda value: self.best_dead_time(math.exp(value))[0], math.log(low), math.log(high))
        tau = math.exp(log_tau)
        return self._result(tau, self.best_dead_time(tau)[1])

    def best_dead_time(self, tau: float) -> tuple[float, float]:
        """(sum of squares, θ) for this τ."""
        theta = _least(lambda value: self._left(tau, value), 0.0, self._longest, COARSE_DEAD)
        return min((self._left(tau, value), value) for value in (0.0, theta))

    def _left(self, tau: float, theta: float) -> float:
        rows, ys = self._linear(tau, theta)
        x = least_squares(rows, ys)
        if x is None or x[1] <= 0.0:
            return math.inf
        return sum((y - sum(a * b for a, b in zip(row, x, strict=True))) ** 2 for row, y in zip(rows, ys, strict=True))

    def _linear(self, tau: float, theta: float) -> tuple[list[tuple[float, ...]], list[float]]:
        """Rows for (Ta, G, T1)."""
        rows: list[tuple[float, ...]] = [(self._room_weight, 0.0, 0.0)]
        ys = [self._room_weight * self._rest]
        for t, measured in self._climb:
            kept = math.exp(-t / tau)
            rows.append((1.0 - kept, _risen(t, tau, theta), 0.0))
            ys.append(measured - self._rest * kept)
        for t, measured in self._fall:
            kept = math.exp(-t / tau)
            rows.append((1.0 - kept, 0.0, kept))
            ys.append(measured)
        return rows, ys

    def _result(self, tau: float, theta: float) -> Identified | None:
        rows, ys = self._linear(tau, theta)
        x = least_squares(rows, ys)
        if x is None or x[1] <= 0.0:
            return None
        left = [y - sum(a * b for a, b in zip(row, x, strict=True)) for row, y in zip(rows, ys, strict=True)][1:]
        noise = max(LEAST_NOISE, math.sqrt(sum(one * one for one in left) / max(1, len(left) - 5)))
        errors = self._errors(tau, theta, x, noise)
        if errors is None:
            return None
        wide = TWO_SIGMA * noise * math.sqrt(_widening(left))
        return Identified(
            ambient=x[0], gain=x[1], tau=tau, dead_time=theta,
            gain_off=wide * errors[3], tau_off=wide * errors[0] * tau, dead_time_off=wide * errors[1], noise=noise,
        )  # fmt: skip

    def _errors(self, tau: float, theta: float, x: Sequence[float], noise: float) -> list[float] | None:
        """Standard errors of (ln τ, θ, Ta, G, T1), for readings of an error of one."""
        at = [math.log(tau), theta, *x]
        steps = (1e-4, 1e-3, 1e-3, 1e-3, 1e-3)
        slopes = []
        for number, step in enumerate(steps):
            up, down = list(at), list(at)
            up[number] += step
            down[number] -= step
            slopes.append([(a - b) / (2.0 * step) for a, b in zip(self._curve(up), self._curve(down), strict=True)])
        slopes[2][0] = noise / ROOM_ERROR  # the room's own row
        information = [[sum(a * b for a, b in zip(one, two, strict=True)) for two in slopes] for one in slopes]
        covariance = inverse(information)
        return None if covariance is None else [math.sqrt(max(0.0, covariance[i][i])) for i in range(5)]

    def _curve(self, values: Sequence[float]) -> list[float]:
        """What the readings should be; the first place stands for the room."""
        tau, theta, room, gain, top = math.exp(values[0]), *values[1:]
        climb = [room + (self._rest - room) * math.exp(-t / tau) + gain * _risen(t, tau, theta) for t, _ in self._climb]
        fall = [room + (top - room) * math.exp(-t / tau) for t, _ in self._fall]
        return [0.0, *climb, *fall]


def _risen(t: float, tau: float, theta: float) -> float:
    return 0.0 if t <= theta else 1.0 - math.exp(-(t - theta) / tau)


def _widening(left: Sequence[float]) -> float:
    """By how much residuals that follow each other say less than as many that do not."""
    total = sum(one * one for one in left)
    if total == 0.0:
        return 1.0
    rho = max(0.0, min(0.95, sum(a * b for a, b in itertools.pairwise(left)) / total))
    return min(MOST_WIDENING, (1.0 + rho) / (1.0 - rho))


def _least(value_at: Callable[[float], float], low: float, high: float, looks: int = COARSE) -> float:
    """Where a function is least: a coarse look first, so that one dip among several is the deepest; then golden section."""
    width = (high - low) / looks
    best = min(range(looks + 1), key=lambda n: value_at(low + n * width))
    a, b = max(low, low + (best - 1) * width), min(high, low + (best + 1) * width)
    c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
    at_c, at_d = value_at(c), value_at(d)
    for _ in range(SEARCH_STEPS):
        if at_c <= at_d:
            b, d, at_d = d, c, at_c
            c = b - GOLDEN * (b - a)
            at_c = value_at(c)
        else:
            a, c, at_c = c, d, at_d
            d = a + GOLDEN * (b - a)
            at_d = value_at(d)
    return (a + b) / 2.0


def _thinned(points: Sequence[Point]) -> list[Point]:
    """At most MOST_POINTS, each the mean of its neighbours."""
    size = -(-len(points) // MOST_POINTS)
    groups = [points[at : at + size] for at in range(0, len(points), size)]
    return [(sum(t for t, _ in group) / len(group), sum(v for _, v in group) / len(group)) for group in groups]
