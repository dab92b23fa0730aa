"""Some thirty short runs in virtual time, faults in swarm: no invariant is broken; and one seed is one run, byte for byte."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.scenarios.chosen import CHOSEN
from tests.scenarios.counts import ALL
from tests.scenarios.invariants import broken
from tests.scenarios.kept_seeds import KEPT as KEPT_FIRST
from tests.scenarios.kept_since import KEPT_SINCE
from tests.scenarios.play import play
from tests.scenarios.probes import wrong
from tests.scenarios.scenario import Scenario
from tests.scenarios.swarm import FAR_APART, Result, Sum, results

SEEDS = FAR_APART
"""Few: `tests/run` has 300 behind the tests, and `python -m tests.scenarios` as many as one likes."""
KEPT = (*CHOSEN, *KEPT_FIRST, *KEPT_SINCE)
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def swarm() -> list[Result]:
    return list(results(SEEDS))


@pytest.mark.slow
def test_no_invariant_is_broken_in_many_short_runs(swarm: list[Result]) -> None:
    failures = [result for result in swarm if result.broken]
    assert not failures, "\n".join(f"{one.told}\n  {one.broken}" for one in failures)


@pytest.mark.slow
def test_the_swarm_is_no_monoculture(swarm: list[Result]) -> None:
    ends = {result.end for result in swarm}
    assert {"Complete 0", "Stopped 4", "Aborted 4", "Aborted 5", "Aborted 6", "Aborted 70"} <= ends
    assert len({result.trace for result in swarm}) > 0.95 * len(SEEDS)  # some end before a byte is sent


@pytest.mark.slow
def test_every_fault_fires_and_every_way_of_recovery_is_gone(swarm: list[Result]) -> None:
    total = Sum()
    for result in swarm:
        total.add(result)
    assert [name for name in ALL if not total.counts[name]] == []


@pytest.mark.slow
def test_interlocks_trip_beyond_their_levels_and_not_inside() -> None:
    assert list(wrong()) == []


PLANTED = (
    ("wrong comparison", "self._strays >= STRAY_READINGS with Lt"),
    ("drain left out", "_drain_meanwhile"),
    ("obeyed in the wrong state", "RESUME accepted in RUNNING"),
)
HUNT = """
import sys
from tests.scenarios.planted import hunt
from tests.scenarios.planting import sites
print(hunt(next(bug for bug in sites(sys.argv[1]) if sys.argv[2] in bug.what), 40))
"""


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "what"), PLANTED)
def test_a_planted_bug_is_caught(kind: str, what: str) -> None:
    words = [sys.executable, "-c", HUNT, kind, what]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip()


@pytest.mark.slow
@pytest.mark.parametrize(("why", "scenario"), KEPT, ids=[str(scenario.seed) for _, scenario in KEPT])
def test_what_once_broke_something_does_so_no_longer(why: str, scenario: Scenario) -> None:
    assert broken(play(scenario)) == [], why


@pytest.mark.slow
def test_one_seed_is_one_run_byte_for_byte_whatever_hashes_are() -> None:
    code = "from tests.scenarios.swarm import run_seed; print(*(run_seed(seed).trace for seed in range(3)))"
    traces = set()
    for hashes in ("0", "4711"):
        environment = {**os.environ, "PYTHONHASHSEED": hashes}
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
        )
        traces.add(done.stdout)
    assert len(traces) == 1
    assert len(set(traces.pop().split())) == 3
