"""Heights that have been laid: what a layer lies on, and that no file makes them grow without bound."""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import pairwise

import pytest
from banderole.plan.heights import FLAT_MM, HEIGHTS_MOST, THICK_MM, Heights
from hypothesis import given
from hypothesis import strategies as st

MANY = 60_000
SOURCES: dict[str, Callable[[int], float]] = {
    "up": lambda n: (n + 1) * 0.2,
    "up by next to nothing": lambda n: (n + 1) * 0.0002,
    "down": lambda n: (MANY - n) * 0.0002,
    "up and down": lambda n: n * 0.0002 if n % 2 else 0.1,
    "anyhow": lambda n: (n + 1) * 2654435761 % (1 << 32) / (1 << 32) * 1000.0,
    "out of this world": lambda n: 1.5 ** (n % 500),
}


@pytest.mark.parametrize("source", SOURCES)
def test_memory_and_time_have_a_bound(source: str) -> None:
    """Each height is taken in the same time, however many there were; a list without bound took twenty times as long."""
    heights, began = Heights(), time.process_time()
    for n in range(MANY):
        z = SOURCES[source](n)
        assert heights.below(z) < z
        heights.lay(z)
    assert time.process_time() - began < 60e-6 * MANY
    assert len(heights._ever) <= HEIGHTS_MOST
    assert len(heights._laid) <= HEIGHTS_MOST


def test_thinning_leaves_layers_alone() -> None:
    """A tower of 0.2 mm, then 20,000 heights in four millimetres: the tower's layers still lie on each other."""
    heights = Heights()
    tower = [round(0.2 * n, 1) for n in range(1, 200)]
    for z in tower:
        heights.lay(z)
    for n in range(20_000):
        heights.lay(1.0 + n * 0.0002)
    for below, z in pairwise(tower[40:]):
        assert heights.below(z) == pytest.approx(below, abs=FLAT_MM)
        heights.lay(z)


@given(st.lists(st.integers(1, 400).map(lambda n: n / 20), max_size=60))
def test_a_layer_lies_on_the_last_thing_laid_that_is_lower(order: list[float]) -> None:
    """Against the whole history, looked through from its end."""
    heights, history = Heights(), list[float]()
    for z in order:
        lower = next((one for one in reversed(history) if one < z - FLAT_MM), 0.0)
        if z - lower > THICK_MM:
            lower = max((one for one in history if one < z - FLAT_MM), default=0.0)
        assert heights.below(z) == lower
        heights.lay(z)
        history.append(z)
