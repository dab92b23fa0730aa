"""How fast a survey reads, against the fastest general G-code parsing library of the registry that was found.

    pip install -e '.[bench]' && python -m tests.benchmarks.survey_speed

Same files, same process, in turns; medians of processor time. Limits: 4 times as many lines a second without the estimate of
time, twice as many with it, on each of these shapes of file. The library only parses words; a survey follows the machine,
watches Z, and keeps the layers.
"""

from __future__ import annotations

import argparse
import io
import math
import random
import statistics
import sys
import time
from collections.abc import Callable

from banderole.plan.survey import survey

ROUNDS = 9
LIMITS = {"untimed": 4.0, "timed": 2.0}


def curves(blocks: int) -> bytes:
    """Round walls of short deposits, sixty to a circle: what large files are made of."""
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"]
    layer = 0
    while len(out) < blocks:
        layer += 1
        out += ["G1 E-0.8 F2100", f"G1 Z{layer * 0.2:.2f} F600", "G1 X120 Y100 F9000", "G1 E0.8 F2100", "G1 F1800"]
        for ring in range(4):
            radius = 20 - 0.45 * ring
            for step in range(1, 61):
                angle = step * math.pi / 30
                x, y = 100 + radius * math.cos(angle), 100 + radius * math.sin(angle)
                out.append(f"G1 X{x:.3f} Y{y:.3f} E{radius * 0.00349:.5f}")
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def broken(blocks: int) -> bytes:
    """Small islands, infill, many travels and retractions: rows are short, and a quarter of the blocks stand alone."""
    chance, layer = random.Random(1), 0
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"]
    while len(out) < blocks:
        layer += 1
        out += ["; a layer", f"G1 Z{layer * 0.2:.2f} F9000"]
        for x in (100, 130, 160):
            out += ["G1 E-0.8 F2100", f"G1 X{x:.3f} Y100.000 F9000", "G1 E0.8 F2100", "G1 F1800"]
            steps = chance.choice((4, 12, 60, 120))
            for step in range(1, steps + 1):
                angle = 2 * math.pi * step / steps
                out.append(
                    f"G1 X{x - 10 + 10 * math.cos(angle):.3f} Y{100 + 10 * math.sin(angle):.3f} E{2.07 / steps:.5f}"
                )
            out.append(f"G1 X{x - 8:.3f} Y92.000 F9000")
            for line in range(30):
                out.append(f"G1 X{x - 8 + 16 * (line % 2):.3f} Y{92 + line / 2:.3f} E0.55000")
                if chance.random() < 0.1:
                    out += [f"G1 X{x:.3f} Y{92 + line / 2:.3f} F9000", "G1 F1800"]
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def square(blocks: int) -> bytes:
    """A plain square tower with absolute E: some forty blocks a layer, hops, travels, a comment, some commands."""
    out, e, layer = (
        ["; a tower", "M140 S60 ; bed", "M104 S210", "G28", "G21", "G90", "M82", "M109 S210", "G92 E0"],
        0.0,
        0,
    )
    while len(out) < blocks:
        layer += 1
        z = layer * 0.2
        out += [f"; layer {layer}", f"M106 S{min(255, layer * 50)}", f"M117 layer {layer}", f"G1 E{e - 1:.5f} F2400"]
        out += ["G91", "G1 Z0.6 F900", "G90"]
        for wall in range(2):
            half = 12 - 0.45 * wall
            ring = [
                (half * x, half * y) for x, y in ((-1, -1), (0, -1), (1, -1), (1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0))
            ]
            out += [
                f"G0 X{110 - half:.3f} Y{110 - half:.3f} F7200",
                *([f"G1 Z{z:.3f} F900", f"G1 E{e:.5f} F2400"] * (not wall)),
            ]
            for at, (x, y) in enumerate([*ring[1:], ring[0]]):
                e += half * 0.035
                out.append(f"G1 X{110 + x:.3f} Y{110 + y:.3f} E{e:.5f}" + (" F2400" if at == 0 else ""))
        out.append(f"G0 X{98:.3f} Y{98:.3f} F7200")
        for line in range(8):
            e += 0.8
            out.append(f"G1 X{98 + 24 * ((line + 1) // 2 % 2):.3f} Y{98 + 3 * (line // 2):.3f} E{e:.5f}")
    return ("\n".join([*out, "M104 S0", "M140 S0", "M107", "M84"]) + "\n").encode()


def infill(blocks: int) -> bytes:
    """Rectilinear infill of parted lines with relative E: a travel before each, a retraction and a hop before some."""
    out, layer = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210"], 0
    while len(out) < blocks:
        layer += 1
        out += [f"; layer {layer}", f"G1 Z{layer * 0.2:.2f} F900", "G1 F2700"]
        for line in range(60):
            y = 90 + line * 0.6
            out.append(f"G1 X{90 + (line % 2) * 40:.3f} Y{y:.3f} F9000")
            if line % 6 == 0:
                out += [
                    "G1 E-0.80000 F2100",
                    f"G1 Z{layer * 0.2 + 0.4:.2f} F900",
                    f"G1 X{91 + (line % 2) * 38:.3f} Y{y:.3f} F9000",
                ]
                out += [f"G1 Z{layer * 0.2:.2f} F900", "G1 E0.80000 F2100"]
            for part in range(1, 4):
                out.append(
                    f"G1 X{90 + abs((line % 2) * 40 - part * 13):.3f} Y{y:.3f} E0.43200" + " F2700" * (part == 1)
                )
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


def spiral(blocks: int) -> bytes:
    """A wall one line thick that rises all the way round: Z in every block, sixty to a turn of 0.2 mm."""
    out = ["M140 S60", "M104 S210", "G28", "G90", "M83", "M109 S210", "G1 Z0.2 F600", "G1 X120 Y100 F9000", "G1 F1800"]
    for step in range(blocks):
        angle = step * math.pi / 30
        x, y = 100 + 20 * math.cos(angle), 100 + 20 * math.sin(angle)
        out.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.2 + step / 300:.3f} E0.06981")
    return ("\n".join([*out, "M104 S0"]) + "\n").encode()


SHAPES: dict[str, Callable[[int], bytes]] = {
    "round walls": curves,
    "islands, short rows": broken,
    "square tower, short layers": square,
    "infill, travels, retractions": infill,
    "spiral": spiral,
}


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
