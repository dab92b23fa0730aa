"""Where along the height something happens, as a person would point at it: edges, and the peaks and pits of smooth walls."""

import math
from collections.abc import Callable

import pytest
from banderole.plan.layer_events import Train, trains_of
from banderole.plan.layer_signature import FEATURES, Layer

LEFT = FEATURES.index("left")


def trains(side_at: Callable[[float], float]) -> dict[str, Train]:
    """Of the left wall of a part of 40 mm in layers of 0.2 mm; its place by the middle of a layer."""
    rows = []
    for number in range(1, 201):
        named = {"left": -side_at((number - 0.5) * 0.2)}
        rows.append(Layer(round(number * 0.2, 3), 0.2, tuple(named.get(name, 0.0) for name in FEATURES)))
    return {train.kind: train for train in trains_of(rows) if train.feature == LEFT}


@pytest.mark.parametrize(
    "bulge",
    [
        lambda part: math.sin(math.pi * part) ** 2,
        lambda part: math.sin(math.pi * part),
        lambda part: 1 - abs(2 * part - 1),
    ],
)
def test_bulges_have_a_pit_where_they_meet_and_a_peak_between(bulge: Callable[[float], float]) -> None:
    found = trains(lambda z: 10.0 + 1.5 * bulge(z % 5.0 / 5.0))
    assert found["peak"].heights == pytest.approx([5.0 * n for n in range(1, 8)], abs=0.15)  # left is where x is least
    assert found["pit"].heights == pytest.approx([5.0 * n + 2.5 for n in range(8)], abs=0.15)
    assert "edge" not in found


def test_a_wall_that_hardly_moves_has_neither() -> None:
    assert not trains(lambda z: 10.0 + 0.1 * math.sin(z))


def test_what_two_edges_bound_is_no_peak() -> None:
    found = trains(lambda z: 12.0 if z % 5.0 < 2.0 else 10.0)
    assert set(found) == {"edge"}
    assert found["edge"].heights == pytest.approx(
        [2.0, 5.0, 7.0, 10.0, 12.0, 15.0, 17.0, 20.0, 22.0, 25.0, 27.0, 30.0, 32.0, 35.0, 37.0]
    )
