"""The heat curve, and what is learned with it, against published values; the source stands beside each."""

from __future__ import annotations

import math

import pytest
from banderole.run.heat_curve import HeatCurve, decay_time
from banderole.run.heat_learning import Regression
from banderole.run.thermal import HeaterModel

# A heater whose control does not matter: far from its setpoint.
FREE = HeatCurve(ambient=25.0, gain=400.0, tau=180.0, band=1e-6)


def test_cengel_example_4_1() -> None:
    """Çengel, Heat Transfer, Ex. 4.1: thermocouple bead, 1 mm sphere, k 35, ρ 8500, c 320, h 210: 99 % in 10 s."""
    length = 0.001 / 6
    rate = 210 / (8500 * 320 * length)
    assert rate == pytest.approx(0.4632, abs=5e-5)
    seconds = decay_time(1 / rate, start=1.0, end=0.01, limit=0.0)
    assert seconds == pytest.approx(9.94, abs=0.005)
    assert round(seconds) == 10


def test_incropera_example_5_1() -> None:
    """Incropera, Fundamentals of Heat and Mass Transfer, Ex. 5.1 (numbers from memory): τ 1 s, 25 → 199 °C in gas at
    200 °C: 5.2 s."""
    seconds = decay_time(1.0, start=25.0, end=199.0, limit=200.0)
    assert seconds == pytest.approx(5.16, abs=0.005)
    assert round(seconds, 1) == 5.2


@pytest.mark.parametrize("start", [20.0, 25.0, 60.0])
def test_lienhard_bead(start: float) -> None:
    """Lienhard, A Heat Transfer Textbook, bead in gas at 200 °C: τ 1.116 s, 95 % of the way in 3 τ."""
    curve = HeatCurve(ambient=start, gain=200.0 - start, tau=1.116, band=1e-6)
    way = (curve.at(start, 500.0, 3 * 1.116) - start) / (200.0 - start)
    assert way == pytest.approx(0.950, abs=5e-4)


@pytest.mark.parametrize(("tau", "seconds"), [(180.0, 4.44), (625.0, 15.43)])
def test_between_bands(tau: float, seconds: float) -> None:
    """t = τ ln((T1 − Ta)/(T2 − Ta)), 230 → 225 °C, Ta 25 °C; lumped capacitance as in Çengel ch. 4."""
    assert decay_time(tau, 230.0, 225.0, 25.0) == pytest.approx(seconds, abs=0.005)
    # With a band of no width the curve is this law alone: 0.05 °C of tolerance are the difference.
    curve = HeatCurve(25.0, 400.0, tau, band=1e-6)
    assert curve.travel(230.05, 225.0, 0.05) == pytest.approx(decay_time(tau, 230.05, 225.05, 25.0))


@pytest.mark.parametrize(("left", "taus"), [(0.05, 2.9957), (0.02, 3.9120)])
def test_first_order_points(left: float, taus: float) -> None:
    """First order: 5 % left at 2.9957 τ, 2 % at 3.9120 τ (any control textbook; recomputed)."""
    assert decay_time(1.0, 1.0, left, 0.0) == pytest.approx(taus, abs=5e-5)
    end = FREE.ceiling - left * FREE.gain
    assert FREE.travel(25.0, end, 1e-9) == pytest.approx(taus * FREE.tau, rel=1e-4)


def test_ten_to_ninety_percent() -> None:
    """First order: 10–90 % in 2.197 τ."""
    assert decay_time(1.0, 0.9, 0.1, 0.0) == pytest.approx(2.197, abs=5e-4)


def _when(curve: HeatCurve, share: float) -> float:
    """Seconds at which a step at full power has gone this share of its way, found on the curve by bisection."""
    low, high = 0.0, 20 * curve.tau
    while high - low > 1e-9 * curve.tau:
        middle = (low + high) / 2
        done = (curve.at(curve.ambient, 1e6, middle) - curve.ambient) / curve.gain
        low, high = (middle, high) if done < share else (low, middle)
    return low


def test_smith_two_points() -> None:
    """Smith's two points (from memory; identity recomputed): τ = 1.5 (t63 − t28), θ = t63 − τ.

    K 2, τ 60, θ 8 come back, exactly: these two points are where the identity holds without rounding.
    """
    curve = HeatCurve(ambient=0.0, gain=2.0, tau=60.0, band=1e-9)
    t28, t63 = (8.0 + _when(curve, share) for share in (0.28347, 0.63212))
    tau = 1.5 * (t63 - t28)
    assert tau == pytest.approx(60.0, rel=1e-4)
    assert t63 - tau == pytest.approx(8.0, rel=1e-3)


@pytest.mark.parametrize(("tau", "dead"), [(60.0, 8.0), (180.0, 2.0), (625.0, 12.0), (60.0, 0.0)])
def test_sundaresan_two_points(tau: float, dead: float) -> None:
    """Sundaresan and Krishnaswamy (as quoted in control textbooks): τ = 0.67 (t85 − t35), θ = 1.3 t35 − 0.29 t85.

    The rule is an approximation. For a first order with dead time t = θ − τ ln(1 − share), so the exact factors are
    1/(b − a), b/(b − a) and a/(b − a) with a = −ln 0.647, b = −ln 0.147: 0.6748, 1.2938 and 0.2938. Rounding them to
    two figures is the whole error of the rule, 0.7 % of τ, and of the dead time 1 % of τ + 1 % of θ (as much as 0.68 s
    of 8 s). The tolerance is that rounding, worked out here, not a figure that happens to pass.
    """
    curve = HeatCurve(ambient=0.0, gain=2.0, tau=tau, band=1e-9)
    t35, t85 = (dead + _when(curve, share) for share in (0.353, 0.853))
    a, b = -math.log(0.647), -math.log(0.147)
    rounding_tau = (1 / (b - a) - 0.67) * (t85 - t35)
    rounding_dead = (1.3 - b / (b - a)) * t35 + (a / (b - a) - 0.29) * t85
    assert 0.67 * (t85 - t35) == pytest.approx(tau - rounding_tau, rel=1e-6)
    assert 1.3 * t35 - 0.29 * t85 == pytest.approx(dead + rounding_dead, abs=1e-5 * tau)
    assert rounding_tau <= 0.0075 * tau
    assert rounding_dead <= 0.0101 * tau + 0.0101 * dead


def test_an_early_hot_end_is_found_again() -> None:
    """A published bench measurement of an early hot end: 22.5 W, 21 → 199 °C, τ ≈ 625 s, 7.9 K/W.

    Its curve, read once a second in tenths, gives these numbers back.
    """
    gain = 22.5 * 7.9
    model = HeaterModel()
    for second in range(1800):
        model.feed(round(21.0 + gain * (1 - math.exp(-second / 625.0)), 1), 260.0, 1.0, float(second))
    assert model.curve is not None
    assert model.curve.tau == pytest.approx(625.0, rel=0.03)
    assert model.curve.gain == pytest.approx(gain, rel=0.02)


def test_least_squares_recover_the_law_of_lumped_capacitance() -> None:
    """ΔT = c·∫u dt − k·∫(T − Ta) dt is that law integrated: exact segments give c and k exactly."""
    regression, tau, gain, temperature = Regression(), 180.0, 280.0, 0.0
    for power in (1.0, 1.0, 0.0, 1.0, 0.5, 0.0):
        limit = gain * power
        after = limit + (temperature - limit) * math.exp(-30.0 / tau)
        heat_time = limit * 30.0 + (temperature - limit) * tau * (1 - math.exp(-30.0 / tau))
        regression.add(after - temperature, power * 30.0, heat_time)
        temperature = after
    solved = regression.solve()
    assert solved is not None
    assert solved[0] == pytest.approx(gain / tau)
    assert solved[1] == pytest.approx(1 / tau)
