"""Files that are broken, or meant to break the reader: a survey, or one line that says what, where and what to do; soon."""

from __future__ import annotations

import gzip
import io
import random
import time
import zipfile

import pytest
from banderole.plan.refusal import InputError
from banderole.plan.survey import survey
from hypothesis import given, settings
from hypothesis import strategies as st

PART = b"G28\nG90\nM83\nG1 F1200\nG1 Z0.3\nG1 X5 E1\n"
SECONDS = 8.0
"""Of the processor, on any machine; a desktop takes a quarter at most."""


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("tower.gcode", PART * 50)
    return out.getvalue()


REFUSED = {
    "empty": (b"", "the file is empty"),
    "comments alone": (b"; a\n(b)\n", "the file is empty"),
    "line ends alone": (b"\r" * 1_000_000, "the file is empty"),
    "no deposit": (b"G28\nG1 X5\n", "nothing is laid down"),
    "names of places alone": (b"G92 X5\n" * 1000, "nothing is laid down"),
    "noise": (random.Random(1).randbytes(50_000), "t:1"),
    "gzip": (gzip.compress(PART * 100), "t:1"),
    "zip": (zipped(), "t:1"),
    "UTF-16": (PART.decode().encode("utf-16"), "UTF-16"),
    "a NUL": (PART + b"G1 X\x005\n", "t:7"),
    "a megabyte of words": (b"G1 " + b"X1 " * 400_000 + b"\n", "t:1"),
    "a hundred thousand words": (PART + b"G1 " + b"X1" * 100_000 + b"\n", "t:7"),
    "a number of many digits": (PART + b"G1 X" + b"9" * 400 + b"\n", "t:7"),
}
SURVEYED = {
    "numbers that are none": PART + b"G1 X1e999 E1\nG1 X--3 E1\nG1 X" + b"9" * 60 + b" E1\nG1 XNaN E1\nG1 Xinf\nG1 X5 E1\n",
    "far away": PART + b"G1 X999999999999 Y999999999999 E1\nG1 X5 E1\n" * 2000,
    "high up": PART + b"G1 Z1e6\nG1 Z1000000 X9 E1\nG1 X10 E1\n",
    "no feed": PART + b"G1 F0 X6 E1\nG1 F-5 X7 E1\nG1 F1e9 X8 E1\n",
    "arcs that are none": PART + b"G2 X50 Y50 R0.1 E1\nG3 I0 J0 E1\nG2 X5 Y5 I1e9 E2\nG2 R5 E1\nG2 X1 I1000000 J1000000 E1\n",
    "a comment that never ends": PART + b"G1 (X5 E1\n" * 1000,
    "a megabyte of parentheses": b"(" * 1_000_000 + b"\n" + PART,
    "many layers": PART + b"".join(b"G1 Z%.4f\nG1 X%d E1\n" % (0.3 + i / 1000, i % 50) for i in range(30_000)),
    "many layers, downwards": PART + b"".join(b"G1 Z%.4f\nG1 X%d E1\n" % (99 - i / 1000, i % 50) for i in range(30_000)),
    "a very fine spiral": PART + b"".join(b"G1 X%d Z%.6f E1\n" % (i % 50, 0.3 + i / 1e6) for i in range(60_000)),
    "a tool beyond all": PART + b"T999999999999\nG1 X9 E1\n",
    "pauses beyond all": PART + b"G4 P999999999999\nG4 S-5\nG1 X9 E1\n",
    "limits of nothing": PART + b"M204 S0.0001\nM205 J0\nM201 X1e-9\nM203 X0\nG1 X9 E1\nG1 X8 E1\n",
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_tower_is_one_line_that_says_where(name: str) -> None:
    data, told = REFUSED[name]
    began = time.process_time()
    with pytest.raises(InputError) as why:
        survey(io.BytesIO(data), "t", None, None)
    assert told in str(why.value)
    assert "\n" not in str(why.value)
    assert time.process_time() - began < SECONDS


@pytest.mark.parametrize("name", SURVEYED)
def test_what_can_be_read_is_surveyed_soon(name: str) -> None:
    began = time.process_time()
    found = survey(io.BytesIO(SURVEYED[name]), "t", None, None)
    assert found.blocks
    assert 0.0 <= found.seconds < float("inf")
    assert len(found.cautions) <= 50
    assert time.process_time() - began < SECONDS


LINES = st.lists(
    st.sampled_from(
        [*PART.splitlines(), b"G1 X9 Y9 E1", b"G2 X0 I5 E1", b"G20", b"G91", b"M109 S200", b"N3 G1*5", b"(", b";"]
    ),
    max_size=30,
)


@settings(max_examples=300)
@given(LINES, st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), max_size=6))
def test_a_tower_with_bytes_changed_is_surveyed_or_refused_in_one_line(
    lines: list[bytes], changes: list[tuple[int, int]]
) -> None:
    data = bytearray(PART + b"\n".join(lines))
    for at, byte in changes:
        if at < len(data):
            data[at] = byte
    refused = ""
    try:
        survey(io.BytesIO(bytes(data)), "t", None, None)
    except InputError as why:
        refused = str(why)
    assert "\n" not in refused
