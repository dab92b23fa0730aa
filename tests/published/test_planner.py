"""Times and speeds of motion against published values; the source stands beside each."""

from __future__ import annotations

import math

import pytest
from banderole.plan.bends import Bend
from banderole.plan.motion_limits import MotionLimits
from banderole.plan.motion_scan import rounded_corners
from banderole.plan.motion_time import Motion, seconds_of


def line(length: float, feed: float) -> Motion:
    return Motion(length, 0.0, 0.0, 0.0, feed, length)


@pytest.mark.parametrize(
    ("length", "feed", "acceleration", "seconds"),
    [
        (100.0, 100.0, 1000.0, 1.1),
        (10.0, 100.0, 1000.0, 0.2),
        (5.0, 100.0, 1000.0, 0.14142),
        (20.0, 60.0, 500.0, 0.45333),
    ],
)
def test_rest_to_rest(length: float, feed: float, acceleration: float, seconds: float) -> None:
    """L ≥ v²/a: T = L/v + v/a, else T = 2√(L/a) (kinematics of constant acceleration; recomputed)."""
    assert seconds_of([line(length, feed)], MotionLimits.of(acceleration)) == [pytest.approx(seconds, abs=5e-6)]


def test_lynch_and_park() -> None:
    """Lynch & Park, Modern Robotics §9.2 (numbers from memory): unit path, v 0.5, a 2 → T = (a + v²)/(va) = 2.25 s."""
    assert seconds_of([line(1.0, 0.5)], MotionLimits.of(2.0)) == [pytest.approx(2.25)]


def test_unequal_slopes() -> None:
    """D 100 with slopes 2 up and 4 down: top √(2abD/(a+b)) = 16.330, T 12.247 (elementary kinematics; recomputed).

    Two collinear motions, of which the second has twice the acceleration, and meet where the top is.
    """
    up, down, top = 2.0, 4.0, 16.330
    first = top**2 / (2 * up)
    motions = [Motion(first, 0.0, 0.0, 1.0, 1e3, first), Motion(100.0 - first, 0.0, 0.0, 0.0, 1e3, 100.0 - first)]
    seconds = seconds_of(motions, MotionLimits(printing=up, travel=down))
    assert sum(seconds) == pytest.approx(12.247, abs=1e-3)


@pytest.mark.parametrize(("degrees", "speed"), [(60, 4.472), (90, 6.949), (120, 11.370), (150, 23.811)])
def test_junction_deviation(degrees: float, speed: float) -> None:
    """R = δ·sin(θ/2)/(1 − sin(θ/2)), v = √(aR), δ 0.02, a 1000 (from memory; geometry recomputed)."""
    dot = -math.cos(math.radians(degrees))
    assert math.sqrt(rounded_corners((dot,), (1e6, 1e6), (0.02 * 1000.0,))[0]) == pytest.approx(speed, abs=5e-4)


def test_the_corner_in_a_path() -> None:
    """The same 90° in a path of two motions: each loses (v − v₁)²/(2av) more at its end than at full speed."""
    v, a, corner = 60.0, 1000.0, 6.949
    motions = [Motion(50.0, 0.0, 0.0, 0.0, v, 50.0), Motion(0.0, 50.0, 0.0, 0.0, v, 50.0)]
    each = 50.0 / v + v / (2 * a) + (v - corner) ** 2 / (2 * a * v)
    assert seconds_of(motions) == pytest.approx([each, each], abs=1e-6)


def test_circle() -> None:
    """Uniform circular motion: a = v²/R. R 5, a 1000: at most 70.711 mm/s however much is asked for."""
    around = Motion(0.0, 0.0, 0.0, 1.0, 500.0, 1e6, Bend(5.0, (1.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
    assert 1e6 / seconds_of([around])[0] == pytest.approx(70.711, abs=5e-3)
