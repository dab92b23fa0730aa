"""A second interpreter of G-code, to hold the project's against. It shares no code with it and is made another way.

Written from NIST RS274/NGC (NISTIR 6556 v3, Kramer, Proctor, Messina, 2000): §3.3 format of a line, §3.5 meaning of
the codes, table 8 order of execution. Exact fractions throughout, a scanner of single characters, filament by its
highest mark. Slow and plain on purpose.

Where printing diverges from NIST, all of it common practice without a source:
- E, M82 and M83, and two families of G90 and G91; G10 and G11 alone pull filament back and give it forward;
- `;` opens a comment; line numbers pass 99999; a checksum stands behind `*`; a letter may stand without a number;
- a parenthesis that is never closed, an error in NIST, is a comment up to the end of the line;
- the text behind M0, M1, M117, M118, M486 and names of files is no words;
- G28 homes, and drops the offsets of G92; in NIST it is a motion, and offsets stay; G92 alone makes all axes read zero;
- G92.1 leaves E alone, since E has no home;
- of several commands in a line F is meant in the line's own unit, where table 8 has it before G20 and G21;
- words behind a letter repeated, an error in NIST: the last one counts.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field
from fractions import Fraction

Words = list[tuple[str, Fraction | None]]

INCH = Fraction(254, 10)
MODAL_GROUPS = {
    "motion": ("G0", "G1", "G2", "G3"),
    "plane": ("G17", "G18", "G19"),
    "units": ("G20", "G21"),
    "distance": ("G90", "G91"),
    "filament": ("M82", "M83"),
}


TEXT_FOLLOWS = {"M": (0, 1, 16, 23, 28, 30, 32, 33, 117, 118, 486, 928)}


def lines_of(data: bytes) -> list[str]:
    """The lines of a file; CR, LF and CRLF end one. A mark of UTF-8 in front is none of the first."""
    if data.startswith(b"\xef\xbb\xbf"):
        data = data[3:]
    lines, line, before = [], "", ""
    for byte in data:
        character = chr(byte)  # a byte is a character here: only ASCII means anything
        if character in "\r\n":
            if not (character == "\n" and before == "\r"):
                lines.append(line)
            line = ""
        else:
            line += character
        before = character
    return [*lines, line] if line else lines


def scan(line: str) -> Words:
    """§3.3: comments out, blanks and tabs mean nothing, case means nothing, a number has no exponent.

    Line number and checksum are left off. ValueError for what is neither a letter nor a number, as NIST objects to it.
    """
    bare, depth = "", 0
    for character in line:
        if character == ";" and not depth:
            break
        if character == "(":
            depth = 1
        elif character == ")" and depth:
            depth = 0
        elif not depth and character not in " \t":
            bare += character.upper() if character.isascii() else character
    words: Words = []
    at = 0
    while at < len(bare) and bare[at] not in "*%":
        letter, at = bare[at], at + 1
        if letter not in "ABCDEFGHIJKLMNOPQRSTUVWXYZ":
            raise ValueError(f"{letter!r} in {line!r}")
        number = ""
        while at < len(bare) and (bare[at] in "0123456789." or (not number and bare[at] in "+-")):
            number, at = number + bare[at], at + 1
        if letter != "N":
            words.append((letter, Fraction(number.rstrip(".")) if number else None))
        if number and Fraction(number) in TEXT_FOLLOWS.get(letter, ()):
            break
    return words


@dataclass
class Done:
    """What one block did. `length` mm of path, 0 for none; `net` mm of filament beyond the highest mark."""

    motion: bool = False
    length: float = 0.0
    net: Fraction = Fraction(0)
    deposit: bool = False


@dataclass
class Machine:
    """Positions are the machine's, in mm; `origin` is what G92 subtracts from them."""

    joined: bool
    at: dict[str, Fraction] = field(default_factory=lambda: dict.fromkeys("XYZE", Fraction(0)))
    origin: dict[str, Fraction] = field(default_factory=lambda: dict.fromkeys("XYZE", Fraction(0)))
    active: dict[str, str] = field(
        default_factory=lambda: {"motion": "", "plane": "G17", "units": "G21", "distance": "G90", "filament": "M82"}
    )
    mark: Fraction = Fraction(0)  # the furthest that filament has ever been given forward
    by_firmware: bool = False
    last_motion: str = ""
    feed: Fraction = Fraction(0)  # mm/min
    tool: int = 0

    def run(self, line: str) -> Done:
        """Carry out one line in the order of table 8, wherever its words stand."""
        words = scan(line)
        codes = [f"{letter}{float(number):g}" for letter, number in words if letter in "GM" and number is not None]
        values = {letter: number for letter, number in words if letter not in "GM"}
        for group in ("plane", "units", "distance", "filament"):
            for code in codes:
                if code in MODAL_GROUPS[group]:
                    self.active[group] = code
                    if group == "distance" and self.joined:
                        self.active["filament"] = "M83" if code == "G91" else "M82"
        if "G28" in codes:
            self._home(values)
        if "G92" in codes:
            self._rename(values)
        if "G92.1" in codes:
            self.origin.update(dict.fromkeys("XYZ", Fraction(0)))
        if not codes and "T" in values:
            self.tool = int(values["T"] or 0)
        if "G10" in codes and not {"L", "P"} & values.keys():
            self.by_firmware = True
        if "G11" in codes:
            self.by_firmware = False
        for code in codes:
            if code in MODAL_GROUPS["motion"]:
                return self._move(code, {k: v for k, v in values.items() if v is not None})
        return Done()

    @property
    def unit(self) -> Fraction:
        return INCH if self.active["units"] == "G20" else Fraction(1)

    @property
    def pulled_back(self) -> Fraction:
        return self.mark - self.at["E"]

    def _home(self, values: dict[str, Fraction | None]) -> None:
        for axis in [a for a in "XYZ" if a in values] or "XYZ":
            self.at[axis] = self.origin[axis] = Fraction(0)

    def _rename(self, values: dict[str, Fraction | None]) -> None:
        """§3.5.18: the point where the machine is gets the coordinates named; no motion."""
        for axis in [a for a in "XYZE" if a in values] or "XYZE":
            self.origin[axis] = self.at[axis] - (values.get(axis) or 0) * self.unit

    def _target(self, axis: str, values: dict[str, Fraction]) -> Fraction:
        if axis not in values:
            return self.at[axis]
        step = values[axis] * self.unit
        relative = self.active["filament"] == "M83" if axis == "E" else self.active["distance"] == "G91"
        return self.at[axis] + step if relative else self.origin[axis] + step

    def _move(self, code: str, values: dict[str, Fraction]) -> Done:
        start = dict(self.at)
        self.last_motion = code
        if values.get("F", 0) > 0:
            self.feed = values["F"] * self.unit
        for axis in "XYZE":
            self.at[axis] = self._target(axis, values)
        net = max(Fraction(0), self.at["E"] - self.mark)
        self.mark = max(self.mark, self.at["E"])
        shift = [float(self.at[a] - start[a]) for a in "XYZ"]
        length = math.hypot(*shift) if code in ("G0", "G1") else self._arc(code, start, values)
        return Done(True, length, net, length > 0 and net > 0)

    def _arc(self, code: str, start: dict[str, Fraction], values: dict[str, Fraction]) -> float:
        """§3.5.3: the turn in the plane, and with it the third axis. As complex numbers: first axis real, second imaginary."""
        first, second, third = {"G17": tuple("XYZ"), "G18": tuple("ZXY"), "G19": tuple("YZX")}[self.active["plane"]]
        here = complex(start[first], start[second])
        there = complex(self.at[first], self.at[second])
        unit = float(self.unit)
        offsets = dict(zip("XYZ", "IJK", strict=True))
        if "R" in values:
            centre = self._centre(here, there, float(values["R"]) * unit, code == "G2")
        else:
            i, j = values.get(offsets[first], Fraction(0)), values.get(offsets[second], Fraction(0))
            centre = here + unit * complex(i, j)
        turn = cmath.phase((there - centre) / (here - centre))  # −π … π, positive is counter-clockwise
        if code == "G2":
            turn = -turn
        if here == there:
            turn = 2 * math.pi
        elif turn <= 0:
            turn += 2 * math.pi
        return math.hypot(abs(here - centre) * turn, float(self.at[third] - start[third]))

    @staticmethod
    def _centre(here: complex, there: complex, radius: float, clockwise: bool) -> complex:
        """Of the two circles of that radius through both points, the one that gives at most a half turn, or at least."""
        middle, chord = (here + there) / 2, there - here
        away = math.sqrt(max(0.0, radius**2 - (abs(chord) / 2) ** 2))
        normal = 1j * chord / abs(chord)
        for centre in (middle + normal * away, middle - normal * away):
            turn = cmath.phase((there - centre) / (here - centre)) * (-1 if clockwise else 1)
            if (turn % (2 * math.pi) <= math.pi + 1e-12) == (radius > 0):
                return centre
        raise ValueError("no circle of that radius")
