"""G-code as NIST RS274/NGC has it: NISTIR 6556 version 3 (Kramer, Proctor, Messina, 17 August 2000).

Where printing differs, the divergence is marked; those are common practice, no source.
"""

from __future__ import annotations

import itertools
import math

import pytest
from banderole_protocol.arcs import arc_of
from banderole_protocol.modal import DWELL, Modal
from banderole_protocol.words import block_of, words_of


def after(*blocks: str) -> Modal:
    modal = Modal()
    for block in blocks:
        modal.apply(block.encode())
    return modal


def test_format_of_a_line() -> None:
    """§3.3: `g0x +0. 12 34y 7` is the same as `g0 x+0.1234 y7`; blanks and case mean nothing."""
    assert words_of(b"g0x +0. 12 34y 7") == words_of(b"g0 x+0.1234 y7") == [("G", 0.0), ("X", 0.1234), ("Y", 7.0)]


def test_numbers_have_no_exponent() -> None:
    """§3.3.2.1: X1E5 is X1 and, in printing, E5."""
    assert words_of(b"G1 X1E5") == [("G", 1.0), ("X", 1.0), ("E", 5.0)]


def test_comments() -> None:
    """§3.3.4: parentheses, which do not nest. `;` and line numbers above 99999 are printing's: two divergences."""
    assert block_of(b"G1 (to the left) X1") == b"G1  X1"
    assert block_of(b"(a (b) G1 X1") == b"G1 X1"
    assert block_of(b"G1 X1 ; G1 X2") == b"G1 X1"
    assert block_of(b"N123456 G1 X1") == b"G1 X1"


@pytest.mark.parametrize("words", list(itertools.permutations(["G1", "X1", "Y2", "Z3", "F600"])))
def test_words_in_any_order(words: tuple[str, ...]) -> None:
    """§3.3: all orders of the words of a line mean the same."""
    modal = after(" ".join(words))
    assert (modal.x, modal.y, modal.z, modal.feed) == (1.0, 2.0, 3.0, 600.0)


@pytest.mark.parametrize("block", ["G1 X10 G91", "G91 G1 X10", "X10 G91 G1"])
def test_order_of_execution(block: str) -> None:
    """Table 8: the distance mode (G90, G91) before the motion of the same line."""
    assert after("G1 X4", block).x == 14.0


def test_g92_example() -> None:
    """§3.5.18: at X=4, `G92 X7` makes it read 7, with no motion; then `G92 X9` makes it 9. Offsets -3 and -5."""
    modal = after("G1 X4 Y1", "G92 X7")
    assert (modal.x, modal.told("X", modal.x), modal.off_x) == (4.0, 7.0, -3.0)
    modal.apply(b"G92 X9")
    assert (modal.x, modal.told("X", modal.x), modal.off_x) == (4.0, 9.0, -5.0)
    assert modal.told("Y", modal.y) == 1.0  # an axis that is not named is left


def test_g92_alone_zeroes_all() -> None:
    """A divergence: in NIST it is an error, in printing (from memory) it makes all axes read zero."""
    modal = after("G1 X4 Y1 Z2 E3", "G92")
    assert [modal.told(axis, getattr(modal, axis.lower())) for axis in "XYZE"] == [0.0, 0.0, 0.0, 0.0]


def test_an_inch() -> None:
    """25.4 mm (exact by definition); §3.5.7 G20, G21."""
    assert after("G20", "G1 X1").x == pytest.approx(25.4, abs=1e-12)
    assert after("G20", "G1 X1", "G21", "G91", "G1 X1").x == pytest.approx(26.4, abs=1e-12)


def test_the_arc_from_7_7() -> None:
    """§3.5.3.2 gives `G17 G2 x10 y16 i3 j4 z9` from (7, 7): a helix about (10, 11); angles and length computed."""
    flat = arc_of(True, "G17", (7, 7, 0), (10, 16, 0), {"I": 3, "J": 4})
    assert flat is not None
    assert flat.centre == (10, 11)
    assert flat.radius == 5.0
    assert math.degrees(flat.sweep) == pytest.approx(143.130, abs=5e-4)
    assert flat.length == pytest.approx(12.4905, abs=5e-5)
    modal = after("G1 X7 Y7 Z9 F60", "G17 G2 X10 Y16 I3 J4 Z9")
    assert modal.seconds == pytest.approx(12.4905, abs=5e-5)  # at 1 mm/s
    helix = arc_of(True, "G17", (7, 7, 0), (10, 16, 9), {"I": 3, "J": 4})
    assert helix is not None
    assert helix.length == pytest.approx(math.hypot(flat.length, 9))


@pytest.mark.parametrize("mode", ["G90", "G91"])
def test_centres_are_always_incremental(mode: str) -> None:
    """§3.5.3.2, §3.5.17: I and J are offsets from the start in either distance mode."""
    end = "X10 Y16" if mode == "G90" else "X3 Y9"
    modal = after("G1 X7 Y7", mode, f"G2 {end} I3 J4 F60")
    assert modal.seconds == pytest.approx(12.4905, abs=5e-5)


def test_radius_form() -> None:
    """§3.5.3.1: a positive radius turns less than 180°, a negative one more; the end may not be the start."""
    short = arc_of(False, "G17", (0, 0, 0), (10, 0, 0), {"R": 10})
    long = arc_of(False, "G17", (0, 0, 0), (10, 0, 0), {"R": -10})
    assert short is not None
    assert long is not None
    assert [math.degrees(arc.sweep) for arc in (short, long)] == pytest.approx([60, 300])
    assert arc_of(False, "G17", (1, 1, 0), (1, 1, 0), {"R": 10}) is None


def test_dwell() -> None:
    """§3.5.4 has P in seconds; printing has P in milliseconds and S in seconds: a marked divergence."""
    modal = Modal()
    assert modal.apply(b"G4 P2500") == DWELL
    assert modal.seconds == 2.5
    modal.apply(b"G4 S3")
    assert modal.seconds == 3.0
