"""Holds the finder of steps to printed towers it knows nothing of: `python -m tests.benchmarks.printed_towers --seeds 0-99`.

For each seed: family, truth, answer, verdict; then how often each verdict fell, by family. Ends with 1 where an answer
was wrong, or fewer than nine in ten of the towers with steps were right.
"""

from __future__ import annotations

import argparse
import io
import sys
from collections import Counter

from banderole.plan.band_finder import NoStairs, Stairs, find_stairs

from tests.support.printed_towers import PrintedTower, printed

VERDICTS = ("right", "uncertain", "missed", "wrong")
WANTED = 0.9
"""Share of the towers with steps that must be right."""


def verdict(tower: PrintedTower, answer: Stairs | NoStairs) -> str:
    """Steps that are not there, or not so, are wrong; none told where there are some: missed, or uncertain if it says so."""
    if isinstance(answer, Stairs):
        return "right" if tower.accepts(answer.plinth_mm, answer.rise_mm, answer.count) else "wrong"
    if answer.uncertain:
        return "uncertain"
    return "right" if tower.rise_mm is None else "missed"


def told(answer: Stairs | NoStairs) -> str:
    if isinstance(answer, NoStairs):
        return f"none, uncertain: {answer.uncertain}" if answer.uncertain else "none"
    return f"{answer.plinth_mm:.3f} + {answer.count} x {answer.rise_mm:.3f} ({answer.significance:.3g})"


def truth(tower: PrintedTower) -> str:
    if tower.rise_mm is None:
        return "none"
    return f"{tower.plinth_mm:.3f} + {tower.count} x {tower.rise_mm:.3f}{' cut' if tower.cut else ''}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seeds", default="0-99", help="from-to")
    first, last = map(int, parser.parse_args().seeds.split("-"))
    families: dict[str, Counter[str]] = {}
    for seed in range(first, last + 1):
        tower = printed(seed)
        answer = find_stairs(io.BytesIO(tower.gcode), f"printed {seed}", None)
        said = verdict(tower, answer)
        families.setdefault(tower.family, Counter())[said] += 1
        layer = f"{tower.layer_mm:g}{' varied' if tower.varied else ''}"
        print(f"{seed:4} {tower.family:22} {layer:11} {truth(tower):24} | {told(answer):32} {said}", flush=True)
    return summed(families)


def summed(families: dict[str, Counter[str]]) -> int:
    print(f"\n{'':24}" + "".join(f"{name:>11}" for name in VERDICTS))
    whole: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    for family in sorted(families):
        whole[family.startswith("no steps")] += families[family]
        print(f"{family:24}" + "".join(f"{families[family][name]:11}" for name in VERDICTS))
    for stepless, name in ((False, "all with steps"), (True, "all without")):
        print(f"{name:24}" + "".join(f"{whole[stepless][verdict]:11}" for verdict in VERDICTS))
    enough = whole[False]["right"] >= WANTED * whole[False].total()
    return 0 if enough and not whole[False]["wrong"] + whole[True]["wrong"] else 1


if __name__ == "__main__":
    sys.exit(main())
