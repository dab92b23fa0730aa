"""Round figures that put every edge where it was seen, and no edge elsewhere."""

import pytest
from banderole.plan.step_figures import round_figures


def test_the_roundest_that_fit() -> None:
    edges = [(n, 2.4 + 5.04 * n + (0.06 if n % 2 else -0.05), 0.1) for n in range(1, 7)]
    assert round_figures(2.42, 5.03, edges, 0.13) == pytest.approx((2.5, 5.0), abs=0.11)


def test_a_foot_that_was_seen_stays_where_it_ends() -> None:
    seen = [(0, 2.46, 0.1), *((n, 2.46 + 5.0 * n, 0.1) for n in range(1, 7))]
    assert round_figures(2.46, 5.01, seen, 0.13) == (2.46, 5.0)


def test_thin_layers_above_tell_where_a_thick_one_ends() -> None:
    """Layers of 0.3 mm up to 5.1 mm, then of 0.1 mm: steps of 4.9 mm from 5.2 mm on."""
    seen = [(0, 5.1, 0.15), *((n, 5.2 + 4.9 * n, 0.05) for n in range(1, 8))]
    assert round_figures(5.1, 4.91, seen, 0.18) == pytest.approx((5.2, 4.9), abs=0.011)


def test_the_bed_stays_the_bed() -> None:
    assert round_figures(0.0, 4.98, [(0, 0.0, 0.1), (4, 20.04, 0.1)], 0.13) == (0.0, 5.0)
