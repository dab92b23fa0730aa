"""`python tests/benchmarks/kill_runs.py --times 100`: runs killed with SIGKILL at random moments, each followed by a start.

Each is held to what the next start owes (tests/support/kills.py). Prints each that fails with its seed, and the figures.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.support.kills import Killed, kill_once

AT_ONCE = 3
"""A run waits most of its time."""

TWICE = ("0", "3", "6")
"""Ends of seeds for which the next start is killed too: three in ten."""


def tried(seed: str) -> tuple[str, Killed | None, str]:
    try:
        return seed, kill_once(Random(seed), twice=seed.endswith(TWICE)), ""
    except AssertionError as why:
        return seed, None, str(why) or repr(why)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, epilog="example: kill_runs.py --times 10 --seed friday")
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", default="kill", help="the runs' seeds are this and a number")
    parser.add_argument("--at-once", type=int, default=AT_ONCE)
    given = parser.parse_args()
    began = time.monotonic()
    phases: Counter[str] = Counter()
    failed = safe = hot = changed = 0
    with ThreadPoolExecutor(given.at_once) as pool:
        for seed, found, why in pool.map(tried, [f"{given.seed} {number}" for number in range(given.times)]):
            if found is None:
                failed += 1
                print(f"seed {seed!r}: {why}", flush=True)
                continue
            phases[found.phase] += 1
            safe += found.made_safe
            hot += found.hot > 0
            changed += found.changed
    print(
        f"{given.times} killed in {time.monotonic() - began:.0f} s: {failed} failed; {hot} with the nozzle on, {changed} with "
        f"flow or feed changed, {safe} made safe by the next start; last state in the journal: {dict(phases)}"
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
