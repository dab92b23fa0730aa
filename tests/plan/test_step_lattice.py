"""What the edges of a part say of steps of one rise: do they frame each step, or stand where steps meet and nowhere else?"""

from collections.abc import Callable

import pytest
from banderole.plan.layer_events import trains_of
from banderole.plan.layer_signature import FEATURES, Layer
from banderole.plan.rise_search import Rise
from banderole.plan.step_lattice import Lattice
from banderole.plan.step_place import CLEAR, FULL, Place

RISE, COUNT = 6.0, 6


def lattice(side_at: Callable[[float], float]) -> Lattice:
    """Of a square part of 38 mm in layers of 0.2 mm; its side by the middle of a layer."""
    rows = []
    for number in range(1, 191):
        half = side_at((number - 0.5) * 0.2) / 2
        named = {"left": -half, "front": -half, "right": half, "rear": half}
        rows.append(Layer(round(number * 0.2, 3), 0.2, tuple(named.get(name, 0.0) for name in FEATURES)))
    return Lattice(rows, trains_of(rows))


def window(z: float) -> float:
    return 16.0 if 1.6 < z % RISE < 4.4 else 20.0


@pytest.mark.parametrize("low", [0.0, 2.0])
def test_windows_in_the_middle_frame_the_steps(low: float) -> None:
    assert lattice(lambda z: window(z - low) if z > low else 20.0).framed(low, RISE, COUNT)


@pytest.mark.parametrize("off", [0.8, 1.6, 2.4, 4.4])
def test_steps_that_begin_elsewhere_are_not_framed(off: float) -> None:
    assert not lattice(window).framed(off, RISE, COUNT - 1)


def test_the_middle_between_windows_frames_nothing() -> None:
    """Steps of 6 mm upon a plinth of 3 mm that looks like them: from the bed on each would have half a window at either end."""
    assert not lattice(lambda z: window(z - 3.0) if z > 3.0 else 20.0).framed(0.0, RISE, COUNT)


def alone(of: Lattice, low: float, count: int) -> bool:
    """Do walls move where steps of RISE meet and nowhere else? Of a place whose ends and edges leave no doubt."""
    rise = Rise(RISE, outline=50.0, all=50.0)
    place = Place(low, count, "top", low + count * RISE, CLEAR, CLEAR, FULL, 0.0, False, 0.0, 1.0, rise)
    return of.told(place).alone


def test_grooves_where_steps_meet_are_alone() -> None:
    grooved = lattice(lambda z: 16.0 if z > 3 and z % RISE < 0.6 else 20.0)
    assert alone(grooved, 0.0, COUNT)
    assert not alone(grooved, 3.0, COUNT - 1)


def test_windows_are_not_alone() -> None:
    assert not alone(lattice(window), 1.6, COUNT)


def test_a_first_step_that_is_none() -> None:
    """From the bed on the first step would have no lower half of a window, as all others have."""
    upon = lattice(lambda z: window(z - 3.0) if z > 3.0 else 20.0)
    assert upon.outline.steps_from(3.0, RISE)
    assert not upon.outline.steps_from(0.0, RISE)
