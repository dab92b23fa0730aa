"""Made-up readings: every interlock is seen to decide a trip, whatever the settings; one that is broken is found out."""

from __future__ import annotations

from typing import Any

import pytest
from banderole.plan.config import Printer
from banderole.plan.schedule import Schedule
from banderole.rehearsal import some_printer
from banderole.run import change_watch, guards, interlocks, made_up, off_watch, sensor_checks
from banderole.run.engine import Engine
from banderole.run.register import HEATER_ALARMS
from hypothesis import given, settings
from hypothesis import strategies as st


def engine(**tables: Any) -> Engine:
    plain = some_printer().model_dump(by_alias=True, exclude_unset=True)
    return Engine(Printer.model_validate({**plain, **tables}), Schedule.empty(), None)


def test_with_the_defaults_each_interlock_of_each_heater_trips() -> None:
    proven = made_up.prove(engine())
    assert (proven.untold, proven.failed) == ((), ())
    assert proven.tripped == sum(len(proof.heaters) for proof in made_up.PROOFS)


def test_each_alarm_of_a_heater_has_its_story() -> None:
    stories = {proof.alarm for proof in made_up.PROOFS}
    assert stories >= HEATER_ALARMS


def test_the_engine_that_asks_is_left_alone() -> None:
    asking = engine()
    made_up.prove(asking)
    assert (asking.alarms.as_json(), asking.cause, asking.watch.measured, asking.now) == ([], None, {}, 0.0)


def amounts(least: float, most: float) -> st.SearchStrategy[float]:
    return st.floats(least, most, allow_nan=False)


def heater(degrees: float, seconds: float) -> st.SearchStrategy[dict[str, Any]]:
    for_s = st.fixed_dictionaries({"degrees": amounts(0.5, degrees), "for_s": amounts(0.5, seconds)})
    return st.fixed_dictionaries(
        {
            "rise": st.fixed_dictionaries({"degrees": amounts(0.5, 100), "within_s": amounts(1, seconds)}),
            "runaway": for_s,
            "overshoot": for_s,
            "jump": st.fixed_dictionaries({"degrees_per_s": amounts(0.5, 1000)}),
            "stale_s": amounts(3, 600),
            "stuck_s": amounts(1, seconds),
        }
    )


@settings(max_examples=25, deadline=None)
@given(heater(200, 3600), heater(200, 7200), st.floats(165, 450), st.floats(30, 200))
def test_no_settings_that_a_printer_file_may_hold_make_a_story_fail(
    nozzle: dict[str, Any], bed: dict[str, Any], hot: float, warm: float
) -> None:
    limits = {"nozzle": [0, hot], "bed": [0, warm], "deposit_above": 160.0}
    proven = made_up.prove(engine(limits=limits, interlocks={**nozzle, "bed": bed}))
    assert proven.failed == ()


def never(*_: object, **__: object) -> None:
    return None


BROKEN = [
    (change_watch.ChangeWatch, "_rises", "heat_rise"),
    (interlocks.HeaterInterlocks, "_departs", "heat_runaway"),
    (interlocks.HeaterInterlocks, "_departs", "heat_overshoot"),
    (off_watch.OffWatch, "feed", "heat_while_off"),
    (interlocks.HeaterInterlocks, "_over_limit", "heat_over_limit"),
    (interlocks.HeaterInterlocks, "_stuck", "sensor_stuck"),
    (guards.Guards, "on_tick", "stale"),
    (guards.Guards, "on_tick", "silence"),
    (guards.Guards, "_setpoints", "setpoint_lost"),
    (guards.Guards, "_cold_deposit", "deposit_below"),
    (Engine, "_fatal", "printer_fatal"),
]


@pytest.mark.parametrize(("room", "name", "alarm"), BROKEN)
def test_an_interlock_that_does_not_decide_is_found_out(
    room: type, name: str, alarm: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, name, never)
    assert alarm in {failed for failed, _ in made_up.prove(engine()).failed}


def test_one_that_trips_on_anything_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """A story counts only if it was quiet until its fault."""
    monkeypatch.setattr(sensor_checks, "COLDEST", 50.0)
    assert made_up.prove(engine()).failed
