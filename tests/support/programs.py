"""Random programs of G-code, as far as NIST and printing agree on what they mean, and the two interpreters held together."""

from __future__ import annotations

from fractions import Fraction

import pytest
from banderole_protocol.modal import DEPOSIT, TRAVEL, EMode, Modal
from banderole_protocol.words import block_of
from hypothesis import strategies as st

from tests.support.reference_interpreter import Done, Machine

FAMILIES: tuple[EMode, EMode] = ("joined", "apart")
FAMILY = st.sampled_from(FAMILIES)
NUMBER = st.integers(-200_000, 200_000).map(lambda n: Fraction(n, 1000))
FORWARD = st.integers(-50_000, 100_000).map(lambda n: Fraction(n, 10_000))
STEPS = st.sampled_from([Fraction(0), Fraction(1), Fraction(1, 10), Fraction(-4, 5), Fraction(4, 5)])


@st.composite
def spelled(draw: st.DrawFn, number: Fraction) -> str:
    """The number in one of the ways that §3.3 allows."""
    text = f"{float(number):.5f}"
    style = draw(st.integers(0, 4))
    if style == 0:
        return text
    text = text.rstrip("0")
    if style == 1:
        return text  # perhaps `3.`
    text = text.rstrip(".") or "0"
    if style == 2 and number >= 0:
        return "+" + text
    if style == 3 and text.startswith("0."):
        return text[1:]
    return text


@st.composite
def one_word(draw: st.DrawFn, letter: str, number: Fraction) -> str:
    return letter + draw(spelled(number))


@st.composite
def straight(draw: st.DrawFn) -> list[str]:
    words = [draw(st.sampled_from(["G0", "G1", "G00", "G01"]))]
    axes = draw(st.lists(st.sampled_from("XYZE"), unique=True, max_size=4))
    words += [draw(one_word(a, draw(FORWARD | STEPS if a == "E" else NUMBER | STEPS))) for a in axes]
    if draw(st.booleans()):
        words.append(f"F{draw(st.integers(1, 12000))}")
    return words


@st.composite
def curved(draw: st.DrawFn) -> list[str]:
    """An arc of quite any ends. In centre form the ends need not fit: NIST objects, the end point counts all the same."""
    words = [draw(st.sampled_from(["G2", "G3", "G02", "G03"]))]
    words += [draw(one_word(a, draw(NUMBER))) for a in "XYZ" if draw(st.booleans())]
    for letter in "IJK":
        words.append(draw(one_word(letter, draw(NUMBER.filter(bool)))))
    if draw(st.booleans()):
        words.append(draw(one_word("E", draw(FORWARD))))
    return words


MODES = st.sampled_from(
    [[c] for c in ("G90", "G91", "G20", "G21", "M82", "M83", "G17", "G18", "G19", "G10", "G11", "G28")]
    + [["G92.1"], ["G4", "P5"], ["G28", "X"], ["G28", "Z0"], ["G28", "X", "Y"], ["G92", "E0"], ["G92"], ["G92", "Z1.5"]]
)


@st.composite
def renaming(draw: st.DrawFn) -> list[str]:
    axes = draw(st.lists(st.sampled_from("XYZE"), unique=True, min_size=1))
    return ["G92"] + [draw(one_word(a, draw(NUMBER))) for a in axes]


@st.composite
def combined(draw: st.DrawFn) -> list[str]:
    """Modes and a motion in one block: legal in NIST, where table 8 says which comes first."""
    modes = draw(st.lists(st.sampled_from(["G90", "G91", "G20", "G21", "G17", "M82", "M83"]), min_size=1, max_size=2))
    groups = {"G90": 3, "G91": 3, "G20": 6, "G21": 6, "G17": 2, "M82": 0, "M83": 0}
    if len({groups[m] for m in modes}) < len(modes):
        modes = modes[:1]
    return modes + draw(straight())


@st.composite
def line(draw: st.DrawFn) -> str:
    words = draw(straight() | straight() | straight() | curved() | MODES | renaming() | combined())
    words = draw(st.permutations(words))
    text = draw(st.sampled_from(["", " "])).join(words)
    if draw(st.booleans()):
        text = text.lower()
    if draw(st.integers(0, 3)) == 0:
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(st.sampled_from([" ", "\t", "  "])) + text[at:]
    return text


def _sum(text: str) -> int:
    value = 0
    for byte in text.encode():
        value ^= byte
    return value


COMMENTS = st.sampled_from(["; G1 X9", ";(", "(G1 X9)", "(a ; b)", "(never closed X7", ";"])
TALK = st.sampled_from(
    ["M117 X5 (E) G1", "m118 E9 Z-3", "M0 press X5", 'M486 A"E9"', "M73 P5", "T0", "T1", "M84 S60", ""]
)


@st.composite
def file_line(draw: st.DrawFn) -> str:
    """A line of a file: a block, perhaps with a number and a checksum of its own, perhaps with a comment."""
    text = draw(TALK) if draw(st.integers(0, 9)) == 0 else draw(line())
    if draw(st.integers(0, 4)) == 0:
        text = f"N{draw(st.integers(0, 200_000))} {text}"
        text = f"{text}*{_sum(text)}"
    return text + " " + draw(COMMENTS) if draw(st.integers(0, 4)) == 0 else text


PROGRAM = st.lists(file_line(), max_size=25)


def compare(e_mode: EMode, program: list[str]) -> None:
    """Position, names, filament, feed, length and kind after every line."""
    modal, reference = Modal(e_mode), Machine(joined=e_mode == "joined")
    for text in program:
        kind, done = modal.apply(block_of(text.encode())), reference.run(text)
        agree(modal, kind, reference, done, text)


def agree(modal: Modal, kind: int, reference: Machine, done: Done, where: str) -> None:
    """Both interpreters say the same of the line just taken."""
    for axis in "XYZE":
        assert getattr(modal, axis.lower()) == pytest.approx(float(reference.at[axis]), abs=1e-6), (where, axis)
        told = float((reference.at[axis] - reference.origin[axis]) / reference.unit)
        assert modal.told(axis, getattr(modal, axis.lower())) == pytest.approx(told, abs=1e-6), (where, axis)
    assert (kind in (TRAVEL, DEPOSIT)) is done.motion, where
    assert (kind == DEPOSIT) is done.deposit, where
    assert modal.feed == pytest.approx(float(reference.feed)), where
    assert modal.tool == reference.tool, where
    if done.motion:
        assert modal.net == pytest.approx(float(done.net), abs=1e-5), where
        assert modal.debt == pytest.approx(float(reference.pulled_back), abs=1e-5), where
        if modal.feed and done.length > 0:
            assert modal.seconds * modal.feed / 60 == pytest.approx(done.length, rel=1e-6, abs=1e-6), where
    assert modal.firmware_back is reference.by_firmware, where
