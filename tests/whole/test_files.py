"""Whole runs of every kind of file: the same part, every deposit at its band's setpoint, heat off at the end."""

from collections.abc import Callable
from concurrent.futures import Future
from functools import partial

import pytest

from tests.support import towers
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, How, schedule, tower
from tests.support.whole import PATIENCE_S, Place

pytestmark = pytest.mark.slow


def run_whole(place: Place, values: dict[str, tuple[float, ...]] = BANDS) -> None:
    """To the end, and judged."""
    with place.bench() as bench, place.run() as run:
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, values, TOLERANCE)
    ended = run.events()[-1]
    assert ended["kind"] == "run_ended"
    assert ended["blocks_sha256"]["file"] == ended["blocks_sha256"]["acknowledged"]


def plain(place: Place, *, window: int) -> None:
    place.write(tower(), schedule(NOZZLE), serial=f"window_bytes = {window}")
    run_whole(place)


def written(place: Place, *, how: How, e_mode: str) -> None:
    place.write(tower(how), schedule(NOZZLE), e_mode=e_mode)
    run_whole(place)


def spelled(place: Place, *, spelling: Callable[[str], bytes]) -> None:
    place.write(spelling(tower()), schedule(NOZZLE))
    run_whole(place)


def own_nozzle(place: Place, *, block: str) -> None:
    """The file sets the nozzle in the middle of bands 1 and 2: it goes out as it stands, then the band's value again."""
    place.write(tower(How(inside=((2, block), (5, block)))), schedule(NOZZLE))
    with place.bench() as bench, place.run() as run:
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)
    assert run.kinds().count("file_setpoint_reasserted") == 2


def own_fan_and_flow(place: Place) -> None:
    inside = ((2, "M106 S255"), (5, "M221 S90"), (8, "M107"))
    channels = (("fan", 20.0, 20.0), ("flow", 96.0, 4.0))
    place.write(tower(How(inside=inside, waits=True, nozzle=215)), schedule(channels, stance="in-place"))
    # The fan acts when the motion reaches it: else the file's own last M107 acts on motions before it, as it always did.
    with place.bench(fan_synced="true") as bench, place.run() as run:
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    values = {"fan": (51.0, 102.0, 153.0), "flow": (96.0, 100.0, 104.0)}
    place.verdict(log).all_of_it(LAYER, STEPS, values, TOLERANCE)
    assert [row["value"] for row in log.kind("setpoint") if row["channel"] == "flow"][-1] == 100, "flow is not put back"


CASES = {
    "plain, stop and wait": partial(plain, window=0),
    "plain, a window of 96 bytes": partial(plain, window=96),
    "two parts in turn": partial(written, how=How(parts=2), e_mode="apart"),
    "a spiral": partial(written, how=How(spiral=True), e_mode="apart"),
    "a spiral, absolute E": partial(written, how=How(spiral=True, relative_e=False), e_mode="joined"),
    "arcs": partial(written, how=How(arcs=True), e_mode="apart"),
    "inches": partial(written, how=How(inches=True), e_mode="apart"),
    "inches, absolute E": partial(written, how=How(inches=True, relative_e=False), e_mode="joined"),
    "absolute E, G91 hops, apart": partial(written, how=How(relative_e=False, relative_hop=True), e_mode="apart"),
    "absolute E, G91 hops, joined": partial(written, how=How(relative_e=False, relative_hop=True), e_mode="joined"),
    "relative E, G91 hops, apart": partial(written, how=How(relative_hop=True), e_mode="apart"),
    "relative E, G91 hops, joined": partial(written, how=How(relative_hop=True), e_mode="joined"),
    "M83 then G90, apart": partial(written, how=How(mode_last="G90"), e_mode="apart"),
    "M83 then G90, joined": partial(written, how=How(mode_last="G90", relative_e=False, says="M83"), e_mode="joined"),
    "M109 and M190 of the file": partial(written, how=How(waits=True, bed=50, nozzle=230), e_mode="apart"),
    "CR and LF": partial(spelled, spelling=towers.crlf),
    "lower case": partial(spelled, spelling=towers.lower),
    "line numbers of its own": partial(spelled, spelling=towers.numbered),
    "blanks, tabs, no last newline": partial(spelled, spelling=towers.spaced),
    "its own M104 in the middle": partial(own_nozzle, block="M104 S230"),
    "its own M109 in the middle": partial(own_nozzle, block="M109 S226"),
    "its own fan and flow in the middle": own_fan_and_flow,
}


@pytest.mark.parametrize("case", CASES)
def test_the_same_part_and_the_right_band(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
