"""Killed anywhere (fault P1): the next start makes safe first, puts values back, marks the run Aborted; the journal is sound.

Many more at once: `python -m tests.benchmarks.kill_runs`.
"""

from random import Random

import pytest

from tests.support.kills import LONGEST_S, kill_once

pytestmark = pytest.mark.slow


QUARTERS = 4
"""Of a run's life, a kill in each: starting, heating, the first crossings, the upper bands."""
PRINTS_S = 1.2
"""From its first band on it prints for somewhat longer."""


@pytest.mark.fault("P1", on="terminal")
@pytest.mark.parametrize("quarter", range(QUARTERS))
def test_a_run_killed_at_a_random_moment_is_made_safe_and_marked(quarter: int) -> None:
    moments = LONGEST_S / QUARTERS
    kill_once(Random(f"P1 {quarter}"), quarter * moments, (quarter + 1) * moments, twice=quarter == 1)


def test_in_the_middle_of_a_run_flow_and_feed_are_not_as_they_were_found_and_are_put_back() -> None:
    assert kill_once(Random("P1"), most=PRINTS_S, printing=True).changed
