"""An arc in one go: what the rooms of the protocol and of the time of motion say of it, one by one."""

from __future__ import annotations

import math

import pytest
from banderole.plan.bends import bend_of
from banderole.plan.curves import curve_of
from banderole_protocol.arcs import arc_of, box_of, flaw_of
from banderole_protocol.modal import MOVED_MM
from hypothesis import given, settings
from hypothesis import strategies as st

PLACE = st.integers(-50_000, 50_000).map(lambda n: n / 1000) | st.integers(-3, 3).map(float) | st.just(1e-20)
ANGLE = st.floats(-7, 7) | st.integers(-4, 4).map(lambda n: n * math.pi / 2)


@settings(max_examples=200, deadline=None)
@given(st.booleans(), PLACE, PLACE, PLACE, PLACE, ANGLE, st.sampled_from((0.0, 0.0, 0.2, -1.0)), st.integers(0, 9))
def test_an_arc_in_one_go(
    clockwise: bool, x: float, y: float, i: float, j: float, angle: float, rise: float, end: int
) -> None:
    """Ends round to a thousandth, at the start, or quite elsewhere."""
    cosine, sine = math.cos(angle), math.sin(angle)
    x1, y1 = x + i - i * cosine + j * sine, y + j - i * sine - j * cosine
    if end < 5:
        x1, y1 = round(x1, 3), round(y1, 3)
    if end == 0:
        x1, y1 = x1 + 0.1, y1
    start, to, words = (x, y, 0.0), (x1, y1, rise), {"I": i, "J": j}
    arc, curve = arc_of(clockwise, "G17", start, to, words), curve_of(clockwise, x, y, x1, y1, rise, i, j)
    if arc is None or arc.length <= MOVED_MM or flaw_of(arc, "G17", start, to, words):
        assert curve is None
        return
    assert curve is not None
    assert curve.length == arc.length
    assert curve.box == pytest.approx(box_of(arc, clockwise, "G17", start, to), abs=1e-9)
    bend = bend_of(clockwise, "G17", start, to, arc)
    assert curve.bend.radius == bend.radius
    assert curve.bend.enters == pytest.approx(bend.enters, abs=1e-9)
    assert curve.bend.leaves == pytest.approx(bend.leaves, abs=1e-9)
