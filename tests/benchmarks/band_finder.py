"""The finder of steps against towers drawn from seeds: what is true, what it answers, and with what significance.

`python -m tests.benchmarks.band_finder --seeds 0-99` prints a line for each seed, then totals.
`python -m tests.benchmarks.band_finder --picture 17 tower.png` draws one for a person to look at.
`python -m tests.benchmarks.band_finder --digest` says whether all 200 towers are still what they were when first drawn.
"""

from __future__ import annotations

import argparse
import hashlib
import io
from pathlib import Path

from banderole.plan.band_finder import Answer, find_stairs

from tests.benchmarks.verdicts import Totals, named, shown, told, verdict
from tests.support.tower_pictures import heights, picture
from tests.support.tower_shapes import Tower, tower

ALL = "2c910036bd270b764a67f65871fca66519da7123b47e73b6ad0659078cfbfe29"
"""SHA-256 over the digests of the files of seeds 0 to 199, in order: fixed before any finder was held to them."""


def answer(made: Tower) -> Answer:
    return find_stairs(io.BytesIO(made.gcode), f"seed {made.seed}", None)


def judged(made: Tower, found: Answer) -> str:
    stepped = made.truth is not None
    return verdict(found, (lambda s: made.accepts(s.plinth_mm, s.rise_mm, s.count)) if stepped else None)


def line(made: Tower, found: Answer) -> str:
    true, steps = shown(made.plinth_mm, made.rise_mm, made.count), named(found)
    sure = "" if steps is None else f"{steps.significance:.3g}"
    return f"{made.seed:4} {made.family:15} {true:18} {told(found):20} {sure:9} {judged(made, found)}"


def judge(seeds: range) -> None:
    totals = Totals()
    for seed in seeds:
        made = tower(seed)
        found = answer(made)
        totals.add(made.family, made.truth is not None, judged(made, found))
        print(line(made, found), flush=True)
    print(totals.table())


def draw(seed: int, path: Path) -> None:
    made = tower(seed)
    found = answer(made)
    true = heights(made.truth.plinth, made.truth.rise, made.truth.count) if made.truth is not None else []
    steps = named(found)
    said = heights(steps.plinth_mm, steps.rise_mm, steps.count) if steps is not None else []
    path.write_bytes(picture(made.gcode, true, said))
    print(line(made, found))


def unchanged() -> bool:
    digest = hashlib.sha256()
    for seed in range(200):
        digest.update(hashlib.sha256(tower(seed).gcode).digest())
    print(digest.hexdigest(), "as first drawn" if digest.hexdigest() == ALL else f"was {ALL}")
    return digest.hexdigest() == ALL


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0-99", help="first-last (%(default)s)")
    parser.add_argument("--picture", nargs=2, metavar=("SEED", "OUT.png"))
    parser.add_argument("--digest", action="store_true")
    given = parser.parse_args()
    if given.digest:
        raise SystemExit(0 if unchanged() else 1)
    if given.picture:
        draw(int(given.picture[0]), Path(given.picture[1]))
        return
    first, _, last = given.seeds.partition("-")
    judge(range(int(first), int(last or first) + 1))


if __name__ == "__main__":
    main()
