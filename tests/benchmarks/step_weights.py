"""Fits what each sign of a place is worth (`WEIGHTS` of the finder) to drawn towers whose steps are known.

    python -m tests.benchmarks.step_weights --towers A0-639,B0-639,C0-359 --processes 2

By greatest likelihood: of all places of a part each is the right one in proportion to exp(score). Prints the weights, how often
the likeliest reading is right, and both again for towers that were left out of the fit, a quarter at a time. Takes long.
"""

from __future__ import annotations

import argparse
import io
from collections.abc import Callable, Iterator
from multiprocessing import Pool
from typing import Any

import numpy
from banderole.plan.band_finder import LEAST_LAYERS, Stairs, places_in, reading
from banderole.plan.blocks import blocks_of
from banderole.plan.itinerary import Itinerary
from banderole.plan.layer_signature import LayerSignatures
from banderole.plan.step_place import WEIGHTS
from scipy.optimize import minimize

from tests.support import stepped_towers, tower_shapes
from tests.support.printed_towers import printed

MADE: dict[str, Callable[[int], Any]] = {"A": tower_shapes.tower, "B": stepped_towers.tower, "C": printed}
MOST = 60
"""Places of a part, the likeliest so far, that are held against each other."""
PRIOR = 1.0
"""Weights of signs that are hardly ever seen stay small: by so much of their square, in units of the sign's spread."""
Part = tuple[int, Any, Any]  # seed; signs of each place, a row; which are right


def accepts(name: str, made: Any, steps: Stairs) -> bool:
    given = (steps.plinth_mm, steps.rise_mm) if name == "B" else (steps.plinth_mm, steps.rise_mm, steps.count)
    return bool(made.accepts(*given))


def parts_of(tower: tuple[str, int]) -> list[Part]:
    name, seed = tower
    made = MADE[name](seed)
    if (made.truth is None) if name == "A" else (made.rise_mm is None):
        return []
    signatures = LayerSignatures()
    for _ in Itinerary(blocks_of(io.BytesIO(made.gcode), "drawn"), None, None, None, signatures.observer).items():
        pass
    found = []
    for part in signatures.parts():
        if len(part.layers) < LEAST_LAYERS:
            continue
        all_places, places = places_in(part.layers, part.spiral)
        best = all_places[:MOST]
        right = [accepts(name, made, reading(place, places)) for place in best]
        if any(right):
            rows = [[float(place.signs[sign]) for sign in WEIGHTS] for place in best]
            found.append((seed, numpy.array(rows), numpy.array(right)))
    return found


def loss(weights: Any, parts: list[Part], spread: Any) -> tuple[float, Any]:
    """Minus the logarithm of the likelihood, and its slope."""
    total, slope = PRIOR * float(weights @ weights), 2 * PRIOR * weights
    for _, rows, right in parts:
        scaled = rows / spread
        score = scaled @ weights
        share = numpy.exp(score - score.max())
        of_right = share * right
        total -= float(numpy.log(of_right.sum() / share.sum()))
        slope = slope + scaled.T @ (share / share.sum() - of_right / of_right.sum())
    return total, slope


def fit(parts: list[Part], spread: Any) -> Any:
    return minimize(loss, numpy.zeros(len(spread)), args=(parts, spread), jac=True, method="L-BFGS-B").x / spread


def hits(weights: Any, parts: list[Part]) -> int:
    return sum(bool(right[int(numpy.argmax(rows @ weights))]) for _, rows, right in parts)


def towers(given: str) -> Iterator[tuple[str, int]]:
    for span in given.split(","):
        first, _, last = span[1:].partition("-")
        yield from ((span[0], seed) for seed in range(int(first), int(last) + 1))


def main() -> None:
    parser = argparse.ArgumentParser(description="Fits the weights of the finder's signs.")
    parser.add_argument(
        "--towers", default="A0-99,B0-99,C0-99", help="set, first-last; more after a comma (%(default)s)"
    )
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    with Pool(given.processes) as pool:
        parts = [part for found in pool.imap(parts_of, list(towers(given.towers)), 4) for part in found]
    spread = numpy.concatenate([rows for _, rows, _ in parts]).std(0) + 1e-9
    weights = fit(parts, spread)
    print("\n".join(f'    "{name}": {weight:.2f},' for name, weight in zip(WEIGHTS, weights, strict=True)))
    print(f"right first: {hits(weights, parts)} of {len(parts)} parts of which any reading is right")
    quarters = [[part for part in parts if part[0] % 4 == n] for n in range(4)]
    others = [[part for part in parts if part[0] % 4 != n] for n in range(4)]
    apart = sum(hits(fit(fitted, spread), left) for fitted, left in zip(others, quarters, strict=True))
    print(f"left out of the fit: {apart} of {len(parts)}")


if __name__ == "__main__":
    main()
