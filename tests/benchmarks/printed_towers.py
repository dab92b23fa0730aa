"""Holds the finder of steps to printed towers it knows nothing of: `python -m tests.benchmarks.printed_towers --seeds 0-99`.

For each seed: family, layer, truth, answer, verdict (see `verdicts`); then totals. Ends with 1 where an answer was sure and
wrong, or fewer than nine in ten of the towers with steps were right.
"""

from __future__ import annotations

import argparse
import io
import sys

from banderole.plan.band_finder import Answer, find_stairs

from tests.benchmarks.verdicts import Totals, shown, told, verdict
from tests.support.printed_towers import PrintedTower, printed


def judged(tower: PrintedTower, found: Answer) -> str:
    stepped = tower.rise_mm is not None
    return verdict(found, (lambda s: tower.accepts(s.plinth_mm, s.rise_mm, s.count)) if stepped else None)


def truth(tower: PrintedTower) -> str:
    return shown(tower.plinth_mm, tower.rise_mm, tower.count) + (" cut" if tower.cut else "")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seeds", default="0-99", help="from-to")
    first, last = map(int, parser.parse_args().seeds.split("-"))
    totals = Totals()
    for seed in range(first, last + 1):
        tower = printed(seed)
        found = find_stairs(io.BytesIO(tower.gcode), f"printed {seed}", None)
        said = judged(tower, found)
        totals.add(tower.family, tower.rise_mm is not None, said)
        layer = f"{tower.layer_mm:g}{' varied' if tower.varied else ''}"
        print(f"{seed:4} {tower.family:22} {layer:11} {truth(tower):24} | {told(found):24} {said}", flush=True)
    print(totals.table())
    return 0 if totals.met else 1


if __name__ == "__main__":
    sys.exit(main())
