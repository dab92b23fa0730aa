"""How fast the hot path takes a stretch of plain moves: file → blocks → modal state → itinerary.

`python -m tests.benchmarks.test_blocks_per_second` prints the figures. A printer takes some hundred lines a second at most;
the survey reads the whole file before a run, and a million blocks should not make a person wait.
"""

from __future__ import annotations

import io
import random
import time
from collections.abc import Callable

import pytest
from banderole.plan.blocks import blocks_of
from banderole.plan.itinerary import Itinerary
from banderole_protocol.modal import Modal

BLOCKS = 60_000
LEAST = 25_000
"""Blocks a second that any machine should reach, however busy: a tenth of what an idle server core does."""


def tower() -> bytes:
    chance = random.Random(1)
    moves = (
        b"G1 X%.3f Y%.3f E%.5f\n" % (chance.uniform(50, 99), chance.uniform(50, 99), 0.0321) for _ in range(BLOCKS)
    )
    return b"G90\nM83\nG1 Z0.2 F1200\n" + b"".join(moves)


def read(text: bytes) -> None:
    for _ in blocks_of(io.BytesIO(text), "tower.gcode"):
        pass


def follow(text: bytes) -> None:
    apply = Modal("apart").apply
    for block in text.splitlines():
        apply(block)


def whole(text: bytes) -> None:
    for _ in Itinerary(blocks_of(io.BytesIO(text), "tower.gcode"), None, "apart").items():
        pass


WAYS: dict[str, Callable[[bytes], None]] = {"read": read, "modal state": follow, "read and itinerary": whole}


def best(way: Callable[[bytes], None], text: bytes) -> float:
    """Blocks a second, the best of three."""
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        way(text)
        taken.append(time.perf_counter() - began)
    return BLOCKS / min(taken)


@pytest.mark.slow
def test_the_hot_path_is_fast_enough() -> None:
    assert best(whole, tower()) > LEAST


if __name__ == "__main__":
    made = tower()
    for name, way in WAYS.items():
        print(f"{name:20} {best(way, made):10,.0f} blocks/s")
