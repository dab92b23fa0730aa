"""Heaters and sensors that fail (T1 to T7), on the simulation: tripped, by name, and soon after its threshold time."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from banderole.plan.interlock_settings import BedInterlocks, Interlocks
from banderole.rehearsal import StandIn
from banderole.rehearsal.stage import REST_S
from banderole.run.make_safe import LADDER_S, MAINS

from tests.faults.ends import finishes, heat_is_off, printer, trips
from tests.rehearsal.acts import Act, act, moment
from tests.support.towers import How, schedule

NOZZLE, BED = Interlocks(), BedInterlocks()
WITHIN_S = 15.0
"""A trip comes so soon after its threshold time: after the interlock's own time from where its level was passed."""
EVERY_S = 1.0 + REST_S
"""Between two readings, and to the next look."""
PRINTING_S = 146.0
"""In the first band, the nozzle settled at 220 °C."""
HEATING_S = 40.0
"""On the way from 25 to 220 °C."""


def beyond(play: Act, since: float, heater: str, level: float, *, above: bool) -> float:
    """When a reading first went past a level, from a moment on, and stayed there."""
    found = None
    for reading in play.readings:
        value = reading["measured"].get(heater)
        past = value is not None and (value > level if above else value < level)
        if moment(reading) >= since and past:
            found = moment(reading) if found is None else found
        elif moment(reading) >= since and not play.of("trip"):
            found = None
    assert found is not None, f"{heater} never went past {level}"
    return found


# ---- T1: readings that cannot be


@pytest.mark.parametrize(("heater", "at"), [("nozzle", HEATING_S), ("bed", PRINTING_S)])
@pytest.mark.parametrize("kind", ["T1", "T1b", "T1c", "T1d", "T1e"])
@pytest.mark.fault("T1", on="simulation")
def test_t1_a_reading_that_cannot_be(tmp_path: Path, kind: str, heater: str, at: float) -> None:
    """Open (−300), short (999), NaN, below −20, above the limit + 20: two in a row. No threshold time: at once."""
    fault = f"{kind}-{heater}"
    with act(tmp_path, f"{fault}@{at:g}s", how=How(bed=60)) as play:
        trip = trips(play, "sensor_impossible", proven=kind != "T1c")  # what is no number proves nothing
        assert heater in trip["text"]
        assert "2 readings in a row" in trip["text"]
        assert moment(trip) - at <= 2 * EVERY_S


# ---- T2: frozen


@pytest.mark.fault("T2", on="simulation")
def test_t2_frozen_when_the_setpoint_goes_down(tmp_path: Path) -> None:
    """Power goes to none and the reading stands: within `stuck_s` of the change."""
    with act(tmp_path, f"T2@{PRINTING_S}s", patience_s=400) as play:
        trip = trips(play, "sensor_stuck", "heat_overshoot")
        changed = next(row["at"] for row in play.rows if row["row"] == "setpoint" and row["value"] == 212.0)
        assert moment(trip) - changed <= NOZZLE.stuck_s + EVERY_S


@pytest.mark.fault("T2", on="simulation")
def test_t2_frozen_on_the_way_up(tmp_path: Path) -> None:
    """The controller believes it and heats on; found within `stuck_s`, before the nozzle is hot enough to do harm."""
    with act(tmp_path, f"T2@{HEATING_S}s") as play:
        trip = trips(play, "sensor_stuck", "heat_rise")
        assert moment(trip) - HEATING_S <= NOZZLE.stuck_s + EVERY_S
        assert play.stage.board.machine.nozzle.temperature < 300.0


@pytest.mark.fault("T2", on="simulation")
def test_t2_frozen_while_power_changes_under_it(tmp_path: Path) -> None:
    """A setpoint set higher at the panel while the reading stands: power follows, the reading does not."""
    with act(tmp_path, f"T2@{PRINTING_S}s", how=How(parts=1)) as play:
        play.stage.command(PRINTING_S + 1.0, "hold")
        play.stage.at(PRINTING_S + 40.0, lambda: setattr(play.stage.board.machine.nozzle, "target", 260.0))
        trip = trips(play, "sensor_stuck", "heat_rise", "setpoint_lost")
        assert moment(trip) - PRINTING_S - 40.0 <= NOZZLE.stuck_s + EVERY_S


# ---- T3: it does not heat


@pytest.mark.parametrize("heater", ["nozzle", "bed"])
@pytest.mark.fault("T3", on="simulation")
def test_t3_heating_without_a_rise(tmp_path: Path, heater: str) -> None:
    with act(tmp_path, f"T3-{heater}@20s", how=How(bed=60)) as play:
        trip = trips(play, "heat_rise")
        assert heater in trip["text"]
        window = (NOZZLE if heater == "nozzle" else BED).rise.within_s
        assert moment(trip) - 20.0 <= window + WITHIN_S


@pytest.mark.parametrize("tau", [60.0, 180.0, 625.0])
@pytest.mark.fault("T3", on="simulation")
def test_t3_falls_while_it_should_hold(tmp_path: Path, tau: float) -> None:
    """From the reading that is 12 °C too low on, `runaway.for_s`, and not more than 15 s after that."""
    with act(tmp_path, settings=(f"nozzle.tau={tau}",), patience_s=1200) as play:
        StandIn(play.stage)
        held: list[float] = []

        def settled(event: dict[str, Any]) -> None:
            if event["kind"] == "band_entered" and not held:
                held.append(play.stage.now)
                play.stage.fault(play.stage.now, "T3")
                play.stage.command(play.stage.now + 0.5, "hold")  # the tower is over too soon for a slow heater

        play.stage.event.append(settled)
        trip = trips(play, "heat_runaway")
        low = beyond(play, held[0], "nozzle", 220.0 - NOZZLE.runaway.degrees, above=False)
        assert NOZZLE.runaway.for_s <= moment(trip) - low + EVERY_S
        assert moment(trip) - low <= NOZZLE.runaway.for_s + WITHIN_S


# ---- T4: it does not stop


@pytest.mark.parametrize("talks", ["emergency_parser=true", "emergency_parser=false"])
@pytest.mark.fault("T4", on="simulation")
def test_t4_a_bed_that_heats_while_off(tmp_path: Path, talks: str) -> None:
    """Never set by anybody: each rung in turn, all within their time, and the last word is the mains."""
    with act(tmp_path, "T4-bed@60s", settings=(talks,)) as play:
        trip = trips(play, "heat_while_off", proven=False)
        up = beyond(play, 60.0, "bed", 25.0 + BED.overshoot.degrees, above=True)
        assert moment(trip) - up <= WITHIN_S
        to_the_end_of_the_ladder(play, talks.endswith("true"))


@pytest.mark.parametrize("at", [HEATING_S, PRINTING_S])
@pytest.mark.fault("T4", on="simulation")
def test_t4_a_nozzle_that_is_stuck_on(tmp_path: Path, at: float) -> None:
    with act(tmp_path, f"T4@{at:g}s") as play:
        trip = trips(play, "heat_overshoot", "heat_over_limit", "sensor_impossible", proven=False)
        high = beyond(play, at, "nozzle", 220.0 + NOZZLE.overshoot.degrees, above=True)
        assert moment(trip) - high <= NOZZLE.overshoot.for_s + WITHIN_S
        to_the_end_of_the_ladder(play, False)


@pytest.mark.parametrize(
    ("fault", "settings", "abort_s"),
    [
        ("T4-bed@147s", (), 176.0),
        ("T4-bed@147s", (), None),
        ("T4-bed@147s", ("bed.resolution=1",), None),
        ("T4-bed@147s", ("bed.noise=0.2",), None),
        ("T4@170s", ("nozzle.tau=625",), 176.0),
    ],
)
@pytest.mark.fault("T4", on="simulation")
def test_t4_stuck_on_and_no_interlock_has_seen_it_yet(
    tmp_path: Path, fault: str, settings: tuple[str, ...], abort_s: float | None
) -> None:
    """At the end of a file, or of a run that somebody ends: a plate climbs by half a degree in three readings. Not proven."""
    with act(tmp_path, fault, how=How(bed=60), settings=settings, patience_s=1500) as play:
        if abort_s is not None:
            play.stage.command(abort_s, "abort")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert not ended.proven
        assert ended.exit == (5 if abort_s is None else 4)
        assert [event["text"] for event in play.of("caution") if event["alarm"] == "mains"] == [MAINS]


@pytest.mark.parametrize("settings", [(), ("bed.tau=1200", "bed.resolution=1"), ("bed.noise=0.2", "nozzle.noise=0.5")])
def test_a_hot_plate_that_is_off_is_proven_off_in_line(tmp_path: Path, settings: tuple[str, ...]) -> None:
    with act(tmp_path, how=How(bed=60), settings=settings, patience_s=1500) as play:
        finishes(play)
        assert [event.get("rung") for event in play.of("make_safe")] == [None]
        off = play.written(b"M140 S0")[-1]
        assert moment(play.of("make_safe")[-1]) - off <= 20.0


@pytest.mark.parametrize("stop_s", [5.0, 7.0, 9.0])
def test_one_cut_off_cold_at_full_power_is_proven_off_though_it_climbs_first(tmp_path: Path, stop_s: float) -> None:
    """Its dead time carries it further than it comes back in 20 s."""
    with act(tmp_path, settings=("nozzle.dead_time=2", "nozzle.tau=180", "nozzle.noise=0.1"), how=How(bed=60)) as play:
        play.stage.command(stop_s, "stop")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Stopped", 4, True), ended.reason
        assert [event.get("rung") for event in play.of("make_safe")] == [None]


def to_the_end_of_the_ladder(play: Act, parser: bool) -> None:
    rungs = [event["rung"] for event in play.of("make_safe") if "rung" in event]
    middle = ["break the wait"] if parser else []
    assert rungs == ["in line", *middle, "emergency stop", "restart", "open the port anew"]
    assert [event["text"] for event in play.of("caution") if event["alarm"] == "mains"] == [MAINS]
    assert "at the mains" in MAINS
    last = play.of("make_safe")[-1]
    assert last["proven"] is False
    assert moment(last) - moment(play.of("trip")[0]) <= LADDER_S + 5.0
    assert play.events[-1]["heat_proven_off"] is False
    assert play.written(b"M112")


# ---- T5: too weak


@pytest.mark.parametrize(("when_late", "end"), [("hold", 4), ("go-on", 5), ("abort", 5)])
@pytest.mark.fault("T5", on="simulation")
def test_t5_too_weak_to_settle(tmp_path: Path, when_late: str, end: int) -> None:
    """It gets to 200 °C, and 220 are asked for. Patience first; then held, gone on with, or ended, as the schedule says."""
    weak = ("nozzle.gain=190", "nozzle.tau=60")
    with act(tmp_path, settings=weak, patience_s=250, when_late=when_late) as play:
        StandIn(play.stage)
        ended = play.stage.run(play.job)
        assert ended is not None
        late = play.of("settle_late")[0]
        begun = moment(play.of("crossing_begun")[0])
        assert moment(late) - begun >= 250.0
        assert moment(late) - begun <= 250.0 + 60.0
        heat_is_off(play)
        match when_late:
            case "hold":  # nobody decides: stopped by who stands in
                assert "held" in play.kinds()
                assert (ended.state, ended.exit) == ("Stopped", 4)
            case "abort":
                assert (ended.state, ended.exit) == ("Aborted", 5)
                assert "settle_late" in ended.reason
            case _:
                assert play.log.deposits
                assert end == 5 or ended.exit == 0
        if when_late != "go-on":
            assert not play.log.deposits


# ---- T6: noise, rounding, slow heaters


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.fault("T6", on="simulation")
def test_t6_noise_at_the_edge_of_the_tolerance(tmp_path: Path, seed: int) -> None:
    """1 °C of noise against 1.5 °C asked for: settled is told once a crossing, and only behind a whole dwell inside."""
    settings = ("nozzle.noise=0.7", f"seed={seed}")
    with act(tmp_path, settings=settings, patience_s=3000) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0, ended.reason
        for settled, band in zip(play.of("settled"), (220.0, 212.0, 204.0), strict=True):
            until = moment(settled)
            dwell = [r for r in play.readings if until - 8.0 <= moment(r) <= until]
            assert len(dwell) >= 7
            assert all(abs(r["measured"]["nozzle"] - band) <= 1.5 for r in dwell)
        inside = [abs(r["measured"]["nozzle"] - 220.0) <= 1.5 for r in play.readings if 120 < moment(r) < 400]
        assert sum(one != after for one, after in pairwise(inside)) >= 2, "it was never at the edge"
        assert not play.of("trip")
        assert not [event for event in play.of("caution") if event["alarm"].startswith(("sensor", "heat"))]


@pytest.mark.fault("T6", on="simulation")
def test_t6_whole_degrees_that_stand_still_for_minutes(tmp_path: Path) -> None:
    """Held for nine minutes, and set again by the file meanwhile: one and the same reading all the time is no fault."""
    with act(tmp_path, how=How(bed=60), settings=("nozzle.resolution=1", "bed.resolution=1")) as play:
        play.stage.command(PRINTING_S, "hold")
        play.stage.command(PRINTING_S + 540.0, "resume")
        finishes(play)
        held = [r["measured"] for r in play.readings if PRINTING_S + 30 < moment(r) < PRINTING_S + 500]
        assert {(one["nozzle"], one["bed"]) for one in held} == {(220.0, 60.0)}
        assert not play.of("trip")


@pytest.mark.parametrize(("step", "resolution"), [(25.0, 0.1), (30.0, 1.0)])
@pytest.mark.fault("T6b", on="simulation")
def test_t6b_a_large_step_down_on_a_slow_heater(tmp_path: Path, step: float, resolution: float) -> None:
    wanted = schedule((("nozzle", 245.0, -step),), tolerance=1.5, dwell_s=8, patience_s=3000)
    settings = ("nozzle.tau=625", f"nozzle.resolution={resolution}", "nozzle.dead_time=6")
    with act(tmp_path, plan=wanted, settings=settings) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.exit, ended.proven) == (0, True), ended.reason
        assert not play.of("trip")
        bands = {"nozzle": tuple(245.0 - n * step for n in range(3))}
        play.verdict().all_of_it(0.3, (0.0, 0.9, 1.8), bands, 3.0)
        falls = [moment(event) for event in play.of("settled")]
        assert falls[1] - moment(play.of("crossing_begun")[1]) > 30.0


# ---- T7: one wild sample


@pytest.mark.parametrize(("heater", "at"), [("nozzle", HEATING_S), ("nozzle", PRINTING_S), ("bed", 147.5)])
@pytest.mark.fault("T7", on="simulation")
def test_t7_one_wild_sample_is_counted(tmp_path: Path, heater: str, at: float) -> None:
    with act(tmp_path, f"T7-{heater}@{at:g}s", how=How(bed=60)) as play:
        finishes(play)
        wild = [event for event in play.of("caution") if event["alarm"] in ("sensor_jump", "sensor_impossible")]
        assert len(wild) == 1
        assert heater in wild[0]["text"]


@pytest.mark.parametrize(
    ("kind", "at"),
    [("open", 60.0), ("cold", 144.0), ("nan", PRINTING_S), ("nan", 150.0), ("short", 171.0), ("hot", 175.0)],
)
@pytest.mark.fault("T7", on="simulation")
def test_t7_whatever_one_wild_sample_shows(tmp_path: Path, kind: str, at: float) -> None:
    """A contact that is gone for one reading: not too cold to lay anything down either."""
    with act(tmp_path) as play:
        board = play.stage.board

        def for_one_reading() -> None:
            before = len(play.readings)
            board.machine.nozzle.break_sensor(kind)

            def mended() -> None:
                if len(play.readings) > before:
                    board.machine.nozzle.break_sensor("")
                else:
                    play.stage.at(play.stage.now + 0.01, mended)

            mended()

        play.stage.at(at, for_one_reading)
        finishes(play)
        assert [event["alarm"] for event in play.of("caution")] == ["sensor_impossible"]


@pytest.mark.parametrize("heater", ["nozzle", "bed"])
@pytest.mark.fault("T7", on="simulation")
def test_t7_two_in_a_row_trip(tmp_path: Path, heater: str) -> None:
    at = f"{PRINTING_S:g}s"
    with act(tmp_path, f"T7-{heater}@{at}", f"T7-{heater}@{at}", how=How(bed=60), printer=printer(0)) as play:
        trip = trips(play, "sensor_jump", "sensor_impossible")
        assert moment(trip) - PRINTING_S <= 2 * EVERY_S
