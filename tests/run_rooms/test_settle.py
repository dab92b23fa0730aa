"""Settle beyond the published soak: several channels, heating only, patience, holes between readings."""

from __future__ import annotations

import pytest
from banderole.run.settle import Settle

BOTH = {"nozzle": 240.0, "bed": 80.0}
NEAR = {"nozzle": 1.5, "bed": 3.0}


def test_every_channel_has_to_be_inside_at_the_same_time() -> None:
    soak = Settle(BOTH, NEAR, 5.0, 100.0, 0.0)
    for second in range(8):
        soak.feed({"nozzle": 240.0, "bed": 80.0 if second >= 4 else 70.0}, float(second))
    assert soak.state(7.0) == "waiting"
    assert soak.inside_since == 4.0
    soak.feed({"nozzle": 240.0, "bed": 80.0}, 9.0)
    assert soak.state(9.0) == "settled"


def test_a_channel_never_read_is_not_settled() -> None:
    soak = Settle(BOTH, NEAR, 0.0, 100.0, 0.0)
    soak.feed({"nozzle": 240.0, "chamber": 40.0}, 1.0)
    assert soak.state(1.0) == "waiting"
    assert soak.inside_since is None
    assert soak.outside() == ("bed",)


def test_time_without_readings_proves_nothing() -> None:
    soak = Settle({"nozzle": 240.0}, NEAR, 8.0, 100.0, 0.0)
    soak.feed({"nozzle": 240.0}, 0.0)
    assert soak.state(60.0) == "waiting"


def test_a_hole_between_readings_restarts_the_dwell() -> None:
    soak = Settle({"nozzle": 240.0}, NEAR, 8.0, 100.0, 0.0, max_gap_s=3.0)
    for now in (0.0, 3.0, 6.0, 9.5):
        soak.feed({"nozzle": 240.0}, now)
    assert soak.state(9.5) == "waiting"
    assert soak.inside_since == 9.5


def test_patience_makes_it_late_and_it_may_still_settle() -> None:
    soak = Settle({"nozzle": 240.0}, NEAR, 2.0, 30.0, 100.0)
    assert soak.next_deadline() == 130.0
    assert soak.state(129.9) == "waiting"
    assert soak.state(130.0) == "late"
    for now in (131.0, 132.0, 133.0):
        soak.feed({"nozzle": 239.0}, now)
    assert soak.state(133.0) == "settled"
    soak.feed({"nozzle": 230.0}, 134.0)
    assert soak.state(134.0) == "late"


@pytest.mark.parametrize(("measured", "settled"), [(236.9, False), (237.0, True), (240.0, True), (265.0, True)])
def test_heating_only_is_content_with_warmer(measured: float, settled: bool) -> None:
    soak = Settle({"nozzle": 240.0}, {"nozzle": 3.0}, 0.0, 10.0, 0.0, heating_only=frozenset({"nozzle"}))
    soak.feed({"nozzle": measured}, 1.0)
    assert (soak.state(1.0) == "settled") is settled


@pytest.mark.parametrize("measured", [238.5, 241.5])
def test_the_edge_of_tolerance_is_inside(measured: float) -> None:
    soak = Settle({"nozzle": 240.0}, {"nozzle": 1.5}, 0.0, 10.0, 0.0)
    soak.feed({"nozzle": measured}, 1.0)
    assert soak.state(1.0) == "settled"


def test_malformed_wishes_are_refused_in_one_line() -> None:
    with pytest.raises(ValueError, match="no target"):
        Settle({}, {}, 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="no tolerance for bed"):
        Settle(BOTH, {"nozzle": 1.0}, 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="must not be negative"):
        Settle(BOTH, NEAR, -1.0, 1.0, 0.0)
