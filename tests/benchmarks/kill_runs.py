"""Runs and serving daemons killed with SIGKILL at random moments, each followed by a start that is held to what it owes.

    python -m tests.benchmarks.kill_runs --times 200

Of the moments each part of a run's life gets its share (tests/support/kill_scenes.py), `run` and `serve` by turns, on boards
that restart when their port is opened and on boards that do not; in three of ten the next start is killed as well. Prints
each that fails with its seed, and how soon heat was off after the restart. `--fast` is the pace of the test suite instead:
more trials in an hour, moments of chance alone, nothing measured.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from random import Random

from tests.support.kill_scenes import SCENES, Found, killed_in
from tests.support.kills import kill_once

AT_ONCE = 2
"""A run waits most of its time; but how soon heat is off is measured."""

TWICE = ("0", "3", "6")
"""Ends of seeds for which the next start is killed too: three in ten."""


def tried(seed: str) -> tuple[str, Found | None, str]:
    chance = Random(seed)
    number = int(seed.split()[-1])
    scene, served, restarts = SCENES[number % len(SCENES)], chance.random() < 0.5, chance.random() < 0.3
    try:
        return seed, killed_in(scene, chance, served, restarts, seed.endswith(TWICE)), ""
    except (AssertionError, OSError) as why:
        return seed, None, f"{scene.name}, {'serve' if served else 'run'}, restarts {restarts}: {why or repr(why)}"


def fast(seed: str) -> tuple[str, Found | None, str]:
    try:
        found = kill_once(Random(seed), twice=seed.endswith(TWICE))
    except (AssertionError, OSError) as why:
        return seed, None, str(why) or repr(why)
    return seed, Found(found.phase, False, True, found.hot, found.changed, None, None), ""


def told(found: list[Found]) -> None:
    for served in (False, True):
        off = sorted(one.off_s for one in found if one.off_s is not None and one.served is served)
        if off:
            name = "serve" if served else "run"
            print(
                f"{name}: heat off {off[len(off) // 2]:.2f} s after the restart in the middle, {off[-1]:.2f} s at most"
            )
    homing = [one for one in found if one.after_homing_s is not None]
    if homing:
        longest = max(one.after_homing_s or 0.0 for one in homing)
        print(
            f"of them {len(homing)} while it homed by the file's own G28: {longest:.2f} s at most after the end of that"
        )
    hot, changed = sum(one.hot > 0 for one in found), sum(one.changed for one in found)
    print(f"{hot} with the nozzle on, {changed} with flow changed; {dict(Counter(one.scene for one in found))}")


def main() -> int:
    parser = argparse.ArgumentParser(description="Killed at random moments, and what the next start makes of it.")
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", default="kill", help="the runs' seeds are this and a number")
    parser.add_argument("--at-once", type=int, default=AT_ONCE)
    parser.add_argument("--fast", action="store_true")
    given = parser.parse_args()
    began, failed, found = time.monotonic(), 0, list[Found]()
    seeds = [f"{given.seed} {number}" for number in range(given.times)]
    with ProcessPoolExecutor(given.at_once) as pool:
        for seed, one, why in pool.map(fast if given.fast else tried, seeds):
            if one is None:
                failed += 1
                print(f"seed {seed!r}: {why}", flush=True)
            else:
                found.append(one)
    print(f"{given.times} killed in {time.monotonic() - began:.0f} s: {failed} failed")
    told(found)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
