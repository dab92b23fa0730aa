"""What the finder of steps says of the seeded towers of `tests/support/stepped_towers.py`.

    python -m tests.benchmarks.stepped_towers --seeds 0-99
    python -m tests.benchmarks.stepped_towers --picture 17 out.svg

A line for each seed: family, truth, answer, verdict (see `verdicts`); then totals.
A picture shows all deposits from the front and from the right, the true heights at its left edge, the answer's at its right.
"""

from __future__ import annotations

import argparse
import io
import re
import time
from pathlib import Path

from banderole.plan.band_finder import Answer, find_stairs

from tests.benchmarks.verdicts import Totals, named, shown, told, verdict
from tests.support.stepped_towers import Tower, tower

WORDS = re.compile(rb"([A-Z])(-?[0-9.]+)")
WIDE, TALL, EDGE = 480, 620, 40  # of one view, and what lies around both; in user units
ABOVE, ROOM = 1.2, 8.0  # mm: a line lower than this, and that far from all others, is left out of a picture
Deposit = tuple[tuple[float, float, float], tuple[float, float, float]]


def judged(made: Tower, found: Answer) -> str:
    return verdict(found, (lambda s: made.accepts(s.plinth_mm, s.rise_mm)) if made.rise_mm is not None else None)


def judge(seeds: range) -> None:
    totals = Totals()
    spent = blocks = 0.0
    for seed in seeds:
        made = tower(seed)
        began = time.process_time()
        found = find_stairs(io.BytesIO(made.gcode), f"seed {seed}", None)
        spent += time.process_time() - began
        blocks += made.gcode.count(b"\n")
        said = judged(made, found)
        totals.add(made.family, made.rise_mm is not None, said)
        truth = shown(made.plinth_mm, made.rise_mm, made.count)
        print(f"{seed:5} {made.family:16} {made.layer_mm:4.2f}  {truth:18} {told(found):20} {said}", flush=True)
    print(totals.table())
    print(f"{blocks:.0f} blocks, {blocks / spent:.0f} a second of processor time")


def deposits(code: bytes) -> list[Deposit]:
    """Lines laid down, in mm; an arc is shown by its chord."""
    relative, e, at, found = b"\nM83\n" in code, 0.0, (0.0, 0.0, 0.0), []
    for block in code.splitlines():
        words = {letter: float(value) for letter, value in WORDS.findall(block.partition(b";")[0])}
        if words.get(b"G") == 92:
            e = words[b"E"]
            continue
        to = (words.get(b"X", at[0]), words.get(b"Y", at[1]), words.get(b"Z", at[2]))
        fed = words.get(b"E", 0.0 if relative else e) - (0.0 if relative else e)
        e += fed
        if fed > 0 and to != at:
            found.append((at, to))
        at = to
    return found


def picture(made: Tower, found: Answer, name: str) -> str:
    """Both views as SVG 1.1. Darker is nearer."""
    laid = deposits(made.gcode)
    high = [line for line in laid if line[1][2] > ABOVE]
    low = [min(min(a[axis], b[axis]) for a, b in high) - ROOM for axis in (0, 1)]
    span = [max(max(a[axis], b[axis]) for a, b in high) + ROOM - low[axis] for axis in (0, 1)]
    laid = [line for line in laid if all(low[n] <= end[n] <= low[n] + span[n] for end in line for n in (0, 1))]
    scale = min(WIDE / max(span), TALL / max(b[2] for _, b in laid))
    floor = EDGE + TALL
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{2 * WIDE + 3 * EDGE}" height="{TALL + 2 * EDGE}">',
        '<rect width="100%" height="100%" fill="white"/>',
        f'<text x="{EDGE}" y="20" font-size="14">{name}, {made.family}: true {shown(made.plinth_mm, made.rise_mm, made.count)}, '
        f"found {told(found)} ({judged(made, found)})</text>",
    ]
    for view, (along, away, near) in enumerate(((0, 1, 1), (1, 0, -1))):
        left = EDGE + view * (WIDE + EDGE)
        for a, b in sorted(laid, key=lambda line: -near * (line[0][away] + line[1][away])):
            depth = ((a[away] + b[away]) / 2 - low[away]) / (span[away] or 1.0)
            grey = round(200 * (depth if near > 0 else 1 - depth))
            x1, x2 = (left + (end[along] - low[along]) * scale for end in (a, b))
            y1, y2 = (floor - end[2] * scale for end in (a, b))
            out.append(
                f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2 + 0.3:.1f}" y2="{y2:.1f}" '
                f'stroke="rgb({grey},{grey},{grey})" stroke-width="{max(0.4, made.layer_mm * scale * 0.8):.2f}"/>'
            )
    marks = [(8, "crimson", made.plinth_mm, made.rise_mm, made.count)]
    if (steps := named(found)) is not None:
        marks.append((2 * WIDE + 2 * EDGE + 12, "royalblue", steps.plinth_mm, steps.rise_mm, steps.count))
    for x, colour, plinth, rise, count in marks:
        for n in range((count or 0) + 1 if rise is not None else 0):
            y = floor - ((plinth or 0.0) + n * (rise or 0.0)) * scale
            out.append(f'<path d="M{x} {y:.1f}h20" stroke="{colour}" stroke-width="2"/>')
    return "\n".join([*out, "</svg>", ""])


def main() -> None:
    parser = argparse.ArgumentParser(description="The finder of steps against seeded towers.")
    parser.add_argument("--seeds", default="0-99", help="first-last (default: %(default)s)")
    parser.add_argument("--picture", nargs=2, metavar=("SEED", "OUT.svg"))
    args = parser.parse_args()
    if args.picture:
        made = tower(int(args.picture[0]))
        found = find_stairs(io.BytesIO(made.gcode), f"seed {args.picture[0]}", None)
        Path(args.picture[1]).write_text(picture(made, found, f"seed {args.picture[0]}"), encoding="utf-8")
        return
    first, _, last = args.seeds.partition("-")
    judge(range(int(first), int(last or first) + 1))


if __name__ == "__main__":
    main()
