"""The interlocks of one heater: each bound on both sides, each alarm for its fault and for no other.

Readings are laid out by hand, so that a bound is met exactly; whole heaters are in `test_interlock_faults`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import pytest
from banderole.plan.interlock_settings import HeaterInterlocks as Settings
from banderole.plan.interlock_settings import Jump
from banderole.run.interlocks import Caution, HeaterInterlocks, Phase, Trip
from banderole.run.register import HEATER_ALARMS

from tests.support.heat_settings import bed_settings, settings

Curve = Callable[[float], float]


class Watch:
    """Interlocks without a model, and a clock."""

    def __init__(self, plain: Settings | None = None, heater: str = "nozzle", most: float = 260.0) -> None:
        self.interlocks = HeaterInterlocks(heater, (0.0, most), plain or settings(), None)
        self.now = 0.0
        self.said: list[Trip | Caution] = []

    def read(self, *values: float, every: float = 1.0, power: float | None = None) -> Trip | Caution | None:
        """Readings, one `every` s; what the last one brought."""
        said: Trip | Caution | None = None
        for value in values:
            self.now = round(self.now + every, 6)
            said = self.interlocks.feed(value, power, self.now)
            if said is not None:
                self.said.append(said)
        return said

    def follow(self, curve: Curve, seconds: float, every: float = 1.0, power: float | None = None) -> Watch:
        for index in range(1, round(seconds / every) + 1):
            self.read(curve(index * every), every=every, power=power)
        return self

    def at(self, setpoint: float) -> Watch:
        """Settled at a setpoint."""
        self.read(setpoint)
        self.interlocks.target(setpoint, self.now)
        self.read(setpoint, setpoint)
        assert self.interlocks.phase is Phase.SETTLED
        return self

    def set(self, setpoint: float) -> Watch:
        self.interlocks.target(setpoint, self.now)
        return self

    @property
    def alarms(self) -> list[str]:
        return [f"{said.alarm}{'' if isinstance(said, Trip) else '?'}" for said in self.said]


def bed() -> Watch:
    return Watch(bed_settings(), "bed", 110.0)


def alarm(said: Trip | Caution | None) -> str | None:
    assert not isinstance(said, Caution)
    return None if said is None else said.alarm


def steps(start: float, per_reading: float, count: int) -> Iterable[float]:
    return (start + per_reading * (index + 1) for index in range(count))


# -- sensor_impossible (T1)


@pytest.mark.parametrize("value", [-20.1, 280.1, math.nan, math.inf, -math.inf, -273.2, 1e9])
def test_one_impossible_reading_is_counted_and_two_in_a_row_trip(value: float) -> None:
    watch = Watch().at(240.0)
    watch.read(value)
    assert watch.alarms == ["sensor_impossible?"]
    watch.read(value)
    assert watch.alarms == ["sensor_impossible?", "sensor_impossible"]
    watch.read(value, value)
    assert len(watch.said) == 2  # a trip is given once


@pytest.mark.parametrize(("watch", "value"), [(Watch(), -20.0), (Watch(), 280.0), (bed(), -20.0), (bed(), 130.0)])
def test_the_edge_of_the_possible_is_possible(watch: Watch, value: float) -> None:
    watch.read(value)
    assert watch.alarms == []


def test_the_bed_has_limits_of_its_own() -> None:
    watch = bed()
    watch.read(130.1, 130.1)
    assert watch.alarms == ["sensor_impossible?", "sensor_impossible"]


def test_single_bad_readings_now_and_then_never_trip() -> None:
    watch = Watch().at(240.0)
    for _ in range(50):
        watch.read(math.nan, 240.0)
    assert set(watch.alarms) == {"sensor_impossible?"}
    assert len(watch.alarms) == 50


# -- sensor_jump (T7)


@pytest.mark.parametrize(
    ("value", "every", "jumped"),
    [(180.0, 1.0, False), (179.9, 1.0, True), (230.0, 0.1, False), (229.9, 0.1, True), (210.0, 0.5, False)],
)
def test_faster_than_a_heater_can(value: float, every: float, jumped: bool) -> None:
    """60 °C/s, but never less than 10 °C: at ten readings a second a step of rounding is 10 °C/s already."""
    watch = Watch().at(240.0)
    watch.read(240.0)
    watch.read(value, every=every)
    assert watch.alarms == (["sensor_jump?"] if jumped else [])


def test_one_wild_sample_is_counted_and_forgotten() -> None:
    watch = Watch().at(240.0)
    watch.read(100.0, 240.0, 240.0, 100.0, 240.0)
    assert watch.alarms == ["sensor_jump?", "sensor_jump?"]


@pytest.mark.parametrize("gap_s", [1.0, 3.0, 8.0])
def test_a_wild_sample_behind_a_gap_is_counted_and_the_good_one_behind_it_is_none(gap_s: float) -> None:
    """A home, or a pause of the printer, with nothing heard; and the next reading a moment later."""
    watch = Watch()
    watch.read(38.0, 39.0, 40.0)
    watch.read(190.0, every=gap_s)
    assert watch.alarms == ["sensor_jump?"]
    watch.read(42.0, every=0.06)
    watch.read(43.0)
    assert watch.alarms == ["sensor_jump?"]


def test_a_heater_at_full_power_may_go_far_in_a_gap() -> None:
    watch = Watch()
    watch.read(38.0, 39.0, 40.0)
    watch.read(160.0, every=8.0)
    assert watch.alarms == []


def test_a_reading_held_back_in_a_gap_comes_just_before_a_fresh_one() -> None:
    """The printer stands still for five seconds, and lets out what it had to say: that is older than it looks."""
    watch = Watch()
    watch.read(23.0, 24.0, 25.0)
    watch.read(55.0, every=5.0)
    watch.read(80.0, 80.0, every=0.01)
    assert watch.alarms == []


def test_two_wild_samples_in_a_row_trip() -> None:
    watch = Watch().at(240.0)
    watch.read(100.0, 110.0)
    assert watch.alarms == ["sensor_jump?", "sensor_jump"]


def test_wild_samples_of_two_kinds_in_a_row_trip() -> None:
    watch = Watch().at(240.0)
    watch.read(100.0, math.nan)
    assert watch.alarms == ["sensor_jump?", "sensor_impossible"]


def test_the_very_first_reading_may_be_the_wild_one() -> None:
    watch = Watch()
    watch.read(200.0, 21.0, 21.0, 21.0, 22.0)
    assert watch.alarms == ["sensor_jump?"]


def test_a_loose_wire_that_alternates_from_the_start_is_not_excused_for_ever() -> None:
    """The reference is trusted after three readings; from then on each other one is wild, and nothing is concluded."""
    watch = Watch()
    watch.read(21.0, 200.0, 21.0)
    watch.read(200.0, 200.0)
    assert watch.alarms[-1] == "sensor_jump"


def test_a_heater_in_fast_time_moves_by_hundreds_of_degrees_a_second() -> None:
    fast = Settings(jump=Jump(degrees_per_s=2000.0))
    watch = Watch(fast)
    watch.read(20.0)
    watch.set(240.0).read(120.0, 220.0, 240.0, 241.0, every=0.25)
    watch.set(0.0).read(150.0, 60.0, 30.0, every=0.25)
    assert watch.alarms == []
    watch.read(260.0, every=0.1)  # 2300 °C/s
    assert watch.alarms == ["sensor_jump?"]


# -- heat_over_limit


@pytest.mark.parametrize(("watch", "most"), [(Watch(), 260.0), (bed(), 110.0)])
def test_over_the_limit(watch: Watch, most: float) -> None:
    watch.at(most)
    watch.read(most + 10.0, most + 10.0, most + 10.1, most + 9.0)
    assert watch.alarms == []
    assert alarm(watch.read(most + 10.1, most + 10.1)) == "heat_over_limit"


# -- heat_rise (T3)


def test_a_heater_that_does_not_rise() -> None:
    watch = Watch()
    watch.read(20.0)
    watch.set(240.0).follow(lambda _: 20.0, 26.0)  # the mark is set by the first reading; 25 s from there
    assert watch.alarms == []
    said = watch.read(20.0)
    assert alarm(said) == "heat_rise"
    assert said is not None
    assert (said.value, said.limit) == (20.0, 23.0)
    assert said.text == "nozzle rose 0.0 °C in 26 s on its way to 240 °C; 3.0 °C was due"


@pytest.mark.parametrize(("rise", "tripped"), [(2.9, True), (3.0, False)])
def test_just_enough_rise(rise: float, tripped: bool) -> None:
    watch = Watch()
    watch.read(20.0)
    watch.set(240.0).read(20.0)
    for _ in range(4):
        start = 20.0 + rise * _
        watch.follow(lambda _, v=start: v, 24.0)  # type: ignore[misc]
        watch.read(start + rise)
        if tripped:
            watch.read(start + rise)
            break
    assert watch.alarms == (["heat_rise"] if tripped else [])


@pytest.mark.parametrize(("gone", "tripped"), [(229.9, True), (230.0, False), (236.0, False)])
def test_near_the_setpoint_no_rise_is_due(gone: float, tripped: bool) -> None:
    """Within 10 °C control takes power back. Too weak to get there is for patience (T5)."""
    watch = Watch()
    watch.read(gone)
    watch.set(240.0).follow(lambda _: gone, 300.0)
    assert watch.alarms == (["heat_rise"] if tripped else [])


def test_noise_is_no_rise() -> None:
    watch = Watch()
    watch.read(20.0)
    watch.set(240.0).follow(lambda t: 20.0 + (t % 2.0), 60.0)
    assert watch.alarms == ["heat_rise"]


@pytest.mark.parametrize(("per_s", "tripped"), [(2.0 / 90.0, False), (1.8 / 90.0, True)])
def test_a_bed_rises_slowly(per_s: float, tripped: bool) -> None:
    watch = bed()
    watch.read(20.0)
    watch.set(90.0).follow(lambda t: round(20.0 + per_s * t + 1e-6, 4), 600.0)
    assert watch.alarms == (["heat_rise"] if tripped else [])


def test_whole_degrees_ten_times_a_second() -> None:
    """A slow but sound heater (0.2 °C/s) in whole degrees: fifty equal readings between two steps."""
    watch = Watch()
    watch.read(20.0)
    watch.set(240.0).follow(lambda t: float(math.floor(20.0 + 0.2 * t)), 400.0, every=0.1)
    assert watch.alarms == []


def test_a_setpoint_changed_in_the_middle_of_heating() -> None:
    watch = Watch()
    watch.read(20.0)
    watch.set(200.0).follow(lambda t: 20.0 + 2.0 * t, 60.0)
    watch.set(240.0).follow(lambda t: 140.0 + 2.0 * t, 48.0)
    watch.follow(lambda _: 237.5, 100.0)
    assert watch.alarms == []
    assert watch.interlocks.phase is Phase.SETTLED


def test_a_setpoint_changed_several_times_quickly() -> None:
    watch = Watch().at(240.0)
    for setpoint in (235.0, 250.0, 0.0, 230.0, 240.0, 225.0, 240.0):
        watch.set(setpoint).read(240.0, every=0.1)
    watch.follow(lambda _: 240.0, 300.0)
    assert watch.alarms == []


# -- heat_runaway


@pytest.mark.parametrize(
    ("watch", "at", "degrees", "for_s"), [(Watch(), 240.0, 12.0, 15.0), (bed(), 80.0, 8.0, 60.0)], ids=["nozzle", "bed"]
)
def test_falls_while_it_should_hold(watch: Watch, at: float, degrees: float, for_s: float) -> None:
    watch.at(at).follow(lambda _: at - degrees, 300.0)
    assert watch.alarms == []
    watch.follow(lambda _: at - degrees - 0.1, for_s)
    assert watch.alarms == []
    said = watch.read(at - degrees - 0.1)
    assert alarm(said) == "heat_runaway"
    assert said is not None
    assert said.limit == at - degrees


def test_noise_about_the_level_does_not_restart_its_time_and_recovery_does() -> None:
    watch = Watch().at(240.0)
    watch.follow(lambda t: 227.0 if t % 2.0 else 229.0, 14.0)
    watch.read(231.0)  # clears: 2 °C on the safe side and more
    watch.follow(lambda t: 227.0 if t % 2.0 else 229.0, 15.0)
    assert watch.alarms == []
    watch.read(227.0)
    assert watch.alarms == ["heat_runaway"]


def test_at_the_level_is_not_beyond_it() -> None:
    """Its time runs from a moment beyond; standing on the level itself never trips."""
    watch = Watch().at(240.0)
    watch.read(227.9)
    watch.follow(lambda _: 228.0, 300.0)
    assert watch.alarms == []


@pytest.mark.parametrize(("fallen", "tripped"), [(12.0, False), (12.1, True)])
def test_falls_back_on_the_way_up(fallen: float, tripped: bool) -> None:
    """Within 20 s, so before a rise is due again."""
    watch = Watch()
    watch.read(20.0)
    watch.set(240.0).follow(lambda t: 20.0 + 2.0 * t, 50.0)
    watch.follow(lambda _: 120.0 - fallen, 17.0)
    assert watch.alarms == (["heat_runaway"] if tripped else [])


# -- heat_overshoot


@pytest.mark.parametrize(("watch", "at", "for_s"), [(Watch(), 220.0, 8.0), (bed(), 80.0, 30.0)], ids=["nozzle", "bed"])
def test_climbs_while_it_should_hold(watch: Watch, at: float, for_s: float) -> None:
    watch.at(at).follow(lambda _: at + 12.0, 300.0)
    assert watch.alarms == []
    watch.follow(lambda _: at + 12.1, for_s)
    assert watch.alarms == []
    assert alarm(watch.read(at + 12.1)) == "heat_overshoot"


def test_a_step_down_is_no_overshoot_while_it_falls() -> None:
    """T6b without a model: 25 °C down at τ 625 s, far above the new setpoint for over a minute, in whole degrees."""
    watch = Watch().at(240.0)
    watch.set(215.0).follow(lambda t: float(round(max(215.0, 25.0 + 215.0 * math.exp(-t / 625.0)))), 300.0)
    assert watch.alarms == []
    assert watch.interlocks.phase is Phase.SETTLED


@pytest.mark.parametrize(("back", "tripped"), [(12.0, False), (12.1, True)])
def test_climbs_again_on_the_way_down(back: float, tripped: bool) -> None:
    watch = Watch().at(240.0)
    watch.set(200.0).follow(lambda t: 240.0 - t, 20.0)
    watch.follow(lambda _: 220.0 + back, 9.0)
    assert watch.alarms == (["heat_overshoot"] if tripped else [])


def test_cut_off_on_its_way_up_it_may_coast() -> None:
    """20 °C higher within 8 s: dead time of a strong heater, then down."""
    watch = Watch()
    watch.read(100.0)
    watch.set(240.0).follow(lambda t: 100.0 + 2.5 * t, 20.0)
    watch.set(130.0).follow(lambda t: 150.0 + 2.5 * t, 8.0)
    watch.follow(lambda t: 170.0 - 0.8 * t, 50.0)
    assert watch.alarms == []


def test_but_not_for_ever() -> None:
    watch = Watch()
    watch.read(100.0)
    watch.set(240.0).follow(lambda t: 100.0 + 2.5 * t, 20.0)
    watch.set(130.0).follow(lambda t: 150.0 + 2.5 * t, 30.0)
    assert watch.alarms == ["heat_overshoot"]


# -- heat_while_off (T4)


@pytest.mark.parametrize(
    ("watch", "start", "coast"), [(Watch(), 21.0, 10.0), (bed(), 21.0, 36.0)], ids=["nozzle", "bed"]
)
def test_heats_while_off(watch: Watch, start: float, coast: float) -> None:
    watch.follow(lambda _: start, coast + 2.0)
    watch.read(start + 12.0, start + 12.0, start + 12.1, start + 12.0)
    assert watch.alarms == []
    said = watch.read(start + 12.1, start + 12.1)
    assert alarm(said) == "heat_while_off"
    assert said is not None
    assert said.text.endswith("switch off at the mains")


def test_a_heater_stuck_on_when_it_is_turned_off() -> None:
    watch = Watch().at(200.0)
    watch.set(0.0).follow(lambda t: 200.0 + t, 10.0)
    assert watch.alarms == []  # may be its dead time
    watch.follow(lambda t: 210.0 + t, 12.0)
    assert watch.alarms == []
    watch.follow(lambda t: 222.0 + t, 2.0)
    assert watch.alarms == ["heat_while_off"]


def test_cooling_down_while_the_readings_lag() -> None:
    """Off at full power, 15 °C of climb still, then a fall in whole degrees with noise of two."""
    watch = Watch()
    watch.read(100.0)
    watch.set(260.0).follow(lambda t: 100.0 + 3.0 * t, 46.0)
    watch.set(0.0).follow(lambda t: 238.0 + 3.0 * t, 5.0)
    watch.follow(lambda t: float(round(25.0 + 228.0 * math.exp(-t / 180.0) + 2.0 * math.sin(7.0 * t))), 1800.0)
    assert watch.alarms == []


def test_a_bed_that_is_never_heated() -> None:
    watch = bed()
    watch.follow(lambda _: 22.0, 3600.0, power=0.0)
    assert watch.alarms == []
    assert watch.interlocks.phase is Phase.OFF


def test_a_bed_that_warms_with_its_enclosure() -> None:
    """25 °C in an hour: no fault, since a level is held against the last minutes, not against the morning."""
    watch = bed()
    watch.follow(lambda t: 22.0 + 25.0 * t / 3600.0, 3600.0, power=0.0)
    assert watch.alarms == []


def test_digits_lost_on_the_way_are_no_climb_when_they_come_back() -> None:
    """17.4 and 17.5 read as 7.4 and 7.5 (under what a jump is): the level is not held against them; three are a fact."""
    watch = Watch()
    watch.follow(lambda _: 17.4, 20.0)
    watch.read(7.4, 7.5)
    watch.read(17.4, 17.5, 22.0, 22.0)
    assert watch.alarms == []
    watch.read(12.5, 12.5, 12.5)
    watch.read(24.6)
    assert alarm(watch.read(24.6)) == "heat_while_off"


# -- sensor_stuck (T2)


def test_frozen_while_power_changes() -> None:
    """Before: 40 % for 20 s. Then 80 %; two thirds of 60 s show it."""
    watch = Watch().at(240.0)
    watch.follow(lambda _: 240.0, 20.0, power=0.4)
    watch.follow(lambda _: 240.0, 37.0, power=0.8)
    assert watch.alarms == []
    watch.follow(lambda _: 240.0, 6.0, power=0.8)
    assert watch.alarms == ["sensor_stuck"]


@pytest.mark.parametrize(("after", "tripped"), [(0.74, False), (0.76, True), (0.06, False), (0.04, True)])
def test_how_much_power_must_change(after: float, tripped: bool) -> None:
    """35 % of full: a part fan that comes on takes a fifth at most."""
    watch = Watch().at(240.0)
    watch.follow(lambda _: 240.0, 20.0, power=0.4)
    watch.follow(lambda _: 240.0, 120.0, power=after)
    assert watch.alarms == (["sensor_stuck"] if tripped else [])


def test_a_bed_is_given_longer() -> None:
    watch = bed().at(80.0)
    watch.follow(lambda _: 80.0, 100.0, power=0.2)
    watch.follow(lambda _: 80.0, 195.0, power=0.9)
    assert watch.alarms == []
    watch.follow(lambda _: 80.0, 10.0, power=0.9)
    assert watch.alarms == ["sensor_stuck"]


@pytest.mark.parametrize("power", [None, 0.4])
def test_standing_still_at_the_setpoint_is_no_fault(power: float | None) -> None:
    """T6: whole degrees, for an hour."""
    watch = Watch().at(240.0)
    watch.follow(lambda _: 240.0, 3600.0, power=power)
    assert watch.alarms == []


def test_no_power_and_no_cooling() -> None:
    watch = Watch().at(200.0)
    watch.set(0.0).follow(lambda _: 200.0, 179.0, power=0.0)
    assert watch.alarms == []
    watch.follow(lambda _: 200.0, 2.0, power=0.0)
    assert watch.alarms == ["sensor_stuck"]


def test_off_and_no_cooling_where_no_power_is_reported() -> None:
    watch = Watch().at(200.0)
    watch.set(0.0).follow(lambda _: 200.0, 179.0)
    assert watch.alarms == []
    watch.follow(lambda _: 200.0, 2.0)
    assert watch.alarms == ["sensor_stuck"]


def test_a_cold_nozzle_over_a_hot_bed_stands_still() -> None:
    watch = Watch()
    watch.follow(lambda _: 70.0, 3600.0, power=0.0)
    assert watch.alarms == []


# -- latch and table


def test_every_alarm_in_the_table_can_be_given_and_no_other() -> None:
    seen: set[str] = set()
    faults: list[tuple[float, Curve, float]] = [
        (240.0, lambda _: math.nan, 3.0),
        (240.0, lambda _: 100.0, 3.0),
        (240.0, lambda t: 240.0 + 3.0 * t, 12.0),
        (240.0, lambda t: 240.0 - 3.0 * t, 30.0),
        (240.0, lambda t: min(255.0, 240.0 + 3.0 * t), 30.0),
    ]
    for at, curve, seconds in faults:
        watch = Watch().at(at).follow(curve, seconds)
        seen.update(said.alarm for said in watch.said)
    off = Watch().follow(lambda t: 20.0 + 2.0 * t, 40.0)
    stuck = Watch().at(200.0).set(0.0).follow(lambda _: 200.0, 200.0, power=0.0)
    cold = Watch().set(200.0).follow(lambda _: 20.0, 60.0)
    for watch in (off, stuck, cold):
        seen.update(said.alarm for said in watch.said)
    assert seen == HEATER_ALARMS
