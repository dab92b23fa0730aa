"""Commands and signals at seeded random moments of whole runs, also while heating, in a crossing and while held.

An abort's heat-off is on the wire within half a second, whatever was going on; a hold loses nothing.
"""

import signal
import time
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from random import Random

import pytest

from tests.faults import rows
from tests.support.judge import Verdict
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, How, schedule, tower
from tests.support.whole import PATIENCE_S, UNHURRIED, Bench, Place, Run, heat_off_delay, is_heat_off

pytestmark = pytest.mark.slow

HEAT_OFF_WITHIN_S = 0.5
SIDES = 4  # deposits of one layer


# ---- moments


def printing(bench: Bench, run: Run, chance: Random) -> None:
    run.wait_for("band_entered")
    bench.wait_for(chance.randint(60, 125))


def heating(bench: Bench, run: Run, chance: Random) -> None:
    """While the run waits for what the file meant as M109."""
    run.wait_for("setpoint_confirmed", channel="nozzle")
    time.sleep(chance.uniform(0.0, 0.8))
    assert "pre_wait" not in run.kinds()


def crossing(bench: Bench, run: Run, chance: Random) -> None:
    run.wait_for("crossing_begun", band=2)
    time.sleep(chance.uniform(0.0, 0.4))


def held(bench: Bench, run: Run, chance: Random) -> None:
    printing(bench, run, chance)
    assert run.ask("hold")["accepted"]
    run.wait_for("held")
    time.sleep(chance.uniform(0.0, 0.3))


def unhurried(moment: Callable[[Bench, Run, Random], None]) -> dict[str, float]:
    """A board's manners under which that moment does not pass before the order comes."""
    return {**UNHURRIED, "heat_speed": 2.0} if moment is heating else UNHURRIED


MOMENTS = (printing, heating, crossing, held)
ORDERS: dict[str, Callable[[Run], object]] = {
    "abort": lambda run: run.ask("abort"),
    "estop": lambda run: run.ask("estop"),
    "SIGINT": lambda run: run.signal(signal.SIGINT),
    "SIGTERM": lambda run: run.signal(signal.SIGTERM),
}


# ---- cases


def ended_at_once(place: Place, *, moment: Callable[[Bench, Run, Random], None], order: str) -> None:
    """Heat off first, in time; nothing of the file after it; what was done until then is the file's."""
    chance = Random(f"{order} {moment.__name__}")
    place.write(tower(How(waits=moment is heating)), schedule(NOZZLE))
    with place.bench(**unhurried(moment)) as bench, place.run() as run:
        moment(bench, run, chance)
        asked = time.monotonic()
        answer = ORDERS[order](run)
        assert answer is None or (isinstance(answer, dict) and answer["accepted"]), answer
        assert run.end() == 4, run.stderr()
        log = bench.stop()
    verdict = place.verdict(log, whole=False)
    partly(verdict)
    assert heat_off_delay(bench, log, asked) <= HEAT_OFF_WITHIN_S
    assert not verdict.file_commands_since(bench.zero, asked + HEAT_OFF_WITHIN_S), "the file went on after the order"
    ended = run.events()[-1]
    assert (ended["kind"], ended["exit"], ended["state"]) == ("run_ended", 4, "Aborted")


def partly(verdict: Verdict) -> None:
    verdict.same_part()
    verdict.right_band(LAYER, STEPS, BANDS, TOLERANCE)
    verdict.travel_clear()
    verdict.heat_off()


def stopped(place: Place, *, moment: Callable[[Bench, Run, Random], None]) -> None:
    """In order: the layer in work is finished, then aside and heat off."""
    place.write(tower(How(waits=moment is heating)), schedule(NOZZLE))
    with place.bench(**unhurried(moment)) as bench, place.run() as run:
        moment(bench, run, Random(f"stop {moment.__name__}"))
        assert run.ask("stop")["accepted"]
        assert run.end() == 4, run.stderr()
        log = bench.stop()
    verdict = place.verdict(log, whole=False)
    partly(verdict)
    if moment is not held:
        assert len(log.deposits) % SIDES == 0, f"{len(log.deposits)} sides are no whole layers"
    assert len(log.deposits) < 9 * SIDES, "it went on to the end"
    assert run.events()[-1]["state"] == "Stopped"


def held_at_a_band(place: Place, *, band: int) -> None:
    """The hold comes before anything of the band is laid down; after it the tower goes on where it was."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench() as bench, place.run() as run:
        run.wait_for("run_started")
        assert run.ask("hold", at=f"band:{band}")["accepted"]
        run.wait_for("held")
        time.sleep(0.3)
        laid = len(bench.log().deposits)
        assert run.ask("status")["status"]["state"] == "Held"
        assert run.ask("resume")["accepted"]
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    assert laid == 3 * SIDES * (band - 1)
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def held_many_times(place: Place, *, seed: int) -> None:
    """At random moments, at once or at the next layer: the part is as if it had never been held."""
    chance = Random(seed)
    place.write(tower(How(arcs=bool(seed % 2), relative_e=seed % 3 > 0)), schedule(NOZZLE))
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("run_started")
        for number in (1, 2, 3):
            bench.wait_for(bench.commands_begun() + chance.randint(1, 16))
            assert run.ask("hold", at=chance.choice(("now", "layer")))["accepted"]
            run.wait_for("held", number)
            time.sleep(chance.uniform(0.0, 0.3))
            assert run.ask("resume")["accepted"]
            run.wait_for("resumed", number)
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def held_in(place: Place, *, moment: Callable[[Bench, Run, Random], None]) -> None:
    """A hold while something is waited for: afterwards it is waited for again, and the tower goes on."""
    place.write(tower(How(waits=moment is heating)), schedule(NOZZLE))
    with place.bench(**unhurried(moment)) as bench, place.run() as run:
        moment(bench, run, Random(f"hold {moment.__name__}"))
        assert run.ask("hold")["accepted"]
        run.wait_for("held")
        time.sleep(0.3)
        assert run.ask("resume")["accepted"]
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def held_until_cold(place: Place) -> None:
    """A long hold lets the nozzle cool; resume heats and settles before the tower goes on."""
    place.write(tower(), schedule(NOZZLE), more=place.usual + "[hold]\nnozzle_off_after_s = 0.3\n")
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("band_entered", band=2)
        assert run.ask("hold")["accepted"]
        run.wait_for("held")
        time.sleep(1.0)
        cold = [row for row in bench.log().kind("setpoint") if row["channel"] == "nozzle"][-1]
        assert run.ask("resume")["accepted"]
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    assert cold["value"] == 0.0
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def held_point(place: Place) -> None:
    """A hold point of the schedule; stop from there."""
    text = schedule(NOZZLE) + '[[hold_point]]\nbefore_band = 3\nnote = "look"\n'
    place.write(tower(), text)
    with place.bench() as bench, place.run() as run:
        run.wait_for("hold_point")
        run.wait_for("held")
        assert run.ask("stop")["accepted"]
        assert run.end() == 4, run.stderr()
        log = bench.stop()
    partly(place.verdict(log, whole=False))
    assert len(log.deposits) == 6 * SIDES


def refused_when_it_makes_no_sense(place: Place) -> None:
    """A command the state does not allow is refused with a reason, and changes nothing."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("band_entered")
        for command, words in (("resume", {}), ("hold", {"at": "band:9"}), ("dance", {})):
            answer = run.ask(command, **words)
            assert not answer["accepted"], command
            assert answer["exit"] == 3
            assert answer["reason"]
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def second_interrupt(place: Place) -> None:
    """The first aborts; the second is the printer's own emergency stop."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("band_entered")
        run.signal(signal.SIGINT)
        time.sleep(0.02)
        run.signal(signal.SIGINT)
        assert run.end() == 4, run.stderr()
        log = bench.stop()
    partly(place.verdict(log, whole=False))
    heat_off = [row["raw"] for row in log.kind("line") if is_heat_off(row)]
    assert any("M112" in raw for raw in heat_off), heat_off


CASES = {
    **{f"{'P4 ' if order == 'SIGTERM' else ''}{order} while {moment.__name__}": partial(ended_at_once, moment=moment, order=order)
       for order in ORDERS for moment in MOMENTS},
    **{f"stop while {moment.__name__}": partial(stopped, moment=moment) for moment in MOMENTS},
    **{f"hold at band {band}": partial(held_at_a_band, band=band) for band in (2, 3)},
    **{f"hold many times, seed {seed}": partial(held_many_times, seed=seed) for seed in range(4)},
    **{f"hold while {moment.__name__}": partial(held_in, moment=moment) for moment in (heating, crossing)},
    "hold until cold": held_until_cold,
    "hold point, then stop": held_point,
    "commands that make no sense": refused_when_it_makes_no_sense,
    "a second interrupt": second_interrupt,
}  # fmt: skip


@pytest.mark.parametrize("case", rows.cases(CASES, on="terminal"))
def test_control(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
