"""Modal state, held against a second interpreter written from NIST RS274/NGC (tests/support) and against plain cases.

§ numbers are those of NISTIR 6556 v3. What concerns E, M82/M83, G10/G11 and G28 is common practice of printing, no source.
"""

from __future__ import annotations

import itertools
import math
import random
from fractions import Fraction

import pytest
from banderole_protocol.modal import (
    DEPOSIT,
    DWELL,
    HOME,
    OTHER,
    PERSON,
    SETPOINT,
    TRAVEL,
    EMode,
    Modal,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support import programs
from tests.support.reference_interpreter import Machine

FAMILIES: tuple[EMode, EMode] = ("joined", "apart")


def after(*blocks: str, e_mode: EMode = "joined") -> Modal:
    modal = Modal(e_mode)
    for block in blocks:
        modal.apply(block.encode())
    return modal


def place(modal: Modal) -> tuple[float, float, float]:
    return modal.x, modal.y, modal.z


# ---- against the second interpreter


@settings(max_examples=150)
@given(programs.FAMILY, programs.PROGRAM)
def test_any_program_means_the_same_to_both_interpreters(e_mode: EMode, program: list[str]) -> None:
    programs.compare(e_mode, program)


def test_a_long_print_does_not_drift() -> None:
    """100,000 relative moves with five decimals: what rounding adds up to stays far below a motor's step."""
    chance = random.Random(6556)
    modal, reference = Modal("apart"), Machine(joined=False)
    for block in ("G91", "M83"):
        modal.apply(block.encode())
        reference.run(block)
    total = dict.fromkeys("XYE", Fraction(0))
    for _ in range(100_000):
        step = {axis: Fraction(chance.randint(-99_999, 100_000), 100_000) for axis in "XYE"}
        modal.apply(" ".join(["G1", *(f"{axis}{float(value):.5f}" for axis, value in step.items())]).encode())
        for axis, value in step.items():
            total[axis] += value
    assert modal.x == pytest.approx(float(total["X"]), abs=1e-6)
    assert modal.e == pytest.approx(float(total["E"]), abs=1e-6)


# ---- form of a block


@pytest.mark.parametrize("words", list(itertools.permutations(["G1", "X1", "Y2", "Z3", "F600"])))
def test_words_may_stand_in_any_order(words: tuple[str, ...]) -> None:
    """§3.3: all permutations of `G1 X1 Y2 Z3 F600` mean the same."""
    modal = after(" ".join(words))
    assert (*place(modal), modal.feed) == (1, 2, 3, 600)


@pytest.mark.parametrize("block", ["g0x +0. 12 34y 7", "g0 x+0.1234 y7", "G0X.1234Y7", "\tG00 X0.1234\tY+7."])
def test_blanks_and_case_mean_nothing(block: str) -> None:
    """§3.3, its own example."""
    assert place(after(block)) == (0.1234, 7, 0)


def test_numbers_have_no_exponent() -> None:
    """§3.3: X1E5 is X1 and E5 here."""
    modal = after("G1X1E5")
    assert (modal.x, modal.e) == (1, 5)


# ---- modes


@pytest.mark.parametrize("block", ["G1 X10 G91", "G91 G1 X10", "X10 G91 G1", "g1x10g91"])
def test_distance_mode_comes_before_the_motion_wherever_it_stands(block: str) -> None:
    """Table 8: `G1 X10 G91` moves incrementally."""
    modal = after("G90", "G0 X5", block)
    assert modal.x == 15
    assert "more than one command" in modal.unclear


def test_g92_example() -> None:
    """§3.5.18: at X=4, G92 X7 makes it read 7, G92 X9 then 9; the offsets are −3 and −5; nothing has moved."""
    modal = after("G0 X4", "G92 X7")
    assert (modal.x, modal.told("X", modal.x), modal.off_x) == (4, 7, -3)
    assert modal.apply(b"G92 X9") == OTHER
    assert (modal.x, modal.told("X", modal.x), modal.off_x) == (4, 9, -5)
    modal.apply(b"G92.1")
    assert (modal.x, modal.told("X", modal.x)) == (4, 4)


def test_g92_leaves_axes_that_are_not_named() -> None:
    """§3.5.18."""
    modal = after("G0 X4 Y5 Z6", "G92 Y0")
    assert [modal.told(a, getattr(modal, a.lower())) for a in "XYZ"] == [4, 0, 6]


def test_g92_alone_zeroes_all() -> None:
    """Printing convention, from memory; NIST would object."""
    modal = after("G0 X4 Y5 Z6", "G1 E2", "G92")
    assert [modal.told(a, getattr(modal, a.lower())) for a in "XYZE"] == [0, 0, 0, 0]
    assert place(modal) == (4, 5, 6)


def test_inches() -> None:
    """1 in = 25.4 mm (§3.5.8); the feed is converted too, and what lies behind is not."""
    modal = after("G0 X10", "G20", "G1 X1 Y-2 E0.1 F60")
    assert (*place(modal), modal.e, modal.feed) == pytest.approx((25.4, -50.8, 0, 2.54, 1524))
    modal.apply(b"G21")
    modal.apply(b"G1 X1")
    assert modal.x == 1


@pytest.mark.parametrize(
    ("program", "joined", "apart"),
    [
        (["M83", "G90"], False, True),  # the one that files really differ in
        (["G91"], True, False),
        (["G91", "M82"], False, False),
        (["G91", "M83", "G90", "M83"], True, True),
        (["M83", "G91", "G90"], False, True),
        ([], False, False),
    ],
)
def test_two_families_of_g90(program: list[str], joined: bool, apart: bool) -> None:
    """From memory: in one family G90 and G91 set E too and a later M82/M83 overrides; the other leaves E alone."""
    for e_mode, relative in zip(FAMILIES, (joined, apart), strict=True):
        modal = after("G1 E10", *program, "G1 E2", e_mode=e_mode)
        assert modal.e == (12 if relative else 2)
        assert modal.e_split is (joined != apart)


def test_a_split_without_an_e_word_is_none() -> None:
    assert not after("M83", "G90", "G1 X5", "G91", "G1 Z1").e_split


# ---- deposits


def kinds(*blocks: str, e_mode: EMode = "apart") -> list[int]:
    modal = Modal(e_mode)
    return [modal.apply(block.encode()) for block in blocks]


@pytest.mark.parametrize("mode", ["M83", "M82"])
def test_retraction_and_de_retraction_lay_nothing(mode: str) -> None:
    one = ["G1 X5 E1", "G1 E-0.8", "G0 X9", "G1 E0.8", "G1 X5 E1"]
    other = ["G1 X5 E1", "G1 E0.2", "G0 X9", "G1 E1", "G1 X5 E2"]
    got = kinds(mode, *(one if mode == "M83" else other))[1:]
    assert got == [DEPOSIT, TRAVEL, TRAVEL, TRAVEL, DEPOSIT]


def test_a_de_retraction_on_the_way_lays_only_what_is_beyond() -> None:
    """A move that pushes 0.8 back where 0.8 was pulled lays nothing; with 1.0 it lays 0.2."""
    modal = after("M83", "G1 E-0.8", e_mode="apart")
    assert modal.apply(b"G1 X5 E0.8") == TRAVEL
    modal = after("M83", "G1 E-0.8", e_mode="apart")
    assert modal.apply(b"G1 X5 E1.0") == DEPOSIT
    assert modal.net == pytest.approx(0.2)


def test_filament_without_motion_is_no_deposit() -> None:
    assert kinds("M83", "G1 E5") == [OTHER, TRAVEL]


def test_straight_up_is_a_deposit() -> None:
    """Vocabulary: a motion in XY or Z while net filament goes forward."""
    assert kinds("M83", "G1 Z0.3 E5") == [OTHER, DEPOSIT]


def test_a_place_named_again_after_g92_is_no_motion() -> None:
    """10.1 − 3.3 has no exact binary fraction: the sum of the way back must not count as a way."""
    for step in range(1, 200):
        modal = after("M83", f"G0 X{step * 0.1:.1f}", "G92 X3.3", e_mode="apart")
        assert modal.apply(b"G1 X3.3 E1") == TRAVEL


def test_rounding_of_absolute_e_is_no_filament() -> None:
    """E returns to where it was before the retraction, over a G92: sums of floats, some 1e-13 beside it."""
    for step in range(1, 300):
        modal = after("M82", f"G1 X1 E{step * 1.23457:.5f}", f"G1 E{step * 1.23457 - 0.8:.5f}", "G92 E0")
        assert modal.apply(b"G1 X2 E0.8") == TRAVEL
        assert modal.debt == 0.0


def test_an_arc_that_goes_nowhere_lays_nothing() -> None:
    assert kinds("M83", "G2 E1") == [OTHER, TRAVEL]


def test_firmware_retraction() -> None:
    modal = after("G10")
    assert modal.back
    assert not after("G10", "G11").back
    assert not after("G10 L2 P1 X0").back, "G10 with L or P sets offsets (§3.5.5), it pulls nothing"


# ---- arcs


@pytest.mark.parametrize("words", ["G17 G2 X10 Y16 I3 J4 Z9", "G2 X10 Y16 Z9 R5"])
def test_arc_from_7_7(words: str) -> None:
    """§3.5.3: from (7,7) to (10,16) about (10,11), R 5. Sweep 143.130°, length 12.4905 in the plane."""
    modal = after("G0 X7 Y7 Z9 F600")
    assert modal.apply(words.encode()) == TRAVEL
    assert place(modal) == (10, 16, 9)
    assert modal.seconds * modal.feed / 60 == pytest.approx(12.4905, abs=5e-5)
    assert modal.arc_box == pytest.approx((5, 7, 10, 16))


def test_the_same_arc_rising_is_a_helix() -> None:
    modal = after("G0 X7 Y7 Z0 F600", "G2 X10 Y16 I3 J4 Z9")
    assert modal.seconds * modal.feed / 60 == pytest.approx(math.hypot(5 * math.radians(143.1301), 9), abs=1e-5)
    assert modal.z == 9


@pytest.mark.parametrize(("code", "radius", "turn"), [("G2", 5, 90), ("G2", -5, 270), ("G3", 5, 90), ("G3", -5, 270)])
def test_radius_form(code: str, radius: float, turn: float) -> None:
    """§3.5.3.1: a positive radius turns through 180° at most, a negative one through more."""
    modal = after("G0 X5 Y0 F600", f"{code} X0 Y5 R{radius}")
    assert modal.seconds * modal.feed / 60 == pytest.approx(5 * math.radians(turn), abs=1e-6)


@pytest.mark.parametrize("words", ["G2 I5", "G3 X0 Y0 I5", "G2 J-5", "G3 X0 I3 J4"])
def test_an_end_at_the_start_is_a_full_circle(words: str) -> None:
    """§3.5.3.2; and it lays filament though its ends are one point."""
    modal = after("M83", "G0 F600", e_mode="apart")
    assert modal.apply((words + " E1").encode()) == DEPOSIT
    assert modal.seconds * modal.feed / 60 == pytest.approx(10 * math.pi)
    assert place(modal) == (0, 0, 0)


def test_a_full_circle_whose_end_is_a_rounded_sum() -> None:
    modal = after("G91", "G1 X0.1 F600", "G1 X0.2", "G90", "G2 X0.3 Y0 I5")
    assert modal.seconds * modal.feed / 60 == pytest.approx(10 * math.pi)


@pytest.mark.parametrize(("plane", "ends", "centre"), [("G18", "X5 Z5", "I5"), ("G19", "Y5 Z5", "J5")])
def test_other_planes(plane: str, ends: str, centre: str) -> None:
    """§3.5.3.3: a quarter, or three, of a circle of 5 mm in XZ and YZ."""
    lengths = []
    for code in ("G2", "G3"):
        modal = after("G0 F600", plane, f"{code} {ends} {centre}")
        lengths.append(modal.seconds * modal.feed / 60)
        assert modal.z == 5
    assert sorted(lengths) == pytest.approx([5 * math.pi / 2, 5 * 3 * math.pi / 2])


@pytest.mark.parametrize("distance", ["G90", "G91"])
def test_centres_are_always_incremental(distance: str) -> None:
    """§3.5.3.2: I and J are offsets from the start in either distance mode."""
    modal = after("G0 X50 Y50 F600", distance, "G2 I5")
    assert modal.arc_box == pytest.approx((50, 45, 60, 55))


ANGLE = st.integers(0, 719).map(lambda half: math.radians(half / 2))


@given(st.sampled_from([("G17", "X", "Y", "I", "J"), ("G18", "Z", "X", "K", "I"), ("G19", "Y", "Z", "J", "K")]),
       st.sampled_from(["G2", "G3"]), ANGLE, ANGLE, st.integers(1, 500))  # fmt: skip
def test_the_box_of_an_arc_holds_it_and_no_more(
    plane: tuple[str, str, str, str, str], code: str, begin: float, finish: float, radius: int
) -> None:
    """Against a thousand points along it: a clockwise turn goes by falling angles, from the first axis to the second."""
    name, first, second, i, j = plane
    here = (radius * math.cos(begin), radius * math.sin(begin))
    there = (radius * math.cos(finish), radius * math.sin(finish))
    modal = after("G0 F600", name, f"G0 {first}{here[0]:.9f} {second}{here[1]:.9f}")
    modal.apply(f"{code} {first}{there[0]:.9f} {second}{there[1]:.9f} {i}{-here[0]:.9f} {j}{-here[1]:.9f}".encode())
    turn = (finish - begin if code == "G3" else begin - finish) % (2 * math.pi) or 2 * math.pi
    way = [begin + turn * n / 1000 * (1 if code == "G3" else -1) for n in range(1001)]
    on = {axis: [0.0] for axis in "XY"}
    on[first], on[second] = [radius * math.cos(a) for a in way], [radius * math.sin(a) for a in way]
    box = (min(on["X"]), min(on["Y"]), max(on["X"]), max(on["Y"]))
    assert modal.arc_box == pytest.approx(box, abs=radius * 1e-5 + 1e-6)
    assert modal.seconds * modal.feed / 60 == pytest.approx(radius * turn, rel=1e-6)


@pytest.mark.parametrize("words", ["G2 X5 Y5", "G3 X0 Y0 R5", "G2 X5 K3"])
def test_an_arc_without_a_centre_is_told(words: str) -> None:
    assert "without a centre" in after("G0 F600", words).unclear


# ---- homing, motors, tools


def test_homing_names_its_axes() -> None:
    modal = after("G0 X5 Y6 Z7", "G92 X1 Y2 Z3")
    assert modal.known == ""
    assert modal.apply(b"G28 X Z") == HOME
    assert (place(modal), modal.known) == ((0, 6, 0), "XZ")
    assert modal.told("X", 0) == 0, "homing drops what G92 has set"
    modal.apply(b"G28")
    assert (place(modal), modal.known) == ((0, 0, 0), "XYZ")


@pytest.mark.parametrize(
    ("block", "known"),
    [("M84", ""), ("M18", ""), ("M84 X Y", "Z"), ("M18 E", "XYZ"), ("M84 S60", "XYZ"), ("M18 S0", "XYZ")],
)
def test_motors_let_go(block: str, known: str) -> None:
    assert after("G28", block).known == known


def test_the_printers_own_word_on_where_it_is() -> None:
    """M114 tells millimetres after G92."""
    modal = after("G28", "G20", "G92 X1")
    modal.place("X", 30.0)
    assert modal.x == pytest.approx(30.0 - 25.4)
    assert modal.told("X", modal.x) == pytest.approx(30.0 / 25.4)


# ---- what else a block may be


@pytest.mark.parametrize(
    ("block", "kind"),
    [
        (b"M104 S200", SETPOINT),
        (b"M109 R180", SETPOINT),
        (b"m106s128", SETPOINT),
        (b"M106 P1 S128", OTHER),
        (b"G28", HOME),
        (b"G29", HOME),
        (b"G4 P500", DWELL),
        (b"G4 S2", DWELL),
        (b"M0", PERSON),
        (b"M1 hello", PERSON),
        (b"M600", PERSON),
        (b"M117 G1 X5 E5", OTHER),
        (b"M82", OTHER),
        (b"T0", OTHER),
        (b"M9999 X5", OTHER),
        (b"G1", TRAVEL),
        (b"G1 F1500.0", TRAVEL),
    ],
)
def test_kinds(block: bytes, kind: int) -> None:
    assert Modal().apply(block) == kind


@pytest.mark.parametrize("block", ["G1 F900 X5 Y6 E1", "G1 X5 Y6 F900 E1", "G1 X5 Y6 E1 F900", "G1 E1 F900 Y6 X5"])
def test_a_feedrate_stands_anywhere(block: str) -> None:
    modal = after(block)
    assert (modal.x, modal.y, modal.e, modal.feed) == (5.0, 6.0, 1.0, 900.0)


def test_dwell_in_milliseconds_or_seconds() -> None:
    """Printing convention: P milliseconds, S seconds; NIST §3.5.4 has P in seconds."""
    assert after("G4 P500").seconds == 0.5
    assert after("G4 S2").seconds == 2.0


def test_values_are_those_of_the_active_tool() -> None:
    modal = after("M104 S200", "M104 T1 S150", "M140 S60", "M106 S255")
    assert modal.values == {"nozzle": 200, "bed": 60, "fan": 100}
    assert after("T1", "M104 T1 S150").values == {"nozzle": 150}


@pytest.mark.parametrize(
    ("block", "why"),
    [
        ("G0 G1 X5", "more than one command"),
        ("G90 M83", "more than one command"),
        ("G1 X5 X6", "a letter stands twice"),
        ("X5 Y6", "no command before the axes"),
        ("E2", "no command before the axes"),
        ("G1 X5 Y6 E7 F8", ""),
        ("G2 X2 I1 J2 E7", ""),
        ("G2 X5 I1 J2 E7", "different distances"),
        ("G2 X5 I2.504 E7", ""),
        ("G2 X5 R2.4", "radius too small"),
        ("G2 X5 R2.495", ""),
        ("G2 X2 I1 P3", "with P"),
        ("G18 G2 X2 I1", "out of the XY plane"),
        ("G1 X..5", "neither a letter nor a number"),
        ("G1 X--5", "neither a letter nor a number"),
        ("G1 X1,5", "neither a letter nor a number"),
        ("/G1 X5", "neither a letter nor a number"),
        ("G1 X5 ) Y2", "neither a letter nor a number"),
        ("G1 X5 *", "asterisk"),
        ("M117 5*3", "asterisk"),
        ("N6 G28", "a second line number"),
        ("G1 X Y5", "X without a number"),
        ("G1 E", "E without a number"),
        ("G28 X", ""),
        ("G92 E", ""),
        ("G1X1Y2E3", "right behind a number"),
        ("G1X1Y2 E3", ""),
        ("G1 X1E5", "right behind a number"),
        ("G1 X 5 0 Y3", "a blank inside a number"),
        ("M104 S2 15", "a blank inside a number"),
        ("G1 X 50 Y 3", ""),
        ("M117 12 of 20", ""),
        ("X5 G1", "does not stand first"),
        ("G1 F0", "a feedrate that is not above zero"),
        ("G1 X5 F-600", "a feedrate that is not above zero"),
        ("G53 X5", "G53 chooses other coordinates"),
        ("G54", "G54 chooses other coordinates"),
        ("G59.3", "G59.3 chooses other coordinates"),
        ("G92.1", "takes offsets off"),
        ("G10", ""),
        ("G10 P0 S200", "sets offsets or heat"),
        ("G10 L2 P1 X0", "sets offsets or heat"),
        ("M220 S50", ""),
        ("M220 B", "M220 B or R"),
        ("M290 Z0.05", "beside the file"),
        ("M0 Click (to) resume; L", ""),
        ("M1 hello", ""),
        ('M486 A"cube, left"', ""),
        ("M486 S-1", ""),
        ("M104 S200 T1", ""),
        ("F1500", ""),
        ("T1", ""),
        ("M117 G1 G2 X X", ""),
        ("M207 S1 Z0.2 F1800", ""),
    ],
)
def test_what_machines_may_take_differently_is_told(block: str, why: str) -> None:
    """NIST objects to repeated words and to two words of a group (§3.3); firmware picks one, not always the same."""
    unclear = after(block).unclear
    assert why in unclear if why else unclear == ""


def test_a_copy_is_independent() -> None:
    modal = after("G28", "M104 S200", "G1 X5 E2")
    other = modal.copy()
    other.apply(b"M104 S100")
    other.apply(b"G1 X9")
    assert (modal.values["nozzle"], modal.x) == (200, 5)
    assert {n: getattr(other.copy(), n) for n in Modal.__slots__} == {n: getattr(other, n) for n in Modal.__slots__}


@given(st.binary(max_size=60).filter(lambda b: b"\n" not in b))
def test_any_bytes_are_taken_without_an_error(block: bytes) -> None:
    modal = Modal()
    modal.apply(block)
    assert all(math.isfinite(v) for v in place(modal))
