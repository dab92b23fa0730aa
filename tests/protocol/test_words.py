"""A line to its block, a block to its words; NIST RS274/NGC (NISTIR 6556 v3) §3.3 and the printing convention."""

from __future__ import annotations

import time

import pytest
from banderole_protocol.words import block_of, head_of, scan, words_of
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("line", "block"),
    [
        (b"G1 X1 Y2", b"G1 X1 Y2"),
        (b"  G1 X1\t", b"G1 X1"),
        (b"G1 X1 ; to the right", b"G1 X1"),
        (b"; nothing", b""),
        (b"(nothing)", b""),
        (b"", b""),
        (b" \t ", b""),
        (b"%", b""),
        (b"G1 (fast) X1 (far) Y2", b"G1  X1  Y2"),
        (b"G1 X1 (a ; b) Y2", b"G1 X1  Y2"),
        (b"G1 X1 ; (a", b"G1 X1"),
        (b"G1 X1 ; a) Y2", b"G1 X1"),
        (b"M117 layer (1/50) ; first", b"M117 layer (1/50)"),
        (b"m118 (x)", b"m118 (x)"),
        (b"N4 M117 (x)*12", b"M117 (x)"),
        (b"M1170 (x)", b"M1170"),
        (b"N3 T0*57", b"T0"),
        (b"N7 G1 X2.0 Y2.0 F3000.0*85", b"G1 X2.0 Y2.0 F3000.0"),
        (b"N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50", b"G1 X88.28 Y111.20 E2.1025 F600.00"),
        (b"n 12 g1x1", b"g1x1"),
        (b"N100000 G28", b"G28"),
        (b"N5", b""),
        (b"M110 N0", b""),
        (b"N0 M110 N0*125", b""),
        (b"m110", b""),
        (b"M1100", b"M1100"),
        (b"G1 X1*33 ; sum without a number", b"G1 X1"),
        (b"G1 X1 * 33 ", b"G1 X1"),
        (b"G1 X1*", b"G1 X1*"),
        (b"M117 5*3", b"M117 5*3"),
        (b"N4 M117 5*3*12", b"M117 5*3"),
        (b"G1 X1 (never closed ; X2", b"G1 X1"),
        (b"G1 X1 (a (b) Y2 (c", b"G1 X1  Y2"),
        (b"M117 half (a", b"M117 half (a"),
    ],
)
def test_blocks(line: bytes, block: bytes) -> None:
    assert block_of(line) == block


@given(st.text(alphabet="GXYZE0123456789.+- ", max_size=30), st.text(alphabet="abG1;)x ", max_size=12))
def test_a_plain_block_stays_as_it_is_byte_for_byte(block: str, comment: str) -> None:
    assert block_of(f"{block};{comment}".encode()) == block.strip().encode()


@pytest.mark.parametrize(
    ("block", "words"),
    [
        (b"G1 X1 Y2 Z3 F600", [("G", 1), ("X", 1), ("Y", 2), ("Z", 3), ("F", 600)]),
        (b"g1x-.5y+3.", [("G", 1), ("X", -0.5), ("Y", 3)]),
        (b"G28 X Y", [("G", 28), ("X", None), ("Y", None)]),
        (b"M104 S210", [("M", 104), ("S", 210)]),
        (b"M117 G1 X5 E9", [("M", 117)]),
        (b"m 117hot", [("M", 117)]),
        (b"M118 A1 heat S5", [("M", 118)]),
        (b"M0 Turn S5 over", [("M", 0)]),
        (b"N4 m00 x", [("M", 0)]),
        (b"M1hello", [("M", 1)]),
        (b"M104 S1", [("M", 104), ("S", 1)]),
        (b"M23 X1.GCO", [("M", 23)]),
        (b'M486 A"X5"', [("M", 486)]),
        ("M104 S2 ß".encode("latin-1"), [("M", 104), ("S", 2)]),
        (b"T1", [("T", 1)]),
        (b"", []),
    ],
)
def test_words(block: bytes, words: list[tuple[str, float | None]]) -> None:
    assert words_of(block) == words


@pytest.mark.parametrize(
    ("block", "clean"),
    [
        (b"G1 X1 Y-.5 Z+2.", True),
        (b" g 1\tx1", True),
        (b"G28 X Y", True),
        (b"M117 (x) = ?", True),
        (b"", True),
        (b"G1 X1..5", False),
        (b"G1 X1-5", False),
        (b"G1 X1,5", False),
        (b"G1 X=5", False),
        (b"\xef\xbb\xbfG28", False),
    ],
)
def test_what_is_neither_letter_nor_number_is_noticed(block: bytes, clean: bool) -> None:
    assert scan(block) == (words_of(block), clean)


@pytest.mark.parametrize("line", [b"(" * 1_000_000, b"G1 " + b" " * 1_000_000 + b"*x", b"N1" + b" *1" * 300_000])
def test_a_long_line_takes_no_longer_than_it_is_long(line: bytes) -> None:
    began = time.process_time()
    block_of(line)
    assert time.process_time() - began < 1.0


@given(st.binary(max_size=80))
def test_any_bytes_are_read_without_an_error(line: bytes) -> None:
    words = words_of(block_of(line))
    assert all(letter.isascii() and letter.isupper() for letter, _ in words)
    head_of(words)


@pytest.mark.parametrize(
    ("block", "head"),
    [
        (b"G01 X1", "G1"),
        (b"G1.0 X1", "G1"),
        (b"G92.1", "G92.1"),
        (b"M104 S1 T1", "M104"),
        (b"T1", "T1"),
        (b"T", "T"),
        (b"X1 Y2", ""),
        (b"", ""),
        (b"G91", "G91"),
        (b"G91 G1 X5", "G1"),
        (b"G1 X5 G91", "G1"),
        (b"G21 G90", "G21"),
        (b"M83 G1 E5", "G1"),
    ],
)
def test_heads(block: bytes, head: str) -> None:
    assert head_of(words_of(block)) == head
