"""The towers by which finding of steps is judged stay what they are; and what is said to be true of them is."""

from __future__ import annotations

import hashlib

import pytest

from tests.support.stepped_towers import FAMILIES, PLAIN, STEPPED, Tower, tower

SAMPLE = (0, 1, 12, 23, 34, 47, 56, 95)
"""Of different families and manners of writing."""
DIGEST = "319d41c1fef5faaa2a19ec42b335bc3655e0256b5603b744e45610118d9d0d5a"


def test_the_same_bytes_for_ever() -> None:
    digest = hashlib.sha256()
    for seed in SAMPLE:
        digest.update(tower(seed).gcode)
    assert digest.hexdigest() == DIGEST, (
        "files by which the finder was tuned have changed; say why before giving a new digest"
    )


def test_families_follow_the_seed() -> None:
    families = [tower(seed).family for seed in range(FAMILIES)]
    assert families[: len(STEPPED)] == list(STEPPED)
    assert set(families[len(STEPPED) :]) <= set(PLAIN)


@pytest.mark.parametrize("seed", [*range(10), 16, 77, 155])
def test_files_are_neither_short_nor_long(seed: int) -> None:
    assert 4_000 <= tower(seed).gcode.count(b"\n") <= 25_000


@pytest.mark.parametrize("seed", [0, 2, 3, 4, 5, 7])
def test_a_file_reaches_above_its_last_step(seed: int) -> None:
    made = tower(seed)
    if made.plinth_mm is None or made.rise_mm is None or made.count is None:
        pytest.fail("a tower with steps says where they are")
    heights = [float(line.split(b"Z")[1].split()[0]) for line in made.gcode.splitlines() if b" Z" in line]
    top = made.plinth_mm + made.rise_mm * made.count
    assert max(heights) - 5 >= top - made.layer_mm  # the head is lifted by 5 mm at the end


def test_which_answers_are_right() -> None:
    made = Tower(b"", "window", 2.0, 5.0, 6, 0.2)
    assert made.accepts(2.1, 4.9)
    assert not made.accepts(2.2, 5.0)
    assert not made.accepts(2.0, 5.2)
    assert not made.accepts(7.0, 5.0)
    assert Tower(b"", "notch", 2.0, 5.0, 6, 0.2, plain_first=True).accepts(7.0, 5.0)
    assert Tower(b"", "window", 0.0, 5.0, 6, 0.2).accepts(5.0, 5.0)
    assert Tower(b"", "window", 5.0, 5.0, 6, 0.2).accepts(0.0, 5.0)
    assert not Tower(b"", "box", None, None, None, 0.2).accepts(0.0, 5.0)
