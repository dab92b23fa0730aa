"""Steps found from shape alone: right where two things agree on them, and no answer rather than a wrong one."""

import io
import math
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from banderole.plan.band_finder import Answer, NoStairs, Stairs, Unsure, combine, find_in, find_stairs
from banderole.plan.layer_signature import FEATURES, Layer

from tests.support.tower_shapes import tower

WRITER = Path(__file__).parents[2] / "examples/tower.py"
HEIGHT = 0.2


def column(top: float, side_at: Callable[[float], float], height: float = HEIGHT) -> list[Layer]:
    """A hollow square column: rows as they would be gathered; `side_at` gives its side by the middle of a layer."""
    rows, below = [], 0.0
    for number in range(1, round(top / height) + 1):
        side = side_at((number - 0.5) * height)
        half = side / 2
        named = {"length": 4 * side, "section": 0.75 * side, "runs": 1.0, "left": -half, "front": -half, "right": half}
        named |= {"rear": half, "spread x": half * half * 2 / 3, "spread y": half * half * 2 / 3, "diagonal": 4 * side}
        named |= {"overhang": 8 * side if below and side > below + 1 else 0.0}
        named |= {"ended": 8 * below if side < below - 1 else 0.0}
        rows.append(Layer(number * height, height, tuple(named.get(name, 0.0) for name in FEATURES)))
        below = side
    return rows


@pytest.mark.parametrize(
    ("words", "plinth", "rise", "count"),
    [
        ("", 1.2, 7.5, 6),
        ("--layer 0.2 --rise 6 --plinth 2", 2.0, 6.0, 6),
        ("--steps 12 --rise 4.2 --relative", 1.2, 4.2, 12),
    ],
)
def test_the_steps_of_the_example(words: str, plinth: float, rise: float, count: int) -> None:
    data = subprocess.run([sys.executable, str(WRITER), *words.split()], capture_output=True, check=True).stdout
    found = find_stairs(io.BytesIO(data), "tower", "joined")
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (plinth, rise, count)
    assert found.significance < 1e-3


@pytest.mark.parametrize(
    "side_at",
    [lambda z: 20.0, lambda z: 30 - 0.1 * z, lambda z: 20.0 + (z > 12), lambda z: 20 + 2.0 * (int(z / 0.2) % 2)],
)
def test_a_part_without_steps_has_none(side_at: Callable[[float], float]) -> None:
    assert isinstance(find_in(column(60.0, side_at)), NoStairs)


def test_steps_upon_a_plain_plinth_are_counted_from_the_top() -> None:
    """From the bed on windows would frame steps too, but the first would have no groove in its middle, as all others have."""

    def side(z: float) -> float:
        step = (z - 3.0) % 6.0
        return 16.0 if z > 3.0 and (step < 0.3 or 2.0 < step < 4.0) else 20.0

    assert likeliest(find_in(column(39.0, side))) == (3.0, 6.0, 6)


def test_no_edge_above_the_first_step_leaves_it_open() -> None:
    """Grooves where steps meet, but not at 6 mm: there may be a plinth of about a step's height below."""
    found = find_in(column(36.0, lambda z: 16.0 if z > 7 and z % 6 < 0.6 else 20.0))
    assert isinstance(found, Unsure)


def test_grooves_at_random_heights_are_no_steps() -> None:
    answers = []
    for seed in (*range(8), 41):
        chance = random.Random(seed)
        grooves = {chance.randrange(5, 295) for _ in range(chance.randrange(3, 9))}
        found = find_in(column(60.0, lambda z, at=grooves: 16.0 if int(z / HEIGHT) in at else 20.0))  # type: ignore[misc]
        answers.append(isinstance(found, Stairs))
    assert sum(answers) == 0


@pytest.mark.parametrize("cap", [0.6, 1.0, 2.4, 3.0])
def test_a_cap_on_top_never_makes_a_wrong_plinth(cap: float) -> None:
    """A groove at the foot of each step of 6 mm above a plinth of 2 mm; the cap is wider."""

    def side_at(z: float) -> float:
        if z > 38.0:
            return 26.0
        return 24.0 if z < 2.0 else 16.0 if (z - 2.0) % 6.0 < 0.4 else 20.0

    found = find_in(column(38.0 + cap, side_at))
    assert not isinstance(found, Stairs) or (found.plinth_mm, found.rise_mm) == (2.0, 6.0)


def likeliest(found: Answer) -> tuple[float, float, int]:
    """Plinth, rise and count of an answer that is not sure."""
    assert isinstance(found, Unsure)
    return found.candidates[0].plinth_mm, found.candidates[0].rise_mm, found.candidates[0].count


def seeded(seed: int) -> Answer:
    return find_stairs(io.BytesIO(tower(seed).gcode), f"seed {seed}", None)


@pytest.mark.parametrize("seed", [12])  # wedges: found among drawn towers
def test_drawn_towers_that_are_found(seed: int) -> None:
    made, found = tower(seed), seeded(seed)
    assert isinstance(found, Stairs)
    assert made.accepts(found.plinth_mm, found.rise_mm, found.count)


@pytest.mark.parametrize("seed", [44])  # infills that repeat every few millimetres
def test_an_infill_that_repeats_is_no_tower(seed: int) -> None:
    assert isinstance(seeded(seed), NoStairs)


def test_grooves_at_the_foot_of_each_step() -> None:
    found = find_in(column(38.0, lambda z: 24.0 if z < 2.0 else 16.0 if (z - 2.0) % 6.0 < 0.4 else 20.0))
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (2.0, 6.0, 6)


def test_a_foot_that_is_seen_tells_where_steps_begin() -> None:
    """Steps of 6 mm upon a wider foot of 2.4 mm, with a recess in each; one that was left unfinished on top."""

    def side_at(z: float) -> float:
        return 28.0 if z < 2.4 else 16.0 if 1.6 < (z - 2.4) % 6.0 < 4.2 else 20.0

    assert likeliest(find_in(column(40.8, side_at))) == (2.4, 6.0, 6)


def test_a_cap_that_ends_where_a_window_would_is_no_answer() -> None:
    """Steps of 6 mm from the bed with a recess from 2 to 4 mm, and a plain cap of 2 mm: the top meets a recess's foot."""
    found = find_in(column(38.0, lambda z: 16.0 if 2.0 < z % 6.0 < 4.0 and z < 36.0 else 20.0))
    assert isinstance(found, Unsure)


@pytest.mark.parametrize("seed", [225, 284])
def test_three_steps_that_nothing_ends_are_no_answer(seed: int) -> None:
    """Four arches of which the lowest stands on a plinth of its own looks, and a part with two bulges by chance in line."""
    found = find_stairs(io.BytesIO(tower(seed).gcode), "drawn", None)
    assert isinstance(found, Unsure)


def test_windows_in_the_middle_tell_of_steps_from_the_bed() -> None:
    """A recess in the middle of each step of 6 mm, nothing where steps meet, and one more step begun on top."""
    assert likeliest(find_in(column(38.0, lambda z: 16.0 if 1.6 < z % 6.0 < 4.4 else 20.0))) == (0.0, 6.0, 6)


def test_smooth_bulges_from_the_bed() -> None:
    found = find_in(column(40.0, lambda z: 20.0 + 3.0 * math.sin(math.pi * (z % 5.0) / 5.0) ** 2))
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (0.0, 5.0, 8)


def test_parts_in_turn_say_what_one_is_sure_of_and_the_others_may_say() -> None:
    sure, other = Stairs(2.0, 6.0, 5, 1e-6, ""), Stairs(8.0, 6.0, 4, 1e-6, "")
    assert combine([sure, Unsure("", (other, sure))]) == sure
    assert isinstance(combine([sure, Unsure("", (other,))]), Unsure)
    assert isinstance(combine([sure, other]), Unsure)
    assert combine([Unsure("why", (sure,)), Unsure("", (other, sure))]) == Unsure("why", (sure, other))


def test_a_purge_line_higher_than_the_first_layer_takes_nothing_from_the_tower_beside_it() -> None:
    done = subprocess.run([sys.executable, str(WRITER), "--relative"], capture_output=True, check=True)
    before, first_layer, rest = done.stdout.partition(b"G0 Z0.")
    purge = b"G1 Z0.6 F600\nG1 X5 Y5 F6000\nG1 X80 E9 F1200\n"
    found = find_stairs(io.BytesIO(before + purge + first_layer + rest), "tower", "joined")
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (1.2, 7.5, 6)


def test_a_first_layer_pressed_wide_is_no_foot() -> None:
    found = find_in(column(36.0, lambda z: 21.0 if z < 0.4 else 18.0 if z % 6.0 < 1.0 else 20.0))
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (0.0, 6.0, 6)


def test_steps_that_end_with_the_part_tell_of_a_plinth_that_looks_like_them() -> None:
    def side_at(z: float) -> float:
        return 20.0 if z < 2.4 else 18.0 if (z - 2.4) % 6.0 < 1.0 else 16.0 if 3.0 < (z - 2.4) % 6.0 < 4.6 else 20.0

    assert likeliest(find_in(column(38.4, side_at))) == (2.4, 6.0, 6)
    assert isinstance(find_in(column(37.2, side_at)), Unsure)  # it ends within a step


def test_a_raft_alone_tells_not_where_the_first_step_begins() -> None:
    """Upon a raft of 0.6 mm a plinth of 3 mm that looks like the steps, a recess in each of 6 mm, and one left unfinished."""

    def side_at(z: float) -> float:
        return 30.0 if z < 0.6 else 16.0 if z > 3.6 and 1.0 < (z - 3.6) % 6.0 < 2.2 else 20.0

    found = find_in(column(36.0, side_at))
    assert isinstance(found, Unsure)


def test_steps_of_another_infill_each_with_lines_that_lie_crosswise_in_each_other_layer() -> None:
    """On a wider foot of 2.4 mm five steps of 6 mm; a layer has a twentieth more path than the one below or above it."""
    length, section = FEATURES.index("length"), FEATURES.index("section")
    rows = []
    for number, row in enumerate(column(32.4, lambda z: 26.0 if z < 2.4 else 20.0)):
        step = max(0, math.floor((row.z - 0.1 - 2.4) / 6.0))
        path = row.values[length] + (400.0, 250.0, 330.0, 190.0, 280.0)[step] * (1.05 if number % 2 else 1.0)
        values = tuple(
            path if n == length else 0.75 * path / 4 if n == section else v for n, v in enumerate(row.values)
        )
        rows.append(Layer(row.z, row.height, values))
    found = find_in(rows)
    assert isinstance(found, Stairs)
    assert (found.plinth_mm, found.rise_mm, found.count) == (2.4, 6.0, 5)
