"""The fit of a low heater step: exact curves come back, noise within its interval, too little is said to be too little."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from banderole.setup.first_order import Point, identify
from banderole.setup.linear import inverse, least_squares

ROOM = 24.0


def step(
    gain: float, tau: float, dead: float, read: Callable[[float], float], top: float = 48.0, fall_s: float = 120.0
) -> tuple[list[Point], list[Point]]:
    """Readings four times a second: a climb at full power to `top`, and the fall from 58 °C."""
    climb: list[Point] = []
    t, value = 0.1, ROOM
    while value < top:
        value = ROOM + (gain * (1.0 - math.exp(-(t - dead) / tau)) if t > dead else 0.0)
        climb.append((t, read(value)))
        t += 0.25
    fall = [(n / 4, read(ROOM + 34.0 * math.exp(-n / 4 / tau))) for n in range(int(4 * fall_s))]
    return climb, fall


# τ from small heaters up to the bench measurement of an early hot end: 22.5 W, 7.9 K/W, τ ≈ 625 s, so a gain of 178 K.
@pytest.mark.parametrize(("gain", "tau", "dead"), [(330, 60, 0), (375, 180, 3), (178, 625, 8), (600, 25, 1)])
def test_an_exact_curve_comes_back(gain: float, tau: float, dead: float) -> None:
    climb, fall = step(gain, tau, dead, lambda value: round(value, 2))
    found = identify(ROOM, climb, fall)
    assert found is not None
    assert found.gain == pytest.approx(gain, rel=0.01)
    assert found.tau == pytest.approx(tau, rel=0.01)
    assert found.dead_time == pytest.approx(dead, abs=0.05)
    assert found.ambient == pytest.approx(ROOM, abs=0.05)
    assert found.good


def test_what_comes_back_has_the_two_points_of_smith() -> None:
    """K 2, τ 60, θ 8: 28.347 % and 63.212 % of the rise give τ = 1.5(t63 − t28), θ = t63 − τ (Smith, 1972, from memory)."""
    climb, fall = step(200, 60, 8, lambda value: value)
    found = identify(ROOM, climb, fall)
    assert found is not None
    t28, t63 = (found.dead_time - found.tau * math.log(1.0 - share) for share in (0.283468687, 0.632120559))
    assert 1.5 * (t63 - t28) == pytest.approx(60.0, rel=0.005)
    assert t63 - 1.5 * (t63 - t28) == pytest.approx(8.0, abs=0.3)


@pytest.mark.slow
@pytest.mark.parametrize(("noise", "resolution"), [(0.1, 0.01), (0.3, 0.01), (0.0, 1.0), (0.05, 0.1)])
def test_noise_and_rounding_stay_within_the_interval(noise: float, resolution: float) -> None:
    """95 % intervals: of four heaters with two figures each at most two may lie outside (binomial: more in 1 of 170)."""
    outside = 0
    for seed in range(4):
        rng = random.Random(seed)
        gain, tau, dead = rng.uniform(200, 450), rng.uniform(60, 400), rng.uniform(0, 4)

        def read(value: float, rng: random.Random = rng) -> float:
            return round((value + rng.gauss(0.0, noise)) / resolution) * resolution

        found = identify(ROOM, *step(gain, tau, dead, read))
        assert found is not None
        outside += abs(found.gain - gain) > found.gain_off
        outside += abs(found.tau - tau) > found.tau_off
        assert found.tau == pytest.approx(tau, rel=0.10)
        assert found.gain == pytest.approx(gain, rel=0.10)
    assert outside <= 2


def test_a_short_fall_in_noise_is_said_not_to_be_good_enough() -> None:
    rng = random.Random(1)
    climb, fall = step(330, 600, 2, lambda value: value + rng.gauss(0.0, 0.5), fall_s=8.0)
    found = identify(ROOM, climb, fall)
    assert found is None or not found.good


def test_too_few_readings_or_no_rise_give_nothing() -> None:
    climb, fall = step(330, 60, 0, lambda value: value)
    assert identify(ROOM, climb[:5], fall) is None
    assert identify(ROOM, climb, fall[:5]) is None
    assert identify(ROOM, [(t, ROOM - t) for t, _ in climb], [(t, ROOM) for t, _ in fall]) is None


def test_linear_algebra_of_a_known_system() -> None:
    """A line through (1, 6), (2, 5), (3, 7), (4, 10): 3.5 + 1.4x (a textbook's example of least squares, from memory)."""
    found = least_squares([(1.0, x) for x in (1.0, 2.0, 3.0, 4.0)], [6.0, 5.0, 7.0, 10.0])
    assert found == pytest.approx([3.5, 1.4])
    assert inverse([[1.0, 2.0], [2.0, 4.0]]) is None
    assert inverse([[0.0, 2.0], [1.0, 0.0]]) == [[0.0, 1.0], [0.5, 0.0]]
