"""Whole heaters under the interlocks: sound ones never trip, whatever they are; failing ones do, soon and by name."""

from __future__ import annotations

import pytest
from banderole.plan.interlock_settings import HeaterInterlocks as Settings
from banderole.plan.interlock_settings import Jump
from banderole.run.interlocks import Caution, HeaterInterlocks, Phase, Trip
from banderole.run.thermal import HeaterModel

from tests.support.heat_settings import settings
from tests.support.heater_sim import HeaterSim
from tests.support.quiet_heaters import KINDS, QuietHeater


class Bench:
    """A simulated nozzle, its model and its interlocks, fed as a run feeds them."""

    def __init__(self, sim: HeaterSim, every: float = 1.0, plain: Settings | None = None, powered: bool = True) -> None:
        self.sim, self.every, self.powered = sim, every, powered
        self.model = HeaterModel()
        self.interlocks = HeaterInterlocks("nozzle", (0.0, 275.0), plain or settings(sim.warp), self.model)
        self.said: list[tuple[float, Trip | Caution]] = []

    def set(self, target: float) -> Bench:
        self.sim.set(target)
        return self

    def run(self, seconds: float) -> Bench:
        for measured, power, now in self.sim.readings(seconds, self.every):
            shown = power if self.powered else None
            self.interlocks.target(self.sim.target, now)
            said = self.interlocks.feed(measured, shown, now)
            if said is None:
                self.model.feed(measured, self.sim.target, shown, now)
            else:
                self.said.append((now, said))
        return self

    def settled_at(self, target: float) -> Bench:
        self.set(target).run(6.0 * self.sim.tau / self.sim.warp)
        assert self.said == []
        assert self.model.curve is not None
        return self

    def trips_within(self, seconds: float) -> str:
        """The first alarm that comes within this time from now; a fault that gets none fails the test."""
        began = self.sim.now
        self.run(seconds)
        trips = [(now, said) for now, said in self.said if isinstance(said, Trip)]
        assert trips, f"nothing within {seconds} s of {began}: {self.sim}"
        return trips[0][1].alarm


SOUND = pytest.mark.parametrize(
    ("tau", "dead", "every", "noise", "step"),
    [
        (60.0, 1.0, 0.1, 0.1, 1.0),
        (180.0, 2.0, 1.0, 1.0, 0.1),
        (180.0, 2.0, 5.0, 0.2, 0.0),
        (625.0, 6.0, 1.0, 0.0, 1.0),
        (625.0, 6.0, 1.0, 1.0, 0.1),
    ],
)


def bench(tau: float, dead: float, every: float, noise: float, step: float) -> Bench:
    return Bench(HeaterSim(tau=tau, gain=400.0, dead=dead, noise=noise, step=step, integral_s=tau), every)


# Seeds that once tripped. bed 44: two noisy segments taken for a model; 257, 312: the same in whole degrees and ten times
# a second; 347: without any noise, near the room's temperature; nozzle 385: a draught of 3 °C with 10 °C to go.
@pytest.mark.slow
@pytest.mark.parametrize(("heater", "seed"), [("bed", 44), ("bed", 257), ("bed", 312), ("bed", 347), ("nozzle", 385)])
def test_sound_heaters_that_once_tripped(heater: str, seed: int) -> None:
    quiet = QuietHeater(heater, seed)
    assert quiet.run(2.0) == [], quiet


@pytest.mark.slow
@pytest.mark.parametrize("heater", KINDS)
def test_sound_heaters_never_trip(heater: str) -> None:
    """Some twenty hours here; `python -m tests.support.quiet_heaters` for as long as one likes (3,000 h were quiet)."""
    for seed in range(7000, 7005):
        quiet = QuietHeater(heater, seed)
        assert quiet.run(2.0) == [], quiet


@SOUND
def test_dead_while_heating(tau: float, dead: float, every: float, noise: float, step: float) -> None:
    """T3. No model yet: 25 s from the last reading that rose, which dead time, noise and readings put off."""
    heater = bench(tau, dead, every, noise, step).set(240.0).run(20.0)
    heater.sim.fault = "dead"
    assert heater.trips_within(25.0 + 20.0 + 4.0 * every) in ("heat_rise", "heat_runaway")


@SOUND
def test_dead_while_holding(tau: float, dead: float, every: float, noise: float, step: float) -> None:
    """T3: 12 °C at (T − Ta)/τ, its 15 s, and a margin for control that hid some of it."""
    heater = bench(tau, dead, every, noise, step).settled_at(240.0)
    heater.sim.fault = "dead"
    assert heater.trips_within(15.0 + dead + 2.0 * every + 1.5 * 12.0 * tau / 217.0 + 5.0) == "heat_runaway"


@SOUND
def test_full_on_while_holding(tau: float, dead: float, every: float, noise: float, step: float) -> None:
    heater = bench(tau, dead, every, noise, step).settled_at(220.0)
    heater.sim.fault = "full"
    assert heater.trips_within(8.0 + dead + 2.0 * every + 1.5 * 12.0 * tau / 203.0 + 5.0) in (
        "heat_overshoot",
        "heat_over_limit",
    )


@SOUND
def test_full_on_while_off(tau: float, dead: float, every: float, noise: float, step: float) -> None:
    """T4, from cold: full power gives 400/τ °C/s."""
    heater = bench(tau, dead, every, noise, step).run(60.0)
    heater.sim.fault = "full"
    assert heater.trips_within(dead + 3.0 * every + 1.5 * 12.0 * tau / 400.0 + 5.0) == "heat_while_off"


@SOUND
def test_frozen_in_a_step_down(tau: float, dead: float, every: float, noise: float, step: float) -> None:
    """T2: the model expects a fall; the reading does not move for `stuck_s`."""
    heater = bench(tau, dead, every, noise, step).settled_at(240.0)
    heater.sim.fault = "frozen"
    heater.set(220.0)
    assert heater.trips_within(60.0 + 3.0 * every) in ("sensor_stuck", "heat_overshoot")


def test_frozen_below_the_setpoint_while_control_winds_up() -> None:
    """T2, the dangerous one: the reading stands half a degree low, so power goes up and up. No model has to be known."""
    sim = HeaterSim(tau=180.0, gain=400.0, integral_s=20.0, step=0.1)
    heater = Bench(sim)
    sim.temperature = 240.0
    heater.set(240.0).run(400.0)
    heater.said.clear()
    sim.fault, sim._frozen = "frozen", 239.0
    assert heater.trips_within(400.0) == "sensor_stuck"


def test_open_sensor() -> None:
    heater = Bench(HeaterSim()).settled_at(240.0)
    heater.sim.fault = "open"
    assert heater.trips_within(2.0) in ("sensor_impossible", "sensor_jump")


def test_too_weak_to_settle_is_for_patience() -> None:
    """T5: it gets within 10 °C and no nearer."""
    sim = HeaterSim(tau=180.0, gain=210.0, control="p")
    assert Bench(sim).set(240.0).run(3600.0).said == []
    assert 230.5 < sim.temperature < 234.0


def test_a_model_that_expects_nothing_is_not_trusted() -> None:
    """Standing still 100 °C short at full power: a sensor that came loose teaches just that. Four windows, no more."""
    sim = HeaterSim(tau=180.0, gain=120.0, control="p", step=0.1)
    heater = Bench(sim).set(240.0).run(720.0)
    assert heater.said == []
    assert heater.model.curve is not None
    assert heater.model.curve.ceiling < 150.0
    assert heater.trips_within(300.0) == "heat_rise"


def test_a_room_warmer_than_the_setpoint_holds_the_reading_still() -> None:
    """The model knows a room of 22 °C; it has become 24, and 20 are asked for: the fall that is due does not come."""
    sim = HeaterSim(tau=180.0, gain=300.0, ambient=22.0, dead=0.0, control="p", step=0.1)
    heater = Bench(sim).run(10.0).settled_at(100.0)
    sim.ambient = 24.0
    heater.set(20.0).run(3600.0)
    assert heater.said == []
    assert heater.interlocks.phase is Phase.CHANGING


@pytest.mark.parametrize("powered", [True, False])
@pytest.mark.parametrize("control", ["p", "pi", "switch"])
def test_a_step_down_on_a_slow_heater_is_no_overshoot(control: str, powered: bool) -> None:
    """T6b: 25 °C at τ 625 s."""
    sim = HeaterSim(tau=625.0, gain=300.0, dead=6.0, control=control, step=1.0)  # type: ignore[arg-type]
    heater = Bench(sim, powered=powered).settled_at(240.0).set(215.0).run(600.0)
    assert heater.said == []
    assert heater.interlocks.phase is Phase.SETTLED


def test_it_does_not_fall_at_all_when_it_should() -> None:
    """Welded on at just the power that held it: no level above the setpoint before sees that, the curve does."""
    heater = Bench(HeaterSim(tau=180.0, dead=0.0, control="p", noise=0.2)).settled_at(240.0)
    held = heater.sim.temperature
    heater.interlocks.target(200.0, heater.sim.now)
    trips = []
    for second in range(1, 200):
        said = heater.interlocks.feed(held + second % 2, None, heater.sim.now + second)
        trips += [(second, said.alarm)] if isinstance(said, Trip) else []
    assert [alarm for _, alarm in trips] == ["heat_overshoot"]
    # At 217/180 °C/s it would fall 12 °C in 10.3 s; at thirty per cent of that pace in 34 s; and then its 8 s.
    assert 42 <= trips[0][0] <= 48


@pytest.mark.parametrize("warp", [10.0, 40.0])
@pytest.mark.parametrize("scaled", [True, False], ids=["all-settings-scaled", "only-jump"])
def test_fast_time(warp: float, scaled: bool) -> None:
    """A rehearsal's heater, forty times faster, whole degrees; only `jump` must be told, the rest may stay."""
    sim = HeaterSim(tau=60.0, gain=400.0, dead=1.0, warp=warp, step=1.0, noise=0.2)
    plain = settings(warp) if scaled else Settings(jump=Jump(degrees_per_s=2000.0))
    heater = Bench(sim, 0.05, plain).run(1.0)
    for target in (240.0, 234.0, 228.0, 0.0, 220.0, 250.0, 225.0, 0.0):
        heater.set(target).run(400.0 / warp)
    assert heater.said == []
