"""How far a run is and how long it still takes, by the survey's times and by what was measured."""

from __future__ import annotations

import io

import pytest
from banderole.plan.schedule import Schedule, load_schedule
from banderole.plan.survey import Survey, survey
from banderole.run.account import Account
from banderole.run.foresight import Foresight, foresee_settling
from banderole.run.thermal import HeaterModel

WALLS = "G1 X60 Y50 E0.5\nG1 X60 Y60 E0.5\nG1 X50 Y60 E0.5\nG1 X50 Y50 E0.5\n"


@pytest.fixture
def schedule(tmp_path: object) -> Schedule:
    file = tmp_path / "s.toml"  # type: ignore[operator]
    file.write_text(
        "[[band]]\nfrom_mm = 0\nto_mm = 3\nnozzle = 230\n[[band]]\nfrom_mm = 3\nto_mm = 6\nnozzle = 224\n"
        "[[band]]\nfrom_mm = 6\nnozzle = 230\n[settle]\ntolerance = 1.5\ndwell_s = 8\n"
    )
    return load_schedule(file, None)


def tower(schedule: Schedule | None) -> Survey:
    """Thirty layers of 0.3 mm, the upper half at half the speed."""
    text = "M104 S230\nG28\nG90\nM83\n"
    for layer in range(1, 31):
        text += f"G1 Z{layer * 0.3:.1f} F{1200 if layer <= 15 else 600}\nG1 X50 Y50\n{WALLS}"
    return survey(io.BytesIO((text + "M104 S0\n").encode()), "tower.gcode", schedule, None)


def test_the_fraction_goes_by_time_and_not_by_blocks(schedule: Schedule) -> None:
    found = tower(schedule)
    foresight, account = Foresight(found), Account(schedule)
    assert foresight.fraction(account) == 0.0
    account.blocks = found.layer_table[15].block - 1
    lower = found.before_s + sum(layer.seconds for layer in found.layer_table[:15])
    assert foresight.done_s(account.blocks) == pytest.approx(lower)
    assert foresight.fraction(account) == pytest.approx(lower / found.seconds)
    assert lower / found.seconds < 0.45
    account.blocks = found.blocks
    assert foresight.fraction(account) == pytest.approx(1.0)
    assert foresight.remaining_s(account, 0.0) == pytest.approx(0.0, abs=1e-9)


def test_it_never_goes_back_and_what_is_done_and_left_is_the_whole(schedule: Schedule) -> None:
    found = tower(schedule)
    foresight, account, before = Foresight(found), Account(schedule), -1.0
    for blocks in range(found.blocks + 1):
        account.blocks = blocks
        done = foresight.done_s(blocks)
        assert done >= before
        assert done + foresight.remaining_s(account, 0.0) == pytest.approx(found.seconds)
        before = done


def test_a_printer_that_is_slower_than_foreseen_takes_longer_for_the_rest(schedule: Schedule) -> None:
    found = tower(schedule)
    foresight, account = Foresight(found), Account(schedule)
    account.blocks = found.layer_table[25].block - 1
    done = foresight.done_s(account.blocks)
    account.enter(1, 0.0)
    account.work(0.0)
    now = 1.5 * (done - found.before_s)
    assert foresight.pace(account, now) == pytest.approx(1.5)
    assert foresight.remaining_s(account, now) == pytest.approx(1.5 * (found.seconds - done))
    assert foresight.pace(account, 1e6) == 3.0  # a clock that was stopped in between


def test_settling_counts_as_foreseen_and_then_as_measured(schedule: Schedule) -> None:
    found = tower(schedule)
    model = HeaterModel()
    model.begin_with({"gain": 330.0, "tau": 180.0})
    foresee_settling(found, schedule, model)
    settle = [row.settle_s for row in found.rows]
    assert settle[0] == pytest.approx(8.0)  # the file has heated to band 1's setpoint: the dwell alone
    assert settle[1] is not None
    assert settle[1] > 8.0
    foresight, account = Foresight(found), Account(schedule)
    assert foresight.remaining_s(account, 0.0) == pytest.approx(found.seconds + sum(s or 0.0 for s in settle))
    account.bands[1].settle_s = 20.0
    account.enter(1, 0.0)
    assert foresight.remaining_s(account, 0.0) == pytest.approx(found.seconds + (settle[1] or 0) + (settle[2] or 0))


def test_of_an_unknown_heater_the_crossings_behind_tell(schedule: Schedule) -> None:
    found = tower(schedule)
    foresee_settling(found, schedule, HeaterModel())
    assert {row.settle_s for row in found.rows} == {None}
    foresight, account = Foresight(found), Account(schedule)
    account.bands[1].settle_s = 12.0
    account.enter(1, 0.0)
    assert foresight.remaining_s(account, 0.0) == pytest.approx(found.seconds + 2 * 12.0)
