"""Killed anywhere (fault P1): the next start makes safe first, puts values back, marks the run Aborted; the journal is sound.

Many more at once: `python -m tests.benchmarks.kill_runs`.
"""

from random import Random

import pytest

from tests.support.kills import LONGEST_S, kill_once

pytestmark = pytest.mark.slow


QUARTERS = 4
"""Of a run's life, a kill in each: starting, heating, the first crossings, the upper bands."""


@pytest.mark.parametrize("quarter", range(QUARTERS))
def test_a_run_killed_at_a_random_moment_is_made_safe_and_marked(quarter: int) -> None:
    moments = LONGEST_S / QUARTERS
    found = kill_once(Random(f"P1 {quarter}"), quarter * moments, (quarter + 1) * moments, twice=quarter == 1)
    if quarter == 2:
        assert found.changed, "in the middle of a run flow and feed are not as they were found"
