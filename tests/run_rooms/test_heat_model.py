"""HeaterModel: what it learns from one climb, and how well it predicts crossings."""

from __future__ import annotations

import time
from statistics import median

import pytest
from banderole.run.settle import Settle
from banderole.run.thermal import HeaterModel

from tests.support.heater_sim import HeaterSim

STEPS_DOWN = [248.0, 242.0, 236.0, 230.0, 224.0, 218.0]
STEPS_UP = [212.0, 220.0, 228.0, 236.0, 244.0]
BOTH_WAYS = [240.0, 230.0, 235.0, 225.0, 230.0, 220.0, 228.0, 218.0]


class Tower:
    """A heater taken through setpoints as a tower takes it, and what was predicted and taken at each crossing."""

    def __init__(self, sim: HeaterSim, every: float, powered: bool = True, tolerance: float = 1.5) -> None:
        self.sim, self.every, self.powered, self.tolerance = sim, every, powered, tolerance
        self.model = HeaterModel()
        self.dwell = 8.0 / sim.warp
        self.crossings: list[tuple[bool, float | None, float]] = []

    def read(self, seconds: float) -> float:
        measured = self.sim.ambient
        for measured, power, now in self.sim.readings(seconds, self.every):
            self.model.feed(measured, self.sim.target, power if self.powered else None, now)
        return measured

    def cross(self, target: float) -> None:
        sim, model = self.sim, self.model
        start, began = sim.reading(), sim.now
        predicted = model.predict(start, target, self.tolerance, self.dwell)
        sim.set(target)
        soak = Settle({"nozzle": target}, {"nozzle": self.tolerance}, self.dwell, 3000.0 / sim.warp, began)
        while soak.state(sim.now) == "waiting":
            soak.feed({"nozzle": self.read(self.every)}, sim.now)
        assert soak.state(sim.now) == "settled", f"{sim} never settled at {target}"
        taken = sim.now - began
        if predicted is not None:
            model.note_outcome(predicted, taken, target > start)
        self.crossings.append((target > start, predicted, taken))
        self.read(60.0 / sim.warp)

    def run(self, targets: list[float]) -> Tower:
        for target in targets:
            self.cross(target)
        return self

    def errors(self, skip: int) -> list[float]:
        """Relative errors of the predictions, the first `skip` in each direction left out, first heating apart."""
        seen, errors = {True: 0, False: 0}, []
        for rising, predicted, taken in self.crossings[1:]:
            seen[rising] += 1
            if seen[rising] > skip:
                assert predicted is not None
                errors.append(predicted / taken - 1.0)
        return errors


HEATERS = pytest.mark.parametrize(
    ("tau", "dead", "every", "noise", "step"),
    [
        (60.0, 0.0, 0.25, 0.0, 0.0),
        (60.0, 1.0, 1.0, 0.1, 0.1),
        (180.0, 0.0, 1.0, 0.2, 0.0),
        (180.0, 2.0, 1.0, 0.0, 1.0),
        (300.0, 3.0, 0.5, 0.2, 0.0),
        (600.0, 5.0, 1.0, 0.0, 1.0),
        (625.0, 6.0, 1.0, 0.2, 0.1),
    ],
)
POWER = pytest.mark.parametrize("powered", [True, False], ids=["power-reported", "no-power"])


@POWER
@HEATERS
@pytest.mark.parametrize("steps", [STEPS_DOWN, STEPS_UP], ids=["down", "up"])
def test_one_way_from_the_second_crossing_on_within_a_fifth(
    tau: float, dead: float, every: float, noise: float, step: float, powered: bool, steps: list[float]
) -> None:
    sim = HeaterSim(tau=tau, dead=dead, control="p", noise=noise, step=step)
    tower = Tower(sim, every, powered, tolerance=2.0 if step == 1.0 else 1.5).run(steps)
    errors = tower.errors(skip=1)
    assert len(errors) == len(steps) - 2
    assert max(map(abs, errors)) <= 0.20, (tower.model.quality, tower.crossings)


@POWER
@HEATERS
def test_both_ways_the_median_is_within_a_fifth_and_none_is_far_off(
    tau: float, dead: float, every: float, noise: float, step: float, powered: bool
) -> None:
    """A soak that noise broke once is no property of the heater: no bound of a fifth for each single crossing."""
    sim = HeaterSim(tau=tau, dead=dead, control="p", noise=noise, step=step)
    tower = Tower(sim, every, powered, tolerance=2.0 if step == 1.0 else 1.5).run(BOTH_WAYS)
    errors = [abs(error) for error in tower.errors(skip=1)]
    assert len(errors) == len(BOTH_WAYS) - 3
    assert median(errors) <= 0.20, (tower.model.quality, tower.crossings)
    assert max(errors) <= 0.30, (tower.model.quality, tower.crossings)


@pytest.mark.parametrize("tau", [60.0, 180.0, 600.0])
@pytest.mark.parametrize("warp", [10.0, 40.0])
def test_in_warped_time(tau: float, warp: float) -> None:
    """All 10 to 40 times faster, read as often as serial lines allow. A prediction cannot be nearer than a reading."""
    tower = Tower(HeaterSim(tau=tau, dead=0.0, control="p", noise=0.1, warp=warp), 0.05).run(STEPS_DOWN)
    for _, predicted, taken in tower.crossings[2:]:
        assert predicted is not None
        assert abs(predicted - taken) <= 0.20 * taken + 0.05


@pytest.mark.parametrize("tau", [60.0, 180.0, 400.0])
def test_a_controller_with_integral_action(tau: float) -> None:
    """Overshoot and undershoot are no part of the model; outcomes teach them. Some stay apart: the median counts."""
    tower = Tower(HeaterSim(tau=tau, dead=1.0, control="pi", integral_s=tau, noise=0.1), 1.0).run(STEPS_DOWN + STEPS_UP)
    assert median(abs(error) for error in tower.errors(skip=1)) <= 0.20, tower.crossings


@pytest.mark.parametrize("tau", [60.0, 180.0, 625.0])
@pytest.mark.parametrize("gain", [240.0, 280.0, 375.0])
@pytest.mark.parametrize(("noise", "step"), [(0.0, 0.0), (0.3, 0.1), (0.0, 1.0), (1.0, 0.1)])
def test_one_climb_identifies_the_heater(tau: float, gain: float, noise: float, step: float) -> None:
    tower = Tower(HeaterSim(tau=tau, gain=gain, dead=1.0, control="p", noise=noise, step=step), 0.5)
    tower.sim.set(230.0)
    tower.read(6 * tau)
    curve = tower.model.curve
    assert curve is not None
    assert curve.tau == pytest.approx(tau, rel=0.25)
    assert curve.ceiling == pytest.approx(tower.sim.ambient + gain, rel=0.10)


def test_a_first_crossing_is_predicted_too() -> None:
    tower = Tower(HeaterSim(tau=180.0, dead=0.0, control="p"), 1.0, powered=False).run([240.0, 234.0])
    assert max(map(abs, tower.errors(skip=0))) <= 0.20


def test_outcomes_correct_the_direction_they_were_seen_in() -> None:
    model = Tower(HeaterSim(tau=180.0, dead=0.0, control="p"), 1.0).run([230.0]).model
    down, up = model.predict(230.0, 224.0, 1.5, 8.0), model.predict(224.0, 230.0, 1.5, 8.0)
    large = model.predict(25.0, 230.0, 1.5, 8.0)
    assert down is not None
    assert large is not None
    model.note_outcome(down, 8.0 + 1.5 * (down - 8.0), False)
    assert model.predict(230.0, 224.0, 1.5, 8.0) == pytest.approx(8.0 + 1.5 * (down - 8.0))
    assert model.predict(224.0, 230.0, 1.5, 8.0) == up
    model.note_outcome(large, 2.0 * large, True)  # a first heating says nothing of the steps
    model.note_outcome(down + 1.0, 1000.0, False)  # nor does an outcome that was never predicted
    assert model.predict(224.0, 230.0, 1.5, 8.0) == up
    assert model.predict(230.0, 224.0, 1.5, 8.0) == pytest.approx(8.0 + 1.5 * (down - 8.0))


def test_one_accident_cannot_spoil_predictions_for_good() -> None:
    model = Tower(HeaterSim(tau=180.0, dead=0.0, control="p"), 1.0).run([230.0]).model
    first = model.predict(230.0, 224.0, 1.5, 8.0)
    assert first is not None
    model.note_outcome(first, 5000.0, False)
    for _ in range(4):
        predicted = model.predict(230.0, 224.0, 1.5, 8.0)
        assert predicted is not None
        assert predicted <= 8.0 + 3.0 * (first - 8.0)
        model.note_outcome(predicted, first, False)
    after = model.predict(230.0, 224.0, 1.5, 8.0)
    assert after == pytest.approx(first, rel=0.1)


def test_what_one_run_found_predicts_in_the_next_until_it_knows_better_and_arms_nothing() -> None:
    model = Tower(HeaterSim(tau=180.0, dead=0.0, control="p"), 1.0).run([240.0, 234.0, 240.0]).model
    learned = model.learned()
    assert learned is not None
    assert learned["tau"] == pytest.approx(180.0, rel=0.1)
    fresh = HeaterModel()
    assert fresh.learned() is None
    fresh.begin_with(learned)
    assert fresh.predict(240.0, 234.0, 1.5, 8.0) == pytest.approx(model.predict(240.0, 234.0, 1.5, 8.0), rel=0.1)
    assert fresh.curve is None
    assert fresh.expected(25.0, 240.0, 10.0) is None
    assert fresh.learned() == learned
    other = Tower(HeaterSim(tau=60.0, dead=0.0, control="p"), 1.0)
    other.model.begin_with(learned)
    other.run([240.0, 234.0, 240.0])
    found = other.model.learned()
    assert found is not None
    assert found["tau"] == pytest.approx(60.0, rel=0.1)


def test_nothing_known_nothing_said() -> None:
    model = HeaterModel()
    assert model.predict(25.0, 240.0, 1.5, 8.0) is None
    assert model.expected(25.0, 240.0, 10.0) is None
    assert model.quality == "not known yet"
    model.note_outcome(10.0, 20.0, True)
    model.feed(25.0, 0.0, None, 0.0)
    assert model.predict(25.0, 240.0, 1.5, 8.0) is None


def test_out_of_reach_is_none() -> None:
    tower = Tower(HeaterSim(tau=60.0, gain=240.0, control="p"), 1.0).run([220.0])
    assert tower.model.predict(220.0, 300.0, 1.5, 8.0) is None
    assert tower.model.predict(220.0, 10.0, 1.5, 8.0) is None


def test_the_expected_curve_is_the_heater() -> None:
    tower = Tower(HeaterSim(tau=180.0, dead=0.0, control="p"), 1.0).run([220.0, 214.0])
    tower.sim.set(0.0)
    start = tower.sim.reading()
    for elapsed in (30.0, 60.0, 90.0):
        tower.read(30.0)
        assert tower.model.expected(start, 0.0, elapsed) == pytest.approx(tower.sim.temperature, abs=5.0)


def test_wild_samples_do_not_teach() -> None:
    sims = [HeaterSim(tau=180.0, dead=0.0, control="p") for _ in range(2)]
    models = [HeaterModel() for _ in sims]
    for wild, sim, model in zip((False, True), sims, models, strict=True):
        sim.set(240.0)
        for index, (measured, power, now) in enumerate(sim.readings(500.0, 1.0)):
            odd = (float("nan"), 900.0)[index // 25 % 2] if wild and index % 25 == 24 else measured
            model.feed(odd, 240.0, power, now)
    assert models[0].curve is not None
    assert models[1].curve is not None
    assert models[1].curve.tau == pytest.approx(models[0].curve.tau, rel=0.05)


def test_a_reading_costs_microseconds() -> None:
    model, sim = HeaterModel(), HeaterSim(tau=180.0, control="p", noise=0.2)
    sim.set(240.0)
    rows = list(sim.readings(1000.0, 1.0))
    began = time.perf_counter()
    for measured, power, now in rows:
        model.feed(measured, 240.0, power, now)
    # Some 5 µs on a desktop processor; the bound leaves room for a busy test machine.
    assert (time.perf_counter() - began) / len(rows) < 200e-6
