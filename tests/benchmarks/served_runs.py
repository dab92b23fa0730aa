"""Many runs in a row on one serving daemon: its resident memory and its open descriptors after each.

    python -m tests.benchmarks.served_runs --runs 10

A process of its own for the daemon, the emulated printer on a pseudo-terminal. Exits 1 where a run is not Complete, a
descriptor stays open, or memory from the third run on (by then all is imported and every pool is warm) grows by more than
`--grows` kB.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from banderole.bench import PtyPrinter

from tests.support.serving import AT_REST, Served, folders_of
from tests.support.shell import Shell, board, tower, until

WARM = 3
"""Runs until memory counts."""


def main() -> int:
    parser = argparse.ArgumentParser(description="Many runs in a row on one serving daemon.")
    parser.add_argument("--runs", type=int, default=10, help="how many (at least 4)")
    parser.add_argument("--layers", type=int, default=15, help="of the tower, 0.3 mm each; three bands reach to 4.5 mm")
    parser.add_argument("--grows", type=int, default=1024, help="kB that memory may grow by from the third run on")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        shell = Shell(Path(name))
        with folders_of(shell), PtyPrinter(board(), link=shell.folder / "port"):
            shell.write(port=str(shell.folder / "port"), gcode=tower(asked.layers))
            try:
                return judged(runs(Served(shell), asked.runs), asked.grows)
            finally:
                shell.end()


def runs(served: Served, count: int) -> list[tuple[str, int, int]]:
    """(state, resident kB, open descriptors) before the first run and after each."""
    seen = [("Idle", served.resident_kb(), served.descriptors())]
    print(f"before  {seen[0][1]:6d} kB  {seen[0][2]} descriptors")
    for number in range(1, count + 1):
        begun = served.start()
        if begun.code:
            raise SystemExit(f"run {number} was refused: {begun.err}")
        status = served.wait_for(*AT_REST, seconds=600)
        until(lambda: not served.copy().exists(), 10, "the end of the run's copy")
        seen.append((status["state"], served.resident_kb(), served.descriptors()))
        print(f"run {number:3d} {seen[-1][1]:6d} kB  {seen[-1][2]} descriptors  {status['state']}", flush=True)
    return seen


def judged(seen: list[tuple[str, int, int]], grows: int) -> int:
    states = {state for state, _, _ in seen[1:]}
    warm = seen[WARM:]
    grown, opened = warm[-1][1] - warm[0][1], warm[-1][2] - warm[0][2]
    print(f"from run {WARM} to run {len(seen) - 1}: {grown:+d} kB, {opened:+d} descriptors; ended {', '.join(states)}")
    return 0 if states == {"Complete"} and opened == 0 and grown <= grows else 1


if __name__ == "__main__":
    sys.exit(main())
