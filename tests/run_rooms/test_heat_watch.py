"""What is known of the heaters, as a run keeps it: one sample told twice is one; where a noisy heater is."""

from __future__ import annotations

from pathlib import Path

import pytest
from banderole.plan.config import load_printer
from banderole.plan.schedule_file import SettleSettings
from banderole.run.heat_watch import HeatWatch
from banderole.run.trips import Trip
from banderole_protocol.replies import Report, parse

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture
def watch() -> HeatWatch:
    return HeatWatch(load_printer(EXAMPLES / "bench-a.toml"), SettleSettings())


def read(watch: HeatWatch, nozzle: float, now: float) -> list[str]:
    reply = parse(b"T:%.1f /200.0 B:25.0 /0.0" % nozzle)
    assert isinstance(reply, Report)
    return [f"{said.alarm}{'' if isinstance(said, Trip) else '?'}" for said in watch.report(reply.readings, now)]


@pytest.mark.parametrize(("apart", "alarms"), [(0.005, []), (1.0, ["sensor_jump"])])
def test_a_wild_sample_that_is_told_twice_is_one(watch: HeatWatch, apart: float, alarms: list[str]) -> None:
    """A request's answer right behind a report: the board has measured once."""
    for now in range(5):
        assert read(watch, 200.0, float(now)) == []
    assert read(watch, 30.0, 5.5) == ["sensor_jump?"]
    assert read(watch, 30.0, 5.5 + apart) == alarms


def test_one_low_reading_does_not_say_where_a_heater_is(watch: HeatWatch) -> None:
    for now, value in enumerate((59.9, 59.0, 57.5)):
        read(watch, value, float(now))
    assert watch.measured["nozzle"] == 57.5
    assert watch.middle_lately("nozzle") == 59.0
