"""Layers as numbers: held against what can be reckoned by hand from the towers of the support room."""

import io
import math
from pathlib import Path

import pytest
from banderole.plan.blocks import blocks_of
from banderole.plan.itinerary import Itinerary
from banderole.plan.layer_signature import FEATURES, SMALLEST, Layer, LayerSignatures, Part

from tests.support.towers import LAYER, LAYERS, SIDE, How, tower

EXAMPLE = Path(__file__).parents[2] / "examples/tower.gcode"


def parts_of(data: bytes) -> list[Part]:
    signatures = LayerSignatures()
    for _ in Itinerary(blocks_of(io.BytesIO(data), "a"), None, "joined", None, signatures.observer).items():
        pass
    assert not signatures.cut_short
    return signatures.parts()


def value(layer: Layer, feature: str) -> float:
    return layer.values[FEATURES.index(feature)]


def test_each_feature_has_a_smallest_change() -> None:
    assert len(FEATURES) == len(SMALLEST)
    assert all(least > 0 for least in SMALLEST)


@pytest.mark.parametrize("how", [How(), How(relative_e=False), How(inches=True), How(relative_hop=True)])
def test_a_hollow_square_is_the_same_however_it_is_written(how: How) -> None:
    (part,) = parts_of(tower(how).encode())
    assert [layer.z for layer in part.layers] == pytest.approx([LAYER * n for n in range(1, LAYERS + 1)], abs=1e-3)
    for layer in part.layers:
        assert layer.height == pytest.approx(LAYER, abs=1e-3)
        assert value(layer, "length") == pytest.approx(4 * SIDE, abs=0.01)
        assert value(layer, "runs") == 1
        assert value(layer, "overhang") == value(layer, "ended") == 0
        assert value(layer, "middle x") == pytest.approx(110, abs=0.01)
        # Second moment of a square's outline about its middle: a third of half the side, squared, along two sides, and
        # the whole of it along the other two.
        assert value(layer, "spread x") == pytest.approx((SIDE / 2) ** 2 * 2 / 3, abs=0.02)


def test_arcs_go_by_their_chords_along_the_circle() -> None:
    (part,) = parts_of(tower(How(arcs=True)).encode())
    for layer in part.layers:
        assert value(layer, "length") == pytest.approx(math.pi * SIDE, rel=0.01)
        assert value(layer, "right") - value(layer, "left") == pytest.approx(SIDE, abs=0.05)
        assert value(layer, "spread x") == pytest.approx(SIDE**2 / 8, rel=0.02)


def test_a_spiral_has_a_row_for_each_turn() -> None:
    (part,) = parts_of(tower(How(spiral=True)).encode())
    assert len(part.layers) == pytest.approx(LAYERS, abs=1)
    for layer in part.layers[1:-1]:
        assert layer.height == pytest.approx(LAYER, abs=0.03)
        assert value(layer, "length") == pytest.approx(math.pi * SIDE, rel=0.06)


def test_each_turn_of_a_spiral_is_closed_however_its_corners_are_rounded() -> None:
    """Forty corners to a turn, written to a hundredth of a millimetre: a row that ends a chord late has no loop."""
    lines = ["G21", "G90", "M83", "G28", "G0 X117.3 Y100 Z0.2"]
    for n in range(1, 40 * 60):
        angle, radius = math.tau * n / 40, 17.3 + math.sin(n / 300)
        x, y = 100 + radius * math.cos(angle), 100 + radius * math.sin(angle)
        lines.append(f"G1 X{x:.2f} Y{y:.2f} Z{0.2 + 0.2 * n / 40:.3f} E0.1 F1800")
    (part,) = parts_of("\n".join(lines).encode())
    assert part.spiral
    assert {value(layer, "loops") for layer in part.layers[1:-1]} == {1.0}


def test_parts_in_turn_are_told_apart() -> None:
    parts = parts_of(tower(How(parts=3)).encode())
    assert [len(part.layers) for part in parts] == [LAYERS] * 3
    assert [round(value(part.layers[0], "middle x")) for part in parts] == [110, 140, 170]


def test_the_example_shows_its_plinth_and_a_bridge_at_the_end_of_each_step() -> None:
    (part,) = parts_of(EXAMPLE.read_bytes())
    bridges = [round(layer.z, 2) for layer in part.layers if value(layer, "overhang") > 20]
    assert bridges == [round(8.4 + 7.5 * step, 2) for step in range(6)]
    assert [round(layer.z, 2) for layer in part.layers if value(layer, "ended") > 200] == [1.5]


def test_a_wall_that_leans_crosses_no_cells() -> None:
    """A cone crosses cells at regular heights, which would look like steps."""
    lines = ["G21", "G90", "M83", "G28"]
    for n in range(1, 60):
        a, b = 100 + 0.02 * n, 120 - 0.02 * n
        lines += [f"G0 Z{0.2 * n:.2f}", f"G0 X{a:.3f} Y{a:.3f}"]
        lines += [f"G1 X{x:.3f} Y{y:.3f} E1" for x, y in ((b, a), (b, b), (a, b), (a, a))]
    (part,) = parts_of("\n".join(lines).encode())
    assert {value(layer, "overhang") for layer in part.layers} == {0.0}
    assert {value(layer, "ended") for layer in part.layers} == {0.0}
