"""Round figures that lie surely where the edges tell, and none that are only round."""

from banderole.plan.step_figures import Figures, round_figures


def near(figures: Figures, plinth: float, rise: float, within: float) -> bool:
    return abs(figures.plinth - plinth) <= within and abs(figures.rise - rise) <= within


def test_the_roundest_that_fit() -> None:
    edges = [(n, 2.5 + 5.0 * n + (0.06 if n % 2 else -0.05), 0.1) for n in range(1, 7)]
    assert near(round_figures(2.42, 5.03, 7, edges, 0.13), 2.5, 5.0, 0.051)


def test_what_is_known_well_is_not_rounded_away() -> None:
    """3/16 inch a step, in layers of 0.1 mm: steps of 4.75 mm would be 0.15 mm off at the last."""
    seen = [(n, round((2.47 + 4.762 * n) * 10) / 10, 0.05) for n in range(13)]
    figures = round_figures(2.5, 4.75, 13, seen, 0.05)
    assert all(abs(figures.plinth + n * figures.rise - 2.47 - n * 4.762) < 0.05 for n in range(14))


def test_a_rise_that_no_edge_tells_is_not_known_at_the_top() -> None:
    assert round_figures(2.4, 5.01, 12, [(0, 2.4, 0.1)], 0.1).off > 0.2
    assert round_figures(2.4, 5.01, 12, [(0, 2.4, 0.1), (12, 62.4, 0.1)], 0.1).off <= 0.11


def test_thin_layers_above_tell_where_a_thick_one_ends() -> None:
    """Layers of 0.3 mm up to 5.1 mm, then of 0.1 mm: steps of 4.9 mm from 5.2 mm on."""
    seen = [(0, 5.1, 0.15), *((n, 5.2 + 4.9 * n, 0.05) for n in range(1, 8))]
    assert near(round_figures(5.1, 4.91, 8, seen, 0.18), 5.2, 4.9, 0.011)


def test_edges_a_little_beside_where_they_should_be() -> None:
    seen = [(0, 2.0, 0.1), *((n, 2.0 + 5.0 * n + 0.25, 0.1) for n in range(1, 8)), (8, 42.0, 0.1)]
    assert near(round_figures(2.0, 5.0, 8, seen, 0.1), 2.0, 5.0, 0.08)


def test_the_bed_stays_the_bed() -> None:
    figures = round_figures(0.0, 4.98, 4, [(0, 0.0, 0.1), (4, 20.02, 0.1)], 0.13)
    assert (figures.plinth, figures.rise) == (0.0, 5.0)
