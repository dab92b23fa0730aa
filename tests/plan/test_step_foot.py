"""A foot and a cap as a person sees them: even from the end of the part up to where all sides move, and only there."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from banderole.plan.layer_signature import FEATURES, Layer
from banderole.plan.step_foot import Feet

RISE, SLACK = 6.0, 0.23


def rows(side_at: Callable[[float], float], full_at: Callable[[float], float] = lambda z: 50.0) -> list[Layer]:
    """A square part of 38 mm in layers of 0.2 mm; side and what is in a layer by its middle."""
    made = []
    for number in range(1, 191):
        half = side_at((number - 0.5) * 0.2) / 2
        named = {"left": -half, "front": -half, "right": half, "rear": half, "section": full_at((number - 0.5) * 0.2)}
        made.append(Layer(round(number * 0.2, 3), 0.2, tuple(named.get(name, 0.0) for name in FEATURES)))
    return made


def test_a_wider_foot() -> None:
    assert Feet(rows(lambda z: 26.0 if z < 2.4 else 20.0), 8.0).of(RISE, SLACK) == pytest.approx(2.4)


def test_a_foot_upon_a_raft_and_above_a_brim() -> None:
    layers = rows(lambda z: 40.0 if z < 0.2 else 32.0 if z < 0.8 else 26.0 if z < 3.0 else 20.0)
    assert Feet(layers, 8.0).of(RISE, SLACK) == pytest.approx(3.0)


def test_a_foot_that_is_only_filled_otherwise() -> None:
    assert Feet(rows(lambda z: 20.0, lambda z: 200.0 if z < 2.4 else 60.0), 8.0).of(RISE, SLACK) == pytest.approx(2.4)


def test_a_cap() -> None:
    assert Feet(rows(lambda z: 26.0 if z > 36.0 else 20.0), 8.0, down=True).of(RISE, SLACK) == pytest.approx(36.0)


@pytest.mark.parametrize(
    ("side_at", "full_at"),
    [
        (lambda z: 20.0, lambda z: 50.0),
        (lambda z: 40.0 if z < 0.2 else 20.0, lambda z: 50.0),  # a brim
        (lambda z: 20.0, lambda z: 200.0 if z < 0.8 else 60.0),  # a closed bottom
        (lambda z: 16.0 if 3.0 < z < 3.6 else 20.0, lambda z: 50.0),  # a groove
        (lambda z: 22.0 if z % RISE < 2.0 else 20.0, lambda z: 50.0),  # a ledge at the foot of each step
        (lambda z: 40.0 - 2 * (z // RISE), lambda z: 50.0),  # each step smaller than the one below
        (lambda z: 20.0, lambda z: 60.0 + 40.0 * (z % RISE < 3.0)),  # an infill that changes in each step
        (lambda z: 30.0 - z, lambda z: 50.0),  # a wall that leans
    ],
)
def test_what_is_no_foot(side_at: Callable[[float], float], full_at: Callable[[float], float]) -> None:
    assert Feet(rows(side_at, full_at), 8.0).of(RISE, SLACK) is None


def test_what_is_only_turned_is_no_foot() -> None:
    """A square that is turned by an eighth: its box goes in all around, and it is as large as before."""
    layers = rows(lambda z: 28.0 if z < 2.4 else 20.0)
    area = FEATURES.index("area")
    turned = [replace(one, values=(*one.values[:area], 392.0, *one.values[area + 1 :])) for one in layers]
    assert Feet(turned, 8.0).of(RISE, SLACK) is None


def test_what_ends_beside_a_foot_does_not_hide_it() -> None:
    """Something that stands to the right of the foot ends with it."""
    layers = rows(lambda z: 26.0 if z < 2.4 else 20.0)
    right = FEATURES.index("right")
    beside = [
        replace(one, values=(*one.values[:right], 40.0, *one.values[right + 1 :])) if one.z < 2.5 else one
        for one in layers
    ]
    assert Feet(beside, 8.0).of(RISE, SLACK) == pytest.approx(2.4)
