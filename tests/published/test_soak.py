"""Guaranteed soak, as makers of temperature controllers document it (also holdback): outside the band the dwell clock
stands, so times are minimum times; a dip in the dwell never shortens the total in tolerance."""

from __future__ import annotations

import math

import pytest
from banderole.run.settle import Settle
from hypothesis import given
from hypothesis import strategies as st

DWELL = 8.0


def settle(**more: float) -> Settle:
    return Settle({"nozzle": 240.0}, {"nozzle": 1.5}, DWELL, 240.0, 0.0, **more)  # type: ignore[arg-type]


@given(inside=st.lists(st.booleans(), min_size=1, max_size=80), every=st.sampled_from([0.05, 0.5, 1.0, 1.7]))
def test_settled_means_the_last_dwell_was_all_inside(inside: list[bool], every: float) -> None:
    """Whatever dips there were: settled exactly when the readings of the last 8 s, at least, were all in tolerance."""
    soak = settle()
    for index, is_inside in enumerate(inside):
        soak.feed({"nozzle": 240.5 if is_inside else 238.0}, index * every)
    unbroken = 0
    for is_inside in reversed(inside):
        if not is_inside:
            break
        unbroken += 1
    expected = (unbroken - 1) * every >= DWELL - 1e-9
    assert (soak.state(len(inside) * every) == "settled") is expected


@given(dip_at=st.integers(0, 7), length=st.integers(1, 5))
def test_a_dip_never_shortens_the_total_in_tolerance(dip_at: int, length: int) -> None:
    soak, total, now = settle(), 0.0, 0.0
    while soak.state(now) != "settled":
        dipped = dip_at <= now < dip_at + length
        soak.feed({"nozzle": 237.0 if dipped else 240.0}, now)
        total += 0.0 if dipped else 1.0
        now += 1.0
    # n readings a second apart span n - 1 s.
    assert total - 1.0 >= DWELL
    assert now - 1.0 == pytest.approx(dip_at + length + DWELL)


def test_the_clock_restarts_at_the_first_reading_back_inside() -> None:
    soak = settle()
    for now, value in [(0, 240), (7, 240), (7.5, 242), (8, 241.5), (15.9, 240)]:
        soak.feed({"nozzle": float(value)}, float(now))
        assert soak.state(now) == "waiting"
    soak.feed({"nozzle": 240.0}, 16.0)
    assert soak.state(16.0) == "settled"
    assert soak.inside_since == 8.0


def test_not_a_number_is_an_excursion() -> None:
    soak = settle()
    for second in range(9):
        soak.feed({"nozzle": 240.0}, float(second))
    soak.feed({"nozzle": math.nan}, 9.0)
    assert soak.state(9.0) == "waiting"
