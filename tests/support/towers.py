"""Small plain towers, written to order: every way of writing the same part that a run must understand.

All are hollow squares of 10 mm (round ones of 10 mm across), layers of 0.3 mm, nine of them, so that bands of 0.9 mm hold
three layers each. A file heats without waiting unless it is asked to: waits are tested where they are meant.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

LAYER = 0.3
LAYERS = 9
SIDE = 10.0
FILAMENT_AREA = math.pi / 4 * 1.75**2  # mm²
WIDTH = 0.45  # mm of a line
PRINT, FIRST, TRAVEL, LIFT, PULL = 2400.0, 1200.0, 7200.0, 600.0, 1800.0  # mm/min
RETRACTION, HOP = 1.0, 0.4  # mm
SEGMENTS = 24  # of one turn of a spiral
INCH = 25.4

NOZZLE = (("nozzle", 220.0, -8.0),)
"""What most tests schedule: (channel, first, change)."""
STEPS = (0.0, 0.9, 1.8)
"""mm, where the bands of `schedule` begin."""
BANDS: dict[str, tuple[float, ...]] = {"nozzle": (220.0, 212.0, 204.0)}
"""What NOZZLE makes of them, °C."""
TOLERANCE = 2.5
"""°C: 1.5 asked for, and what a controller does between two readings a tenth of a second apart, at 150 times the speed."""

Point = tuple[float, float]


@dataclass(frozen=True)
class How:
    """The ways in which the same part can be written."""

    relative_e: bool = True
    mode_last: str = "E"  # which of G90 and M82/M83 comes last: "E" or "G90"
    says: str = ""  # M82 or M83 against what is meant: where G90 behind it sets E as well
    relative_hop: bool = False  # hops as G91 … G90, and the mode of E said again
    inches: bool = False
    arcs: bool = False
    spiral: bool = False
    parts: int = 1  # printed one after another
    waits: bool = False  # M109, M190 in the start
    bed: int = 0  # °C; 0 = not heated
    nozzle: int = 220
    inside: tuple[tuple[int, str], ...] = ()  # (layer, block): the file's own blocks at the beginning of that layer


@dataclass
class Pen:
    how: How
    lines: list[str] = field(default_factory=list)
    e: float = 0.0
    at: Point = (0.0, 0.0)
    z: float = 0.0

    def say(self, *blocks: str) -> None:
        self.lines += blocks

    def word(self, letter: str, mm: float) -> str:
        return f"{letter}{mm / INCH:.6f}" if self.how.inches else f"{letter}{mm:.4f}"

    def filament(self, mm: float) -> str:
        self.e += mm
        return self.word("E", mm if self.how.relative_e else self.e)

    def feed(self, mm_min: float) -> str:
        return self.word("F", mm_min)

    def travel(self, to: Point, z: float) -> None:
        """Back, up, across, down, forward; the first time across and down, for the nozzle may still be cold."""
        if not self.z:
            self.say(f"G0 {self.word('X', to[0])} {self.word('Y', to[1])} {self.feed(TRAVEL)}")
            self.say(f"G0 {self.word('Z', z)} {self.feed(LIFT)}")
            self.at, self.z = to, z
            return
        self.say(f"G1 {self.filament(-RETRACTION)} {self.feed(PULL)}")
        if self.how.relative_hop:
            self.say("G91", f"G0 {self.word('Z', HOP)} {self.feed(LIFT)}", "G90")
            self.say("M83" if self.how.relative_e else "M82")
        else:
            self.say(f"G0 {self.word('Z', max(z, self.z) + HOP)} {self.feed(LIFT)}")
        self.say(f"G0 {self.word('X', to[0])} {self.word('Y', to[1])} {self.feed(TRAVEL)}")
        self.say(f"G0 {self.word('Z', z)} {self.feed(LIFT)}", f"G1 {self.filament(RETRACTION)} {self.feed(PULL)}")
        self.at, self.z = to, z

    def line(self, to: Point, feed: float, z: float | None = None) -> None:
        length = math.dist(self.at, to)
        rise = "" if z is None else f" {self.word('Z', z)}"
        amount = self.filament(length * WIDTH * LAYER / FILAMENT_AREA)
        self.say(f"G1 {self.word('X', to[0])} {self.word('Y', to[1])}{rise} {amount} {self.feed(feed)}")
        self.at, self.z = to, self.z if z is None else z

    def turn(self, centre: Point, feed: float) -> None:
        """A whole turn as two arcs, one each way of writing them."""
        radius = SIDE / 2
        half = self.filament(math.pi * radius * WIDTH * LAYER / FILAMENT_AREA)
        far, near = centre[0] + radius, centre[0] - radius
        self.say(
            f"G2 {self.word('X', far)} {self.word('Y', centre[1])} {self.word('I', radius)} J0 {half} {self.feed(feed)}"
        )
        half = self.filament(math.pi * radius * WIDTH * LAYER / FILAMENT_AREA)
        self.say(f"G2 {self.word('X', near)} {self.word('Y', centre[1])} {self.word('I', -radius)} J0 {half}")


def tower(how: How | None = None) -> str:
    """The whole file."""
    how = how or How()
    pen = Pen(how)
    _start(pen)
    for part in range(how.parts):
        centre = (110.0 + 30.0 * part, 110.0)
        if part:  # over the finished one
            pen.say(f"G1 {pen.filament(-RETRACTION)} {pen.feed(PULL)}")
            pen.say(f"G0 {pen.word('Z', LAYERS * LAYER + 5.0)} {pen.feed(LIFT)}")
            pen.say(f"G0 {pen.word('X', centre[0] - 5)} {pen.word('Y', centre[1])} {pen.feed(TRAVEL)}")
            pen.say(f"G1 {pen.filament(RETRACTION)} {pen.feed(PULL)}")
        if how.spiral:
            _spiral(pen, centre)
        else:
            _layers(pen, centre)
    _end(pen)
    return "\n".join(pen.lines) + "\n"


def _start(pen: Pen) -> None:
    how = pen.how
    pen.say("; a plain tower for tests")
    if how.bed:
        pen.say(f"M140 S{how.bed}")
    pen.say(f"M104 S{how.nozzle}", "G20" if how.inches else "G21 (millimetres)")
    mode = how.says or ("M83" if how.relative_e else "M82")
    pen.say(*(("G90", mode) if how.mode_last == "E" else (mode, "G90")), "G28")
    if how.waits:
        pen.say(*([f"M190 S{how.bed}"] if how.bed else []), f"M109 S{how.nozzle}")
    pen.say("M107", "G92 E0", "")


def _layers(pen: Pen, centre: Point) -> None:
    x, y, half = *centre, SIDE / 2
    for number in range(1, LAYERS + 1):
        z, feed = round(number * LAYER, 4), FIRST if number == 1 else PRINT
        pen.say(f"; layer {number}", *(block for layer, block in pen.how.inside if layer == number))
        if pen.how.arcs:
            pen.travel((x - half, y), z)
            pen.turn(centre, feed)
            pen.at = (x - half, y)
            continue
        pen.travel((x - half, y - half), z)
        for to in ((x + half, y - half), (x + half, y + half), (x - half, y + half), (x - half, y - half)):
            pen.line(to, feed)


def _spiral(pen: Pen, centre: Point) -> None:
    """A flat foot, then one line that rises all the way."""
    x, y, radius = *centre, SIDE / 2
    pen.travel((x + radius, y), LAYER)
    for step in range(1, SEGMENTS * LAYERS + 1):
        angle, rise = math.tau * step / SEGMENTS, max(0.0, step / SEGMENTS - 1.0) * LAYER
        to = (x + radius * math.cos(angle), y + radius * math.sin(angle))
        pen.line(to, FIRST if step <= SEGMENTS else PRINT, round(LAYER + rise, 4) if rise else None)


def _end(pen: Pen) -> None:
    pen.say(f"G1 {pen.filament(-2.0)} {pen.feed(PULL)}", "M104 S0", *(["M140 S0"] if pen.how.bed else []), "M107")
    pen.say(f"G0 {pen.word('Z', LAYERS * LAYER + 10.0)} {pen.feed(LIFT)}", "M84")


# ---- other spellings of the same file


def crlf(text: str) -> bytes:
    return text.replace("\n", "\r\n").encode()


def lower(text: str) -> bytes:
    return text.lower().encode()


def numbered(text: str) -> bytes:
    """With line numbers and checksums of its own (public line convention), and the M110 that goes with them."""
    blocks = [line.partition(";")[0].strip() for line in text.splitlines()]
    lines = ["M110 N0", *(block for block in blocks if block)]
    return "".join(f"{body}*{_xor(body)}\n" for body in (f"N{n} {line}" for n, line in enumerate(lines))).encode()


def spaced(text: str) -> bytes:
    """With blanks and tabs where they mean nothing (NIST RS274/NGC, NISTIR 6556 §3.3), and no newline at the end."""
    return "\n".join(f"\t{line}  " for line in text.splitlines()).encode()


def _xor(body: str) -> int:
    value = 0
    for byte in body.encode():
        value ^= byte
    return value


def commands(data: bytes) -> list[str]:
    """The commands of a file: without comments, blank lines, `%`, numbers, checksums and M110."""
    found = []
    for line in re.split(rb"[\r\n]+", data):
        text = re.sub(rb"\([^)]*\)", b"", line).partition(b";")[0].strip()
        if text[:1] in (b"N", b"n"):
            text = re.sub(rb"^[Nn]\s*\d+\s*", b"", re.sub(rb"\*\d+\s*$", b"", text)).strip()
        if text and text != b"%" and not re.match(rb"[Mm]110(?!\d)", text):
            found.append(text.decode("latin-1"))
    return found


def schedule(channels: Iterable[tuple[str, float, float]], **settle: object) -> str:
    """Three steps of 0.9 mm: (channel, first, change) each."""
    rows = [f"{name} = {{ first = {first:g}, change = {change:g} }}" for name, first, change in channels]
    kept = {"tolerance": 1.5, "dwell_s": 0.3, "patience_s": 20, **settle}
    words = [f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}" for key, value in kept.items()]
    return "\n".join(
        [
            'title = "test tower"',
            "[stairs]",
            "plinth_mm = 0",
            "rise_mm = 0.9",
            "count = 3",
            *rows,
            "[settle]",
            *words,
            "",
        ]
    )
