"""What motions the emulated board makes of blocks, and when."""

from __future__ import annotations

import math
from typing import Any

import pytest
from banderole.bench import Manners, Move
from banderole.bench.motion import arc_length

from tests.bench.desk import Desk


def quiet(**manners: Any) -> Desk:
    return Desk(Manners(**{"busy_s": 0.0, "cold_below": 0.0, **manners}))


def ends(desk: Desk) -> list[tuple[float, float, float]]:
    desk.do("M400")
    return [(round(m.x1, 6), round(m.y1, 6), round(m.z1, 6)) for m in desk.printer.log.moves]


def filament(desk: Desk) -> list[float]:
    desk.do("M400")
    return [round(m.e, 6) for m in desk.printer.log.moves]


def test_absolute_relative_and_the_feed_stays() -> None:
    desk = quiet()
    desk.do("G1 X10 Y5 F600", "G91", "G1 X1", "G1 Y-2 Z0.3", "G90", "G0 X0 Y0")
    assert ends(desk) == [(10, 5, 0), (11, 5, 0), (11, 3, 0.3), (0, 0, 0.3)]
    assert {m.feed for m in desk.printer.log.moves} == {600.0}


@pytest.mark.parametrize(("e_mode", "second"), [("joined", 1.0), ("apart", 2.0)])
def test_two_families_read_g90_after_m83_differently(e_mode: str, second: float) -> None:
    """In one, G90 sets E too, so E2 goes from 1 to 2; in the other E stays relative (two families, from memory)."""
    desk = quiet(e_mode=e_mode)
    desk.do("M83", "G90", "G1 X1 E1", "G1 X2 E2")
    assert filament(desk) == [1.0, second]


def test_a_later_m83_overrides_in_both() -> None:
    for e_mode in ("joined", "apart"):
        desk = quiet(e_mode=e_mode)
        desk.do("G90", "M83", "G1 X1 E1", "G1 X2 E2")
        assert filament(desk) == [1.0, 2.0]


def test_offsets_add_up() -> None:
    """NIST RS274/NGC §3.5.18: at X=4, G92 X7 and then G92 X9 leave offsets of -3 and -5."""
    desk = quiet()
    desk.do("G1 X4", "M400", "G92 X7")
    assert desk.printer.machine.offset[0] == -3.0
    desk.do("G92 X9")
    assert desk.printer.machine.offset[0] == -5.0
    assert desk.do("M114")[0].startswith("X:9.00 Y:0.00 Z:0.00 E:0.00 Count X:320 ")
    desk.do("G1 X10")
    assert ends(desk)[-1] == (5, 0, 0)


def test_inches() -> None:
    """1 in = 25.4 mm, lengths, filament and feed alike."""
    desk = quiet()
    desk.do("G20", "G1 X1 E0.5 F10", "G21", "G1 X0 E12.7")
    assert ends(desk) == [(25.4, 0, 0), (0, 0, 0)]
    assert [(m.e, m.feed) for m in desk.printer.log.moves] == [(12.7, 254.0), (0.0, 254.0)]


def test_published_arc() -> None:
    """NIST RS274/NGC §3.5.3's example: from (7,7), centre (10,11), R 5, sweep 143.130°; length recomputed."""
    length = arc_length((7.0, 7.0, 0.0), (10.0, 16.0, 0.0), (3.0, 4.0), None, clockwise=True)
    assert length == pytest.approx(5.0 * math.radians(143.130102), abs=1e-6)
    helix = arc_length((7.0, 7.0, 7.0), (10.0, 16.0, 7.0), (3.0, 4.0), None, clockwise=True)
    assert helix == pytest.approx(12.4905, abs=5e-5)


def test_arcs_by_radius_full_turns_and_arcs_that_are_none() -> None:
    quarter = arc_length((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), None, 1.0, clockwise=False)
    assert quarter == pytest.approx(math.pi / 2)
    long_way = arc_length((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), None, -1.0, clockwise=False)
    assert long_way == pytest.approx(3 * math.pi / 2)
    other_way = arc_length((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), None, 1.0, clockwise=True)
    assert other_way == pytest.approx(math.pi / 2)
    assert arc_length((1.0, 0.0, 0.0), (1.0, 0.0, 0.0), (-1.0, 0.0), None, True) == pytest.approx(2 * math.pi)
    desk = quiet()
    desk.do("G1 X7 Y7", "G2 X10 Y16 I3 J4 E1")
    assert desk.do("G2 X0 Y0 I1 J1")[0].startswith("Error:")
    assert ends(desk)[-1] == (10, 16, 0)
    assert desk.printer.log.moves[-1].kind == "arc"
    assert desk.printer.log.moves[-1].deposits


def test_motion_lasts_its_length_over_its_feed_and_factor() -> None:
    desk = quiet()
    desk.do("G1 X100 F6000", "M220 S50", "G1 X0", "M400")
    there, back = desk.printer.log.moves
    assert there.end - there.start == pytest.approx(1.0)
    assert back.end - back.start == pytest.approx(2.0)
    assert back.start == there.end


@pytest.mark.parametrize(
    ("length", "speed", "acceleration", "seconds"),
    [(100, 100, 1000, 1.1), (10, 100, 1000, 0.2), (5, 100, 1000, 0.14142), (20, 60, 500, 0.45333), (1, 0.5, 2, 2.25)],
)
def test_from_rest_to_rest(length: float, speed: float, acceleration: float, seconds: float) -> None:
    """T = L/v + v/a, or 2√(L/a) (recomputed; the last one is Lynch & Park, Modern Robotics §9.2, from memory)."""
    desk = quiet(acceleration=float(acceleration))
    desk.do(f"G1 X{length} F{speed * 60}", "M400")
    (move,) = desk.printer.log.moves
    assert move.end - move.start == pytest.approx(seconds, abs=5e-6)


def test_the_planner_takes_sixteen_motions_and_then_makes_the_line_wait() -> None:
    desk = quiet()
    desk.do(*(f"G1 X{n} F60" for n in range(1, 17)))
    assert desk.now < 0.5
    desk.do("G1 X17")
    assert desk.now == pytest.approx(1.0, abs=0.1)
    desk.do("M400")
    assert desk.now == pytest.approx(17.0, abs=0.1)


def test_faster_by_a_factor() -> None:
    desk = Desk(Manners(busy_s=0.0).sped(20.0))
    desk.do("G28", "G1 X100 F600", "G4 S10", "M400")
    assert desk.now == pytest.approx((8.0 + 10.0 + 10.0) / 20.0, abs=0.02)


def test_homing_makes_places_known_and_idle_motors_lose_them() -> None:
    desk = quiet(idle_release_s=60.0, home_s=4.0)
    desk.do("G1 X1", "G28", "G1 X5", "M400")
    desk.live(59.0)
    desk.do("G1 X6", "M400")  # within the time: still known
    desk.live(61.0)
    desk.do("G1 X7", "M400")
    moves = [m for m in desk.printer.log.moves if m.kind == "line"]
    assert [m.known for m in moves] == [False, True, True, False]
    assert desk.events() == ["motors_released"]
    assert desk.printer.log.events[0].detail == "idle, position lost"


def test_the_idle_time_is_the_hosts_to_set() -> None:
    desk = quiet(idle_release_s=60.0)
    desk.do("M84 S5", "G28")
    desk.live(6.0)
    assert desk.events() == ["motors_released"]
    desk.do("G28", "M18")
    assert desk.printer.log.events[-1].detail == "asked, position lost"


def test_deposits_carry_setpoints_and_the_heat_they_really_had() -> None:
    desk = Desk(Manners(busy_s=0.0))
    desk.do("M109 S200", "M83", "M106 S128", "M221 S95", "G1 X10 E1 F1200", "M400", "M104 S220", "G1 X20 E1", "G1 E-2")
    desk.do("G1 X30", "G1 E2", "M400")
    first, second = desk.printer.log.deposits()
    assert (first.target, first.fan, first.flow, first.filament) == (200.0, 128.0, 95.0, 0.95)
    assert first.nozzle == pytest.approx(200.0, abs=1.5)
    assert (second.target, second.x0, second.x1) == (220.0, 10.0, 20.0)
    kinds = [m.kind for m in desk.printer.log.moves]
    assert kinds == ["line", "line", "filament", "line", "filament"]


def test_cold_filament_is_held_back_and_said() -> None:
    desk = Desk()
    desk.do("M83")
    assert any("too cold" in text for text in desk.do("G1 X10 E1"))
    assert filament(desk) == [0.0]
    desk.do("M302 P1", "G1 X20 E1")
    assert filament(desk) == [0.0, 1.0]


def test_retraction_by_the_board() -> None:
    desk = quiet()
    desk.do("M207 S4 F2400 Z0.5", "G10", "G10", "G11", "M400")
    back, forth = (move for move in desk.printer.log.moves)
    assert (back.kind, back.e, back.z1 - back.z0) == ("retract", -4.0, 0.5)
    assert (forth.e, forth.z1) == (4.0, 0.0)
    assert "E:0.00" in desk.do("M114")[0]


def test_a_stop_cuts_the_motion_where_it_is() -> None:
    desk = quiet(emergency_parser=True)
    desk.do("M83", "G1 X100 E10 F6000", "G1 X200 E10")
    desk.live(0.5)
    desk.send("M410")
    desk.live(0.1)
    (cut,) = desk.printer.log.moves
    assert isinstance(cut, Move)
    assert 45.0 < cut.x1 < 60.0
    assert cut.e == pytest.approx(cut.x1 / 10.0)
    assert desk.printer.machine.x == cut.x1


@pytest.mark.parametrize(("synced", "fans"), [(False, [255.0, 255.0]), (True, [0.0, 255.0])])
def test_the_fan_acts_when_read_or_when_the_motion_reaches_it(synced: bool, fans: list[float]) -> None:
    """Both are met, by board (from memory)."""
    desk = quiet(fan_synced=synced)
    desk.do("M83", "G1 X10 E1 F60", "M106 S255", "G1 X20 E1", "M400")
    assert [move.fan for move in desk.printer.log.deposits()] == fans


def test_another_fan_is_not_the_part_fan() -> None:
    desk = quiet()
    desk.do("M106 S100", "M106 P1 S255", "M106 S999")
    assert desk.printer.machine.fan == 255.0
    assert [row.value for row in desk.printer.log.setpoints] == [100.0, 255.0]
    desk.do("M107")
    assert desk.printer.machine.fan == 0.0


def test_several_tools_heat_apart() -> None:
    desk = quiet(tools=2)
    desk.do("M104 T1 S200", "T1")
    assert [heater.target for heater in desk.printer.machine.nozzles] == [0.0, 200.0]
    assert desk.do("M105")[0].split()[1].startswith("T:")
    assert desk.printer.machine.nozzle.target == 200.0
    assert desk.do("T5")[0].startswith("echo:no tool 5")
    assert desk.do("M104 T5 S200")[0].startswith("echo:no tool 5")


def test_numbers_with_two_points_are_read_as_far_as_they_go() -> None:
    desk = quiet()
    desk.do("G1 X1.2.3 F600", "G1 X2 Y-", "G29")
    assert ends(desk) == [(1.2, 0, 0), (2, 0, 0)]


def test_a_dwell_counts_seconds_by_s_and_thousandths_by_p() -> None:
    """The printing convention; NIST has seconds for P."""
    desk = quiet()
    for block, seconds in (("G4 S2", 2.0), ("G4 P500", 0.5)):
        began = desk.now
        desk.do(block)
        assert desk.now - began == pytest.approx(seconds, abs=0.01)
