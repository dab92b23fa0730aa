"""Killed anywhere (fault P1): the next start makes safe first, puts values back, marks the run Aborted; the journal is sound.

Many more at once: `python tests/benchmarks/kill_runs.py`.
"""

from random import Random

import pytest

from tests.support.kills import kill_once

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("number", range(4))
def test_a_run_killed_at_a_random_moment_is_made_safe_and_marked(number: int) -> None:
    kill_once(Random(f"P1 {number}"))
