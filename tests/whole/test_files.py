"""Whole runs of every kind of file: the same part, every deposit at its band's setpoint, heat off at the end."""

from collections.abc import Callable

import pytest

from tests.support import towers
from tests.support.towers import LAYER, How, schedule, tower
from tests.support.whole import Place

pytestmark = pytest.mark.slow

NOZZLE = (("nozzle", 220.0, -8.0),)
STEPS = (0.0, 0.9, 1.8)
BANDS = {"nozzle": (220.0, 212.0, 204.0)}
TOLERANCE = 2.5
"""°C: 1.5 asked for, and what a controller does between two readings a tenth of a second apart, at 150 times the speed."""


def run_whole(place: Place, values: dict[str, tuple[float, ...]] = BANDS, **options: object) -> None:
    with place.bench(**options) as bench, place.run() as run:
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, values, TOLERANCE)
    ended = run.events()[-1]
    assert ended["kind"] == "run_ended"
    assert ended["blocks_sha256"]["file"] == ended["blocks_sha256"]["acknowledged"]


@pytest.mark.parametrize("window", [0, 96])
def test_a_plain_tower_with_and_without_a_window(place: Place, window: int) -> None:
    place.write(tower(), schedule(NOZZLE), serial=f"window_bytes = {window}")
    run_whole(place)


@pytest.mark.parametrize(
    ("how", "e_mode"),
    [
        (How(parts=2), "apart"),
        (How(spiral=True), "apart"),
        (How(arcs=True), "apart"),
        (How(inches=True), "apart"),
        (How(inches=True, relative_e=False), "joined"),
        (How(relative_e=False, relative_hop=True), "apart"),
        (How(relative_e=False, relative_hop=True), "joined"),
        (How(relative_e=True, relative_hop=True), "apart"),
        (How(relative_e=True, relative_hop=True), "joined"),
        (How(relative_e=True, mode_last="G90"), "apart"),
        (How(relative_e=False, mode_last="G90"), "joined"),
    ],
    ids=str,
)
def test_the_same_part_in_every_way_of_writing_it(place: Place, how: How, e_mode: str) -> None:
    place.write(tower(how), schedule(NOZZLE), e_mode=e_mode)
    run_whole(place)


@pytest.mark.parametrize("spelling", [towers.crlf, towers.lower, towers.numbered, towers.spaced])
def test_the_same_file_in_every_spelling(place: Place, spelling: Callable[[str], bytes]) -> None:
    place.write(spelling(tower()), schedule(NOZZLE))
    run_whole(place)
