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
    watch.hear(now)
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


def silent(watch: HeatWatch, now: float) -> bool | None:
    """Is a reading missing: is nothing heard (True), or is it talked without one (False)? None: nothing is missing."""
    silence = watch.silence(now)
    return None if silence is None else silence.lost


def test_after_a_hush_a_reading_has_time_to_come(watch: HeatWatch) -> None:
    """A homing that says nothing for 20 s ends, and all that was owed is answered at once: no reading among it."""
    read(watch, 200.0, 10.0)
    assert silent(watch, 16.5) is True
    for now in (30.0, 31.0, 32.0):
        watch.hear(now)
    assert silent(watch, 31.9) is None
    assert silent(watch, 32.1) is False


def test_a_silence_counts_from_the_last_word(watch: HeatWatch) -> None:
    """Fault row S9: a printer that moves may be silent for 5 s, though its last reading was a second old by then."""
    read(watch, 200.0, 10.0)
    watch.hear(11.1)
    assert silent(watch, 16.3) is None
    watch.hear(16.4)
    assert silent(watch, 16.5) is None
    read(watch, 200.0, 16.6)
    watch.hear(17.7)
    assert silent(watch, 23.6) is None
    assert silent(watch, 23.8) is False


def test_one_hush_between_two_readings_is_forgiven(watch: HeatWatch) -> None:
    """One that answers in spells and gives no reading is no printer to heat with."""
    read(watch, 200.0, 10.0)
    for now in (15.0, 19.0):
        watch.hear(now)
    assert silent(watch, 19.1) is False
    read(watch, 200.0, 19.2)
    watch.hear(30.0)
    assert silent(watch, 31.0) is None
