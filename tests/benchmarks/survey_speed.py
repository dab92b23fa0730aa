"""How fast a survey reads, against the fastest general G-code parsing library of the registry that was found.

    pip install -e '.[bench]' && python -m tests.benchmarks.survey_speed

Same files, same process, in turns; medians of processor time. Limits: 4 times as many lines a second without the estimate of
time, twice as many with it, on each of these shapes of file. The library only parses words; a survey follows the machine,
watches Z, and keeps the layers.
"""

from __future__ import annotations

import argparse
import io
import statistics
import sys
import time
from collections.abc import Callable

from banderole.plan.survey import survey

from tests.benchmarks.speed_files import SHAPES

ROUNDS = 9
LIMITS = {"untimed": 4.0, "timed": 2.0}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--blocks", type=int, default=40_000)
    blocks = parser.parse_args().blocks
    try:
        from gcodeparser import parse_gcode_lines
    except ImportError:
        print("pip install -e '.[bench]' first: there is nothing to compare with", file=sys.stderr)
        return 2
    short = False
    for name, made in SHAPES.items():
        data = made(blocks)
        count, text = len(data.splitlines()), data.decode()
        speeds = measured(
            {
                "library": lambda text=text: sum(1 for _ in parse_gcode_lines(text)),  # type: ignore[misc]
                "untimed": lambda data=data: survey(io.BytesIO(data), "tower", None, None, timed=False),  # type: ignore[misc]
                "timed": lambda data=data: survey(io.BytesIO(data), "tower", None, None),  # type: ignore[misc]
            },
            count,
        )
        print(f"{name}: {count} lines; library {speeds['library']:,.0f} lines/s")
        for kind, limit in LIMITS.items():
            ratio = speeds[kind] / speeds["library"]
            short = short or ratio < limit
            print(f"  survey, {kind}: {speeds[kind]:,.0f} lines/s, {ratio:.2f} times the library's (limit {limit:g})")
    return 1 if short else 0


def measured(tasks: dict[str, Callable[[], object]], count: int) -> dict[str, float]:
    """Lines a second of each, in turns, so that a busy machine is busy for all of them."""
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(ROUNDS):
        for name, task in tasks.items():
            began = time.process_time()
            task()
            times[name].append(time.process_time() - began)
    return {name: count / statistics.median(taken) for name, taken in times.items()}


if __name__ == "__main__":
    sys.exit(main())
