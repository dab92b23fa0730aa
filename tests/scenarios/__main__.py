"""`--runs N --from-seed S`: many short runs. `--seed S`: one of them in full. `--hours H`: prints without a fault."""

from __future__ import annotations

import argparse
import sys
import time

from tests.scenarios.counts import ALL
from tests.scenarios.drawing import drawn
from tests.scenarios.fault_free import prints
from tests.scenarios.play import play
from tests.scenarios.swarm import Sum, results, run_seed


def many(runs: int, first: int, processes: int) -> int:
    """Prints each failure as it comes, and the sum at the end."""
    began, total = time.monotonic(), Sum()
    for result in results(range(first, first + runs), processes):
        total.add(result)
        if result.broken:
            print(f"seed {result.seed}: {result.end}; trace {result.trace}\n  {result.told}")
            for what in result.broken:
                print(f"  BROKEN {what}")
        if total.runs % 500 == 0:
            print(f"{total.runs} runs, {len(total.failures)} failures, {time.monotonic() - began:.0f} s", flush=True)
    for name in ALL:
        print(f"{total.counts[name]:9d}  {name}")
    print("ends: " + ", ".join(f"{end} {count}" for end, count in total.ends.most_common()))
    print(
        f"{total.runs} runs, seeds {first} to {first + runs - 1}: {len(total.failures)} failures; "
        f"{total.seconds / 3600:.1f} h of printing in {time.monotonic() - began:.0f} s"
    )
    return 1 if total.failures else 0


def one(seed: int, events: bool) -> int:
    """One seed: its scenario, its end, its trace; with its events where they are asked for."""
    result = run_seed(seed)
    print(f"{result.told}\n{result.end}; trace {result.trace}")
    if events:
        for at, event in play(drawn(seed)).events:
            fields = {key: value for key, value in event.items() if key not in ("at", "run", "kind", "bands")}
            print(f"{at:10.3f} {event['kind']} {fields}")
    for what in result.broken:
        print(f"BROKEN {what}")
    return 1 if result.broken else 0


def hours(wanted: float, first: int, processes: int) -> int:
    """Prints without a fault, until so many hours are full."""
    began, total, count, failures = time.monotonic(), 0.0, 0, 0
    for one in prints(wanted, first, processes):
        total, count, failures = total + one.hours, count + 1, failures + bool(one.broken)
        print(f"seed {one.seed}: {one.end}, {one.hours:.2f} h; {one.heater}", flush=True)
        for what in one.broken:
            print(f"  BROKEN {what}")
    print(
        f"{total:.1f} h of printing without a fault, {count} prints, seeds {first} to {first + count - 1}: {failures} failures "
        f"in {time.monotonic() - began:.0f} s"
    )
    return 1 if failures else 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.scenarios", description="Simulated runs, faults in swarm.")
    parser.add_argument("--runs", type=int, default=300, help="so many short runs")
    parser.add_argument("--from-seed", type=int, default=0, help="the first seed")
    parser.add_argument("--processes", type=int, default=1, choices=(1, 2))
    parser.add_argument("--seed", type=int, default=None, help="one seed, told in full")
    parser.add_argument("--events", action="store_true", help="with --seed: its events")
    parser.add_argument("--keep", type=int, default=None, help="a seed's scenario, to be put among the kept ones")
    parser.add_argument("--hours", type=float, default=None, help="prints without a fault, so many hours in all")
    asked = parser.parse_args()
    if asked.hours is not None:
        return hours(asked.hours, asked.from_seed, asked.processes)
    if asked.keep is not None:
        print(repr(drawn(asked.keep)))
        return 0
    if asked.seed is not None:
        return one(asked.seed, asked.events)
    return many(asked.runs, asked.from_seed, asked.processes)


if __name__ == "__main__":
    sys.exit(main())
