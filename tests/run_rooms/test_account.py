"""The books of a run: what the printer has taken, and what each band has really got."""

from __future__ import annotations

import hashlib
import statistics
from pathlib import Path

import pytest
from banderole.plan.blocks import Block
from banderole.plan.config import load_printer
from banderole.plan.schedule import Schedule, load_schedule
from banderole.run.account import Account
from banderole_protocol.motion import PLANNER_MOST
from hypothesis import given
from hypothesis import strategies as st

EXAMPLES = Path(__file__).parents[2] / "examples"
SCHEDULE = """\
[stairs]
plinth_mm = 1.2
rise_mm = 7.5
count = 3
nozzle = { first = 240, change = -5 }
[settle]
tolerance = 1.5
"""


@pytest.fixture(scope="module")
def schedule(tmp_path_factory: pytest.TempPathFactory) -> Schedule:
    file = tmp_path_factory.mktemp("schedule") / "tower.toml"
    file.write_text(SCHEDULE)
    return load_schedule(file, load_printer(EXAMPLES / "bench-a.toml"))


def test_the_digest_is_of_what_was_taken(schedule: Schedule) -> None:
    account = Account(schedule)
    for line, text in enumerate((b"G28", b"G1 X1 E1", b"M104 S0"), 1):
        account.taken(Block(line, text, 0.5))
    assert account.digest == hashlib.sha256(b"G28\nG1 X1 E1\nM104 S0\n").hexdigest()
    assert (account.blocks, account.seconds) == (3, 1.5)


def test_what_may_still_be_carried_out_is_that_of_the_last_blocks(schedule: Schedule) -> None:
    account = Account(schedule)
    for line in range(100):
        account.taken(Block(line, b"G1 X1", float(line)))
    assert account.planned_s() == sum(range(100 - PLANNER_MOST, 100))


def test_what_was_drained_is_under_way_no_longer(schedule: Schedule) -> None:
    account = Account(schedule)
    account.taken(Block(1, b"G1 X1", 4.0))
    account.drained(1.0)
    assert (account.planned_s(), account.longest_s(), account.seconds) == (0.0, 0.0, 4.0)


def test_filament_belongs_to_the_band_at_work(schedule: Schedule) -> None:
    """What is laid before any band is entered (there is none: band 1 begins with the first deposit) is nobody's."""
    account = Account(schedule)
    account.taken(Block(1, b"G1 X1 E9", 1.0, 9.0))
    account.enter(1, 0.0)
    account.taken(Block(2, b"G1 X2 E2", 1.0, 2.0))
    account.enter(2, 1.0)
    account.taken(Block(3, b"G1 X3 E3", 1.0, 3.0))
    account.taken(Block(4, b"G1 X4", 1.0))
    assert [account.bands[n].filament_mm for n in (1, 2, 3)] == [2.0, 3.0, 0.0]
    assert [band["state"] for band in account.as_bands()] == ["done", "at work", "ahead"]
    account.complete = True
    assert [band["state"] for band in account.as_bands()] == ["done", "done", "ahead"]


@given(st.lists(st.floats(230, 250), min_size=1, max_size=40))
def test_readings_against_plain_statistics(schedule: Schedule, measured: list[float]) -> None:
    account = Account(schedule)
    account.enter(1, 0.0)
    account.work(0.0)
    for one in measured:
        account.reading(one, 240.0)
    told = account.bands[1].as_json()
    assert told["nozzle"]["mean"] == pytest.approx(statistics.fmean(measured), abs=0.006)
    assert told["nozzle"]["least"] == pytest.approx(min(measured), abs=0.006)
    assert told["nozzle"]["most"] == pytest.approx(max(measured), abs=0.006)
    inside = sum(238.5 <= one <= 241.5 for one in measured) / len(measured)
    assert told["in_tolerance"] == pytest.approx(inside, abs=0.0001 + 1e-9)


def test_only_what_is_measured_while_it_is_laid_down_counts(schedule: Schedule) -> None:
    account = Account(schedule)
    account.reading(300.0, 240.0)
    account.enter(1, 0.0)
    account.reading(300.0, 240.0)  # entered and not yet at work
    account.work(10.0)
    account.work(12.0)  # said twice
    account.reading(240.0, 240.0)
    account.rest(20.0)
    account.rest(25.0)
    account.reading(300.0, 240.0)  # a hold
    account.work(30.0)
    account.reading(242.0, 240.0)
    account.enter(2, 35.0)
    told = account.bands[1].as_json()
    assert told["nozzle"] == {"mean": 241.0, "least": 240.0, "most": 242.0}
    assert told["in_tolerance"] == 0.5
    assert told["seconds"] == 15.0


def test_what_was_not_read_is_not_told(schedule: Schedule) -> None:
    """A band without a reading has no mean, and no share in tolerance either: not 0 and not 1."""
    told = Account(schedule).bands[3].as_json()
    assert told["nozzle"] is None
    assert told["in_tolerance"] is None
    assert told["settle_s"] is None


def test_a_band_that_is_entered_again_goes_on(schedule: Schedule) -> None:
    """Parts in turn: back at the lower height, the band's books are the same."""
    account = Account(schedule)
    for turn in range(2):
        for band in (1, 2):
            account.enter(band, 100.0 * turn + 10 * band)
            account.work(100.0 * turn + 10 * band)
            account.taken(Block(1, b"G1 X1 E1", 1.0, 1.0))
            account.rest(100.0 * turn + 10 * band + 5)
    assert [account.bands[n].seconds for n in (1, 2)] == [10.0, 10.0]
    assert [account.bands[n].filament_mm for n in (1, 2)] == [2.0, 2.0]
