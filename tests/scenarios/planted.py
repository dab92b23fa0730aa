"""Planted bugs: does the harness catch them?

    python -m tests.scenarios.planted                 all of the sample, each in a process of its own
    python -m tests.scenarios.planted --only 7        one of them

A bug is caught by a probe of the interlocks that comes out otherwise, or by a simulated run in which something does not hold
that holds without the bug. What is not caught is printed, to be looked at by a person: it may change no behaviour.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from tests.scenarios.planting import INTERLOCKS, ROOT, Bug, plant, sample

TYPE_CHECKING = False
if TYPE_CHECKING:
    from tests.scenarios.swarm import Result

SEED: Final = 6
RUNS: Final = 60
"""Simulated runs against each bug at most, from seed 0 on; before them those of `FAR_APART`, and the kept ones."""
CATCH: Final = 0.95
"""Share that has to be caught: 38 of 40."""


def hunt(bug: Bug, runs: int) -> str:
    """In a process of its own: what caught it, or ""."""
    plant(bug)
    try:
        from tests.scenarios.probes import PROBES, SELDOM, wrong
        from tests.scenarios.swarm import run_seed
    except Exception as why:  # it cannot even be imported
        return f"import: {why!r}"
    if bug.module in INTERLOCKS:
        return _by_probes(wrong((*PROBES, *SELDOM))) or _by_runs(run_seed, runs)
    return _by_runs(run_seed, runs) or _by_probes(wrong((*PROBES, *SELDOM)))


def _by_probes(wrong: Iterator[str]) -> str:
    return next((f"probe: {what}" for what in wrong), "")


def _by_runs(run_seed: Callable[[int], Result], runs: int) -> str:
    from tests.scenarios.swarm import FAR_APART

    for seed in dict.fromkeys((*FAR_APART, *range(runs))):
        result = run_seed(seed)
        if result.broken:
            return f"seed {seed}: {result.broken[0]}"
    return _by_kept()


def _by_kept() -> str:
    from tests.scenarios.chosen import CHOSEN
    from tests.scenarios.invariants import broken
    from tests.scenarios.kept_seeds import KEPT
    from tests.scenarios.kept_since import KEPT_SINCE
    from tests.scenarios.play import play

    for why, scenario in (*CHOSEN, *KEPT, *KEPT_SINCE):
        if found := broken(play(scenario)):
            return f"kept {scenario.seed} ({why}): {found[0]}"
    return ""


def one(number: int, seed: int, runs: int) -> int:
    caught = hunt(sample(seed)[number], runs)
    print(f"CAUGHT {caught}" if caught else "SURVIVED")
    return 0


def all_of_them(seed: int, runs: int, processes: int, numbers: list[int]) -> int:
    bugs, began = sample(seed), time.monotonic()

    def ask(number: int) -> tuple[int, str, float]:
        begun = time.monotonic()
        command = [
            sys.executable,
            "-m",
            "tests.scenarios.planted",
            "--one",
            str(number),
            "--seed",
            str(seed),
            "--runs",
            str(runs),
        ]
        try:
            done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=1800)
        except subprocess.TimeoutExpired:
            return number, "CAUGHT it never ends", time.monotonic() - begun
        last = (done.stdout.strip().splitlines() or [f"CAUGHT it ends with {done.returncode}"])[-1]
        return number, last, time.monotonic() - begun

    survived = []
    with ThreadPoolExecutor(processes) as pool:
        for number, said, seconds in pool.map(ask, numbers or range(len(bugs))):
            print(f"{number:2d} {bugs[number]}\n   {said[:300]} ({seconds:.0f} s)", flush=True)
            if said == "SURVIVED":
                survived.append(bugs[number])
    total = len(numbers or bugs)
    print(f"{total - len(survived)} of {total} caught in {time.monotonic() - began:.0f} s; survived:")
    for bug in survived:
        print(f"  {bug}")
    return 0 if total - len(survived) >= CATCH * total else 1


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.scenarios.planted", description="Planted bugs: are they caught?"
    )
    parser.add_argument("--seed", type=int, default=SEED, help="of the sample")
    parser.add_argument("--runs", type=int, default=RUNS, help="simulated runs against each, at most")
    parser.add_argument("--only", type=int, nargs="*", default=[], help="these of the sample")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="the sample, nothing else")
    parser.add_argument("--one", type=int, default=None, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.list:
        for number, bug in enumerate(sample(asked.seed)):
            print(f"{number:2d} {bug}")
        return 0
    if asked.one is not None:
        return one(asked.one, asked.seed, asked.runs)
    return all_of_them(asked.seed, asked.runs, asked.processes, asked.only)


if __name__ == "__main__":
    sys.exit(main())
