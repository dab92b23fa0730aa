"""A change that is led over its boundary without a stop: whole runs in virtual time, held to what a lead can save at best."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from banderole.cli.run_command import prepare
from banderole.rehearsal import Stage, board_for, some_printer
from banderole.run.lead import HIDDEN, UNKNOWN, most_saved
from banderole.run.thermal import HeaterModel
from scipy.integrate import quad

LAYER, SIDE, PIECE = 0.3, 40.0, 5.0  # mm
TOLERANCE = 1.5  # °C
START = 236.0  # °C


def tower(layers: int, feed: int = 1200, inside: dict[int, str] | None = None) -> str:
    """A hollow square, one line wide: at 20 mm/s a layer takes 8 s. Heats without waiting, as the schedule waits."""
    lines = ["G21", "G90", "M83", "G28", "G0 X90 Y90 F7200"]
    per_mm = 0.45 * LAYER / (math.pi / 4 * 1.75**2)
    steps = int(SIDE / PIECE)
    for layer in range(1, layers + 1):
        lines.append(f"G0 Z{layer * LAYER:.2f} F600")
        lines += [(inside or {})[layer]] if layer in (inside or {}) else []
        for dx, dy, x, y in ((1, 0, 90, 90), (0, 1, 130, 90), (-1, 0, 130, 130), (0, -1, 90, 130)):
            for n in range(1, steps + 1):
                place = f"X{x + dx * n * PIECE:g} Y{y + dy * n * PIECE:g}"
                lines.append(f"G1 {place} E{PIECE * per_mm:.5f} F{feed}")
    return "\n".join(lines) + "\n"


@dataclass
class Told:
    events: list[dict[str, Any]] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    setpoints: list[dict[str, Any]] = field(default_factory=list)
    ended: Any = None

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["kind"] == kind]

    def record(self, row: dict[str, Any]) -> None:
        """What the board really did."""
        if row["row"] == "move":
            self.moves.append(row)
        elif row["row"] == "setpoint" and row["channel"] == "nozzle":
            self.setpoints.append(row)

    def set_at(self, value: float) -> float:
        """When the board first took this setpoint."""
        return float(next(row["at"] for row in self.setpoints if row["value"] == value))

    def outside(self, tau: float, change: float, layers: int = 12, bands: int = 4) -> float:
        """mm of filament laid while the nozzle is out of the tolerance of its own band.

        Where the nozzle is follows from when the board took each setpoint, by the law of its heater (`loop_tau`): the
        board's own record of it is taken when it next does something, up to a second late.
        """
        laid = 0.0
        for band in range(1, bands):
            begins = self.set_at(START + band * change)
            leaves = begins + loop_tau(tau) * math.log(abs(change) / (abs(change) - TOLERANCE))
            enters = begins + loop_tau(tau) * math.log(abs(change) / TOLERANCE)
            for move in self.moves:
                own = int((move["z1"] - LAYER / 2) / (layers * LAYER))
                if own in (band - 1, band) and move["filament"] > 0 and move["length"] > 0:
                    since, until = (leaves, math.inf) if own == band - 1 else (-math.inf, enters)
                    over = max(0.0, min(move["end"], until) - max(move["start"], since))
                    laid += move["filament"] * over / (move["end"] - move["start"])
        return laid


def loop_tau(tau: float) -> float:
    """Time constant of the emulated board's heater near its setpoint: gain 375 °C over a band of 15 °C make it faster."""
    return tau / (1 + 375.0 / 15.0)


def at_the_boundary(tau: float, change: float, crossings: int = 3) -> float:
    """mm laid out of tolerance with each change taken exactly at its boundary, and no stop there."""
    seconds = loop_tau(tau) * math.log(abs(change) / TOLERANCE)
    return crossings * seconds * 20.0 * 0.45 * LAYER / (math.pi / 4 * 1.75**2)


def run(
    folder: Path,
    tau: float,
    change: float,
    *,
    layers: int = 12,
    bands: int = 4,
    more: str = "",
    acts: Any = None,
    channels: str = "",
    board: tuple[str, ...] = (),
    inside: dict[int, str] | None = None,
) -> Told:
    file, schedule = folder / "tower.gcode", folder / "schedule.toml"
    file.write_text(tower(layers * bands, inside=inside))
    schedule.write_text(
        f"[stairs]\nplinth_mm = 0\nrise_mm = {layers * LAYER}\ncount = {bands}\n"
        f"nozzle = {{ first = {START}, change = {change} }}\n{channels}"
        f'[settle]\nstance = "moving"\ntolerance = {TOLERANCE}\npatience_s = 1200\n{more}'
    )
    printer = some_printer()
    job, _ = prepare(file, schedule, printer)
    told = Told()
    settings = (f"nozzle.tau={tau}", "cold_below=0", "fan_synced=true", *board)
    stage = Stage(
        printer,
        board_for(printer, (), settings),
        on_record=told.record,
    )
    stage.event.append(told.events.append)
    if acts is not None:
        acts(stage)
    with job.file:
        told.ended = stage.run(job)
    stage.close()
    return told


@pytest.mark.parametrize(("tau", "change"), [(60, -6), (60, 6), (180, -6), (180, 6), (600, -6), (600, 6)])
def test_a_lead_saves_what_can_be_saved(tmp_path: Path, tau: float, change: float) -> None:
    """At least nine tenths of the bound, from time constants of a minute to ten."""
    told = run(tmp_path, tau, change)
    assert (told.ended.state, told.ended.exit) == ("Complete", 0), told.ended.reason
    saved = 1.0 - told.outside(tau, change) / at_the_boundary(tau, change)
    assert saved >= 0.9 * most_saved(change, TOLERANCE)
    assert saved <= most_saved(change, TOLERANCE) + 0.02  # a bound is a bound: no figure of ours may pass it
    for crossing in told.of("crossing_ended")[1:]:
        assert crossing["lead"]["proven"]
        assert crossing["proof"] == {"nozzle": "reported"}
        assert crossing["lead"]["done"] == pytest.approx(0.5, abs=0.15)
    end = told.events[-1]
    assert end["blocks_sha256"]["file"] == end["blocks_sha256"]["acknowledged"]
    assert end["inserted"]["lead"] == 3


def test_a_heater_that_is_not_known_is_not_led(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(HeaterModel, "halfway_s", lambda *_: None)
    told = run(tmp_path, 180, -6)
    assert told.ended.exit == 0, told.ended.reason
    assert told.outside(180, -6) >= 0.9 * at_the_boundary(180, -6)
    for crossing, band in zip(told.of("crossing_ended")[1:], told.events[-1]["bands"][1:], strict=True):
        assert crossing["lead"] is None
        assert UNKNOWN in band["cautions"]
    assert UNKNOWN not in told.events[-1]["bands"][0]["cautions"]


def test_a_hold_takes_a_change_that_was_led_back_until_after_it(tmp_path: Path) -> None:
    """It is held at the setpoint of the band that it still lays down, and led anew when it goes on."""
    plain = run(tmp_path, 600, -6)
    begun = plain.set_at(230.0)

    def acts(stage: Stage) -> None:
        stage.command(begun + 5.0, "hold")
        stage.command(begun + 60.0, "resume")

    told = run(tmp_path, 600, -6, acts=acts)
    assert told.ended.exit == 0, told.ended.reason
    values = [(round(row["at"] - begun), row["value"]) for row in told.setpoints if row["at"] > begun - 1]
    assert values[0] == (0, 230.0)
    assert values[1][1] == 236.0  # back, for the rest of band 1
    assert values[2][1] == 230.0
    assert [event["band"] for event in told.of("lead_begun")] == [2, 2, 3, 4]
    assert [event["band"] for event in told.of("held")] == [1]


def test_an_abort_during_a_lead_turns_heat_off(tmp_path: Path) -> None:
    begun = run(tmp_path, 600, -6).set_at(230.0)
    told = run(tmp_path, 600, -6, acts=lambda stage: stage.command(begun + 2.0, "abort"))
    assert (told.ended.state, told.ended.exit, told.ended.proven) == ("Aborted", 4, True)
    assert told.setpoints[-1]["value"] == 0.0


@pytest.mark.parametrize(("block", "nozzle"), [("M106 S99", 3), ("M104 S231", 4)])
def test_a_setpoint_of_the_file_in_the_middle_of_a_lead(tmp_path: Path, block: str, nozzle: int) -> None:
    """Eight seconds before the boundary, the change sent already: a fan leaves it alone, a nozzle's is sent anew."""
    told = run(tmp_path, 600, -6, channels="fan = { first = 20, change = 10 }\n", inside={12: block})
    assert told.ended.exit == 0, told.ended.reason
    assert len(told.of("file_setpoint_reasserted")) == 1
    assert len(told.of("lead_begun")) == nozzle
    assert told.of("crossing_ended")[1]["lead"]["proven"]
    fan = [event["at"] for event in told.of("setpoint_confirmed") if event["channel"] == "fan"]
    assert len(fan) == 4 + (block[:4] == "M106")


def test_what_a_slow_planner_hides_is_learned_at_the_first_boundary(tmp_path: Path) -> None:
    """Motion takes longer than its feeds say, so the planner holds seconds that the clock does not know of.

    The first lead is so much too long; then it fits, or, where what is hidden is longer than the lead, there is none.
    """
    told = run(tmp_path, 180, -6, board=("acceleration=300",))
    assert told.ended.exit == 0, told.ended.reason
    first, *later = [event["lead"]["done"] for event in told.of("crossing_ended")[1:]]
    assert first > 0.6
    assert later == pytest.approx([0.5, 0.5], abs=0.1)
    fast = run(tmp_path, 60, -6, board=("acceleration=300",))
    assert fast.ended.exit == 0, fast.ended.reason
    assert [event["lead"] is None for event in fast.of("crossing_ended")[1:]] == [False, True, True]
    assert HIDDEN in fast.events[-1]["bands"][2]["cautions"]


def test_a_led_setpoint_that_arrives_wrong_is_set_again_and_one_that_is_lost_trips(tmp_path: Path) -> None:
    begun = run(tmp_path, 600, -6).set_at(230.0)
    told = run(tmp_path, 600, -6, acts=lambda stage: stage.fault(begun - 3.0, "S2"))
    assert told.ended.exit == 0, told.ended.reason
    values = [row["value"] for row in told.setpoints if row["at"] > begun - 0.5]
    assert values[0] not in (230.0, 236.0)
    assert values[1] == 230.0
    assert told.of("crossing_ended")[1]["lead"]["proven"]

    def at_the_panel(stage: Stage) -> None:
        stage.at(begun + 5.0, lambda: setattr(stage.board.machine.nozzles[0], "target", 200.0))

    told = run(tmp_path, 600, -6, acts=at_the_panel)
    assert (told.ended.exit, told.of("trip")[0]["alarm"]) == (5, "setpoint_lost")


def test_boundaries_nearer_than_the_lead_are_said(tmp_path: Path) -> None:
    """Bands of one layer, 8 s each, on a heater that needs 14 s to be halfway."""
    told = run(tmp_path, 600, -6, layers=1, bands=5)
    assert told.ended.exit == 0, told.ended.reason
    said = [one for band in told.events[-1]["bands"] for one in band["cautions"] if "shorter than the lead" in one]
    assert len(said) >= 3
    assert [event["band"] for event in told.of("crossing_ended")] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(("step", "tolerance"), [(6.0, 1.5), (10.0, 1.0), (-8.0, 2.5)])
def test_the_bound_is_what_the_best_moment_saves(step: float, tolerance: float) -> None:
    """Reckoned apart: time outside as an integral over the approach, for every moment at which the boundary may come."""
    d = abs(step)

    def outside(boundary: float) -> float:
        def wrong(s: float) -> float:
            excess = d * math.exp(-s)
            return float(d - excess > tolerance if s < boundary else excess > tolerance)

        edges = sorted({boundary, math.log(d / (d - tolerance)), math.log(d / tolerance)})
        return float(quad(wrong, 0.0, 6.0, points=edges, limit=200)[0])

    best = min(outside(n / 20) for n in range(60))
    assert 1.0 - best / outside(0.0) == pytest.approx(most_saved(step, tolerance), abs=2e-3)


def test_the_bound_at_its_ends() -> None:
    assert most_saved(6.0, 1.5) == pytest.approx(0.2075, abs=5e-5)
    assert most_saved(6.0, 1.5, straight=True) == pytest.approx(1 / 3)
    assert most_saved(3.0, 1.5) == 1.0
    assert most_saved(1.0, 1.5) == 0.0
