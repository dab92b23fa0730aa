"""Going aside and coming back: whatever mode the file is in, afterwards the machine is as it was.

What is written is carried out by the project's own modal state and by the second interpreter of tests/support, which
shares no code with it. The rules themselves are the project's own.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from banderole.plan.config import Printer, load_printer
from banderole.plan.survey import CLEARANCE_MM
from banderole.run.aside import FILAMENT_SPEED, NUDGE_LIFT_MM, NUDGE_MM, PURGE_SPEED, Z_SPEED, Excursion
from banderole_protocol.modal import EMode, Modal
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.support.reference_interpreter import Machine

EXAMPLES = Path(__file__).parents[2] / "examples"
PRINTER = load_printer(EXAMPLES / "bench-a.toml")
NEAR_MM = 2e-4
MODES = re.compile(rb"[GM](?:20|21|90|91|82|83|17|18|19)\b")


def printer(lift: float = 5.0, retract: float = 2.0) -> Printer:
    aside = PRINTER.aside.model_copy(update={"lift": lift, "retract": retract})
    return PRINTER.model_copy(update={"aside": aside})


@st.composite
def programs(draw: st.DrawFn) -> list[str]:
    """A way into some modal state: homed, moved, renamed, in any mode, with filament forward or back."""
    number = st.floats(0.4, 80, allow_nan=False).map(lambda value: round(value, 4))
    blocks = ["G28", f"G1 X{draw(number)} Y{draw(number)} Z{draw(number)} F{draw(st.integers(60, 9000))}"]
    renames = st.builds(lambda axis, value: f"G92 {axis}{value}", st.sampled_from("XYZE"), number)
    modes = st.sampled_from(["G90", "G91", "G20", "G21", "M82", "M83"])
    moves = st.builds(lambda e: f"G1 E{e}", st.floats(-0.2, 0.4).map(lambda value: round(value, 5)))
    back = st.sampled_from(["G10", "G11"])
    return blocks + draw(st.lists(renames | modes | moves | back, max_size=9))


def both(program: list[str], e_mode: EMode) -> tuple[Modal, Machine]:
    modal, machine = Modal(e_mode), Machine(joined=e_mode == "joined")
    for block in program:
        modal.apply(block.encode())
        machine.run(block)
    return modal, machine


def told(modal: Modal) -> dict[str, float]:
    return {axis: modal.told(axis, getattr(modal, axis.lower())) * modal.scale for axis in "XYZE"}


def modes(modal: Modal) -> tuple[object, ...]:
    return modal.relative, modal.e_relative, modal.scale, modal.plane, modal.firmware_back, modal.known, modal.tool


@pytest.mark.slow
@settings(max_examples=400, deadline=None)
@given(
    program=programs(),
    e_mode=st.sampled_from(["joined", "apart"]),
    top=st.floats(0, 200),
    place=st.tuples(st.floats(0, 220), st.floats(0, 220)),
    lift=st.floats(0.5, 20),
    retract=st.floats(0, 6).map(lambda value: round(value, 3)),
    purge=st.sampled_from([0.0, 0.0, 12.5, 3.33333]),
    warm=st.booleans(),
    nudges=st.integers(0, 3),
)
def test_everything_is_as_it_was(
    program: list[str],
    e_mode: EMode,
    top: float,
    place: tuple[float, float],
    lift: float,
    retract: float,
    purge: float,
    warm: bool,
    nudges: int,
) -> None:
    here, machine = both(program, e_mode)
    now, at = here.copy(), dict(machine.at)
    went = Excursion(here.copy(), top, printer(lift, retract), place)
    blocks = went.away(warm)
    for _ in range(nudges):
        blocks += went.nudge()
    if warm:
        blocks += went.push(purge) + went.pull(purge)
    travels = len(blocks)
    blocks += went.back(warm)
    clear = max(top, here.z) + CLEARANCE_MM - NEAR_MM
    for index, block in enumerate(blocks):
        assert MODES.search(block) is None, block
        assert block.startswith((b"G1 ", b"G92 E", b"G10", b"G11")), block
        before = now.x, now.y, now.z
        now.apply(block)
        machine.run(block.decode())
        assert now.net <= purge + NEAR_MM  # nothing is laid but what is pushed out on purpose
        for axis, edge in (("x", 220), ("y", 220), ("z", 250)):
            assert -NEAR_MM <= getattr(now, axis) <= edge + NEAR_MM, block
        if went.away_from_part and (now.x, now.y) != before[:2]:
            assert before[2] >= clear, block
            assert now.z == before[2], block
        if went.away_from_part and index < travels and now.fed > 0:
            assert (now.x, now.y) == pytest.approx(place, abs=NUDGE_MM + NEAR_MM), block
    assert (now.x, now.y, now.z) == pytest.approx((here.x, here.y, here.z), abs=NEAR_MM)
    assert told(now) == pytest.approx(told(here), abs=NEAR_MM)
    assert now.debt == pytest.approx(here.debt, abs=NEAR_MM)
    assert modes(now) == modes(here)
    if here.feed:
        assert now.feed == pytest.approx(here.feed, abs=1e-3)
    for axis in "XYZ":
        assert float(machine.at[axis]) == pytest.approx(float(at[axis]), abs=NEAR_MM)
    assert float(machine.pulled_back) == pytest.approx(here.debt, abs=NEAR_MM)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(program=programs(), e_mode=st.sampled_from(["joined", "apart"]), times=st.integers(1, 40))
def test_many_excursions_do_not_drift(program: list[str], e_mode: EMode, times: int) -> None:
    """A long tower has forty crossings; rounding must not add up to what an eye or a flow can see."""
    here, _ = both(program, e_mode)
    now = here.copy()
    for _ in range(times):
        went = Excursion(now.copy(), now.z, PRINTER, (200.0, 200.0))
        for block in went.away(True) + went.push(1.5) + went.pull(1.5) + went.back(True):
            now.apply(block)
    assert (now.x, now.y, now.z) == pytest.approx((here.x, here.y, here.z), abs=times * 1e-5)
    assert told(now) == pytest.approx(told(here), abs=times * 1e-5)
    assert now.debt == pytest.approx(here.debt, abs=times * 1e-5)


def homed(*blocks: str, e_mode: EMode = "apart") -> Modal:
    return both(["G28", "G1 X50 Y60 Z10 F1800", *blocks], e_mode)[0]


def test_a_plain_excursion_word_for_word() -> None:
    went = Excursion(homed("M82", "G92 E0", "G1 E5"), 12.0, PRINTER, (10.0, 20.0))
    assert went.away(True) == [b"G1 E3 F1800", b"G1 Z17 F600", b"G1 X10 Y20 F7200"]
    assert went.push(4.0) == [b"G1 E5 F1800", b"G1 E9 F180"]
    assert went.pull(4.0) == [b"G1 E7 F1800", b"G92 E3"]
    assert went.back(True) == [b"G1 X50 Y60 F7200", b"G1 Z10 F600", b"G1 E5 F1800"]
    assert (FILAMENT_SPEED, PURGE_SPEED, Z_SPEED) == (30.0, 3.0, 10.0)


def test_in_a_relative_file_after_g92_and_in_inches() -> None:
    went = Excursion(homed("G92 X0 Y0", "G91", "M83", "G20"), 10.0, PRINTER, (75.4, 60.0))
    assert went.away(True)[1:] == [b"G1 Z0.1968504 F23.6220472", b"G1 X1 Y0 F283.4645669"]


def test_filament_that_the_file_has_pulled_back_is_not_pulled_again() -> None:
    went = Excursion(homed("M83", "G1 E2", "G1 E-0.8"), 10.0, PRINTER, (10.0, 20.0))
    assert went.away(True) == [b"G1 Z15 F600", b"G1 X10 Y20 F7200"]
    assert went.push(0.0) == [b"G1 E0.8 F1800"]
    assert went.pull(0.0) == [b"G1 E-0.8 F1800"]


def test_firmware_retraction_is_undone_and_done_again() -> None:
    went = Excursion(homed("M83", "G10"), 10.0, PRINTER, (10.0, 20.0))
    assert not any(b"E" in block for block in went.away(True))
    assert went.push(3.0) == [b"G11", b"G1 E3 F180"]
    assert went.pull(3.0)[-1] == b"G10"


def test_a_cold_nozzle_moves_no_filament() -> None:
    went = Excursion(homed("M83"), 10.0, PRINTER, (10.0, 20.0))
    assert not any(b"E" in block for block in went.away(False) + went.back(False))


@pytest.mark.parametrize("known", ["", "X", "XY", "YZ"])
def test_axes_that_are_not_homed_stay_where_they_are(known: str) -> None:
    modal = homed()
    modal.known = known
    went = Excursion(modal, 10.0, PRINTER, (10.0, 20.0))
    assert not went.away_from_part
    assert went.away(False) == []
    moved = b" ".join(went.nudge())
    assert (b"X" in moved) is (b"Y" in moved) is ("X" in known and "Y" in known)
    assert b"Z" not in moved or "Z" in known


def test_a_part_as_high_as_the_volume_is_not_passed_over() -> None:
    """Within the clearance of the top there is no way above the part: it waits in place, and lifts no higher than it may."""
    went = Excursion(homed(), 250.0 - CLEARANCE_MM / 2, PRINTER, (10.0, 20.0))
    assert not went.away_from_part
    assert went.away(True) == [b"G1 E-2 F1800"]


def test_the_lift_ends_at_the_top_of_the_volume() -> None:
    went = Excursion(homed(), 248.0, PRINTER, (10.0, 20.0))
    assert went.away(False)[0] == b"G1 Z250 F600"


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(st.floats(0, 220), st.floats(0, 220), st.floats(0, 250), st.booleans())
def test_a_nudge_stays_inside_and_ends_where_it_began(x: float, y: float, z: float, relative: bool) -> None:
    here = homed(f"G1 X{x:.4f} Y{y:.4f} Z{z:.4f}", "G91" if relative else "G90")
    blocks = Excursion(here.copy(), 0.0, PRINTER, None).nudge()
    assume(blocks)
    now, furthest = here.copy(), 0.0
    for block in blocks:
        now.apply(block)
        assert -NEAR_MM <= now.x <= 220 + NEAR_MM
        assert -NEAR_MM <= now.y <= 220 + NEAR_MM
        assert now.z <= 250 + NEAR_MM
        furthest = max(furthest, abs(now.x - here.x), abs(now.y - here.y))
        if abs(now.x - here.x) > NEAR_MM and here.z + NUDGE_LIFT_MM <= 250:
            assert now.z == pytest.approx(here.z + NUDGE_LIFT_MM, abs=NEAR_MM)  # off the part before it moves sideways
    assert furthest == pytest.approx(NUDGE_MM, abs=NEAR_MM)
    assert (now.x, now.y, now.z) == pytest.approx((here.x, here.y, here.z), abs=NEAR_MM)
