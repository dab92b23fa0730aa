"""How fast a rehearsal is: blocks a second of a plain tower, and what a second costs in which nothing is sent.

    python -m tests.benchmarks.rehearsal_speed

A tower of 100,000 blocks on the printer that `rehearse` takes where none is given (window of 96 bytes, 115200 bit/s); then a
long hold, and a slow bed that is waited for. Processor time of this process, so that a busy machine does not count.
`--profile N` shows where the time of the tower goes, the dearest N functions.
"""

from __future__ import annotations

import argparse
import cProfile
import math
import pstats
import sys
import tempfile
import time
from pathlib import Path

from banderole.cli.run_command import prepare
from banderole.rehearsal import Stage, board_for, some_printer
from banderole.run.effects import Ended
from banderole.run.runner import Job

BLOCKS = 100_000
LEAST_BLOCKS = 15_000
"""Blocks a second that a server-class core should reach: a tower of a night is then rehearsed within ten seconds."""
MOST_IDLE_US = 100
"""µs that a second may cost in which nothing is sent: a day of holding then takes nine seconds."""
LAYER, WIDTH, SIDE, EACH = 0.2, 0.45, 24.0, 1.5
SCHEDULE = (
    'title = "speed"\n[stairs]\nplinth_mm = 1.2\nrise_mm = {rise}\ncount = 6\nnozzle = {{ first = 248, change = -5 }}\n'
)


def tower(blocks: int, bed: int = 0) -> tuple[str, float]:
    """A round tower with straight lines inside, `blocks` long, and its height in mm."""
    lines = ["G21", "G90", "M82", *([f"M140 S{bed}"] * bool(bed)), "M104 S240", "G28", *([f"M190 S{bed}"] * bool(bed))]
    lines += ["M109 S240", "G92 E0"]
    e, z, area = 0.0, 0.0, math.pi / 4 * 1.75**2

    def laid(x: float, y: float, length: float) -> None:
        nonlocal e
        e += length * WIDTH * LAYER / area
        lines.append(f"G1 X{x:.3f} Y{y:.3f} E{e:.5f}")

    while len(lines) < blocks:
        z += LAYER
        for wall in range(2):
            radius = SIDE / 2 - WIDTH * wall
            lines += [f"G1 E{e - 1:.5f} F1800", f"G0 X{110 + radius:.3f} Y110.000 Z{z:.3f} F7200", f"G1 E{e:.5f} F1800"]
            lines.append("G1 F2400")
            steps = round(math.tau * radius / EACH)
            for step in range(1, steps + 1):
                angle = math.tau * step / steps
                laid(110 + radius * math.cos(angle), 110 + radius * math.sin(angle), EACH)
        for number in range(20):  # lines from wall to wall
            laid(102.0 + 16.0 * (number % 2), 102.0 + 0.8 * number, 16.0)
    return "\n".join([*lines, "M104 S0", *(["M140 S0"] * bool(bed)), "M84", ""]), z


def surveyed(folder: Path, blocks: int, bed: int = 0) -> Job:
    text, height = tower(blocks, bed)
    (folder / "tower.gcode").write_text(text)
    (folder / "schedule.toml").write_text(SCHEDULE.format(rise=round(max(0.2, (height - 1.2) / 6), 3)))
    return prepare(folder / "tower.gcode", folder / "schedule.toml", some_printer())[0]


def rehearsed(stage: Stage, job: Job) -> Ended:
    with job.file:
        ended = stage.run(job)
    stage.close()
    if ended is None or ended.exit:
        raise SystemExit(f"the rehearsal did not come to its end: {ended}")
    return ended


def blocks_a_second(folder: Path, blocks: int, profile: int) -> float:
    began = time.process_time()
    job = surveyed(folder, blocks)
    read = time.process_time()
    stage = Stage(some_printer(), board_for(some_printer(), settings=["log_limit=0"]))  # as `rehearse` has it
    looking = cProfile.Profile()
    if profile:
        looking.enable()
    rehearsed(stage, job)
    looking.disable()
    taken = time.process_time() - read
    print(
        f"tower: {job.survey.blocks} blocks, {stage.now:.0f} s of the printer's time; written and surveyed in "
        f"{read - began:.2f} s, rehearsed in {taken:.2f} s: {job.survey.blocks / taken:.0f} blocks/s"
    )
    if profile:
        pstats.Stats(looking).sort_stats("tottime").print_stats(profile)
    return job.survey.blocks / taken


def idle_us(folder: Path, what: str, stage: Stage, job: Job, begins: float, ends: float) -> float:
    """µs of processor time for each second between two moments."""
    seen: list[float] = []
    for moment in (begins, ends):
        stage.at(moment, lambda: seen.append(time.process_time()))
    rehearsed(stage, job)
    cost = (seen[1] - seen[0]) / (ends - begins) * 1e6
    print(f"{what}: {cost:.0f} µs per second in which nothing is sent")
    return cost


def holding(folder: Path) -> float:
    stage = Stage(some_printer(), board_for(some_printer()))
    stage.command(300.0, "hold")
    stage.command(40_000.0, "resume")
    return idle_us(folder, "a long hold", stage, surveyed(folder, 3000), 1000.0, 39_000.0)


def heating(folder: Path) -> float:
    stage = Stage(some_printer(), board_for(some_printer(), settings=["bed.tau=1500"]))
    return idle_us(folder, "a slow bed", stage, surveyed(folder, 3000, bed=80), 150.0, 850.0)


def main() -> int:
    parser = argparse.ArgumentParser(description="How fast a rehearsal is.")
    parser.add_argument("--blocks", type=int, default=BLOCKS, help="of the tower")
    parser.add_argument("--profile", type=int, default=0, metavar="N", help="the dearest N functions")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bs-") as name:
        folder = Path(name)
        reached = blocks_a_second(folder, asked.blocks, asked.profile)
        idle = max(holding(folder), heating(folder))
    return 0 if reached >= LEAST_BLOCKS and idle <= MOST_IDLE_US else 1


if __name__ == "__main__":
    sys.exit(main())
