"""The emulated heater against the law it is built on."""

from __future__ import annotations

import math
from random import Random

import pytest
from banderole.bench.heater import Heater, HeaterBuild
from hypothesis import given
from hypothesis import strategies as st


def heater(**build: float) -> Heater:
    return Heater(HeaterBuild(**build), Random(1))


def seconds_until(h: Heater, reached: float, step: float = 0.01) -> float:
    t, rising = 0.0, h.temperature < reached
    while (h.temperature < reached) == rising:
        h.advance(step)
        t += step
        assert t < 10_000.0
    return t


@pytest.mark.parametrize(("tau", "seconds"), [(180.0, 4.44), (625.0, 15.43)])
def test_cooling_between_bands(tau: float, seconds: float) -> None:
    """t = τ ln((T1-Ta)/(T2-Ta)), 230 → 225 °C, Ta 25 (lumped capacitance, recomputed)."""
    h = heater(tau=tau)
    h.temperature = 230.0
    assert seconds_until(h, 225.0) == pytest.approx(seconds, abs=0.02)


@pytest.mark.parametrize(("share", "taus"), [(0.05, 2.9957), (0.02, 3.9120)])
def test_first_order_settling(share: float, taus: float) -> None:
    """5 % after 2.9957 τ, 2 % after 3.9120 τ (any text on first-order systems)."""
    h = heater(tau=100.0, gain=300.0)
    h.break_body("stuck_on")  # full duty, no controller: a plain step
    h.advance(taus * 100.0)
    assert 325.0 - h.temperature == pytest.approx(share * 300.0, rel=1e-3)


def test_bench_measurement_of_an_early_hot_end() -> None:
    """22.5 W, 7.9 K/W, τ ≈ 625 s, from 21 °C: 199 °C comes as its asymptote (a published bench measurement)."""
    h = heater(ambient=21.0, gain=22.5 * 7.9, tau=625.0)
    h.break_body("stuck_on")
    h.advance(20 * 625.0)
    assert h.temperature == pytest.approx(199.0, abs=0.3)


@given(
    cuts=st.lists(st.floats(0.01, 200.0), min_size=1, max_size=20),
    dead_time=st.sampled_from([0.0, 0.3, 4.0]),
    target=st.sampled_from([0.0, 60.0, 215.0]),
)
def test_the_curve_does_not_depend_on_the_steps(cuts: list[float], dead_time: float, target: float) -> None:
    one, many = (heater(dead_time=dead_time, tau=120.0) for _ in range(2))
    for h in (one, many):
        h.temperature = 150.0
        h.target = target
    one.advance(math.fsum(cuts))
    for cut in cuts:
        many.advance(cut)
    assert many.temperature == pytest.approx(one.temperature, abs=1e-3)


def test_dead_time_and_time_constant_are_found_again_by_two_points() -> None:
    """Smith: τ = 1.5(t63 - t28), θ = t63 - τ, at 28.347 and 63.212 % (from memory; the identity recomputed)."""
    h = heater(tau=60.0, dead_time=8.0, gain=300.0)
    h.target = 5000.0  # far out of reach: full duty throughout, an open-loop step
    t28 = seconds_until(h, 25.0 + 0.28347 * 300.0, 0.005)
    t63 = t28 + seconds_until(h, 25.0 + 0.63212 * 300.0, 0.005)
    tau = 1.5 * (t63 - t28)
    assert tau == pytest.approx(60.0, abs=0.1)
    assert t63 - tau == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize("tau", [60.0, 180.0, 625.0])
def test_the_controller_holds_its_target(tau: float) -> None:
    h = heater(tau=tau)
    h.target = 215.0
    h.advance(20 * tau)
    assert h.temperature == pytest.approx(215.0, abs=0.05)
    assert h.power == pytest.approx(190.0 / 375.0, abs=0.01)


def test_whole_degrees_and_noise_from_the_seed() -> None:
    coarse = heater(resolution=1.0)
    coarse.temperature = 100.4
    assert coarse.read() == 100.0
    first, again = (heater(noise=0.5) for _ in range(2))
    readings = [first.read() for _ in range(2000)]
    assert readings == [again.read() for _ in range(2000)]
    spread = math.sqrt(math.fsum((r - 25.0) ** 2 for r in readings) / 2000)
    assert spread == pytest.approx(0.5, rel=0.1)  # standard error of a deviation of 2000 is 1.6 %


def test_faults_of_body_and_sensor() -> None:
    h = heater()
    h.target = 200.0
    h.advance(1000.0)
    h.break_sensor("open")
    assert h.read() < -273.0  # the public convention: a missing sensor reads below absolute zero
    h.break_sensor("frozen")
    h.break_body("dead")
    h.advance(500.0)
    assert h.read() == pytest.approx(200.0, abs=0.1)
    h.break_sensor("")
    h.wild_samples = 1
    assert h.read() - h.temperature > 100.0
    assert h.read() == h.temperature < 100.0
    h.break_body("weak")
    h.advance(5000.0)
    assert 100.0 < h.temperature < 180.0
    h.break_body("stuck_on")
    h.target = 0.0
    h.advance(5000.0)
    assert h.temperature == pytest.approx(400.0, abs=1.0)
    assert h.power == 0.0
    with pytest.raises(ValueError, match="known are"):
        h.break_body("on fire")
