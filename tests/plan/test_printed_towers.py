"""The printed towers stay those that were judged, and are files a printer could print."""

from __future__ import annotations

import pytest

from tests.support.printed_towers import PrintedTower, digest, printed
from tests.support.tower_pictures import deposits

FEW = (4, 35)


def test_the_same_seeds_make_the_same_towers() -> None:
    assert digest(FEW) == "e91e880b3861383c8bf9c2994bb9f93a46b8f364df126f8fe47f65170a2b079f"


@pytest.mark.parametrize("seed", [5, 35])
def test_filament_is_laid_from_the_bed_up_and_never_under_what_is_laid(seed: int) -> None:
    tower = printed(seed)
    tops = [piece[5] for piece in deposits(tower.gcode) if piece[0] > 20]  # not the purge at the edge of the bed
    assert tops == sorted(tops)
    assert 0 < tops[0] <= 0.32
    if tower.plinth_mm is not None and tower.rise_mm is not None and tower.count is not None:
        assert tops[-1] == pytest.approx(tower.plinth_mm + tower.rise_mm * tower.count, abs=tower.layer_mm)


def test_an_answer_is_held_to_half_a_layer_at_every_band() -> None:
    tower = PrintedTower(0, "any", b"", 1.0, 8.0, 5, 0.2)
    assert tower.accepts(1.09, 8.0, 5)
    assert tower.accepts(0.95, 8.03, 5)
    assert not tower.accepts(1.0, 8.03, 5)  # the top is 0.15 off
    assert not tower.accepts(1.11, 8.0, 5)
    assert not tower.accepts(1.0, 8.0, 4)
    assert PrintedTower(0, "any", b"", 1.0, 8.0, 5, 0.2, cut=True).accepts(1.0, 8.0, 4)
    assert not PrintedTower(0, "any", b"", None, None, None, 0.2).accepts(1.0, 8.0, 4)
