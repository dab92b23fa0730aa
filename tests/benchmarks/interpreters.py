"""`python -m tests.benchmarks.interpreters --programs 10000`: random programs, held against the second interpreter.

Each is up to 25 lines, in both families of G90 and G91. Prints what was compared, or the smallest program that differs.
"""

from __future__ import annotations

import argparse
import time

from banderole_protocol.modal import EMode
from hypothesis import HealthCheck, given, seed, settings

from tests.support import programs


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, epilog="example: interpreters --programs 500 --seed 7")
    parser.add_argument("--programs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=6556)
    wanted = parser.parse_args()
    counted = {"programs": 0, "lines": 0}

    @seed(wanted.seed)
    @settings(max_examples=wanted.programs, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(programs.FAMILY, programs.PROGRAM)
    def hold(e_mode: EMode, program: list[str]) -> None:
        counted["programs"] += 1
        counted["lines"] += len(program)
        programs.compare(e_mode, program)

    began = time.process_time()
    hold()
    taken = time.process_time() - began
    print(
        f"{counted['programs']} programs of {counted['lines']} lines mean the same to both interpreters; {taken:.0f} s"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
