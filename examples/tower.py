"""A small plain tower as G-code: `python3 examples/tower.py > tower.gcode`.

On a plinth stand equal steps. Each step is a hollow square column with one thing of each kind that a change of
temperature, fan or flow shows on: plain walls, a nose that leans out of the front and back again, a bridge between the
column and a post, and a thin spike beside it all that is never given time to cool. Between first and last deposit the
file sets one thing, the fan, as files do; the rest is left to whoever prints it.

The first line of a file holds the options it was written with. Standard library only. Lengths in mm, feedrates in
mm/min, temperatures in °C.
"""

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

LINE = 0.45  # width of a line, for a 0.4 mm nozzle: common practice, no source
FILAMENT_AREA = math.pi / 4 * 1.75**2  # mm²
SIDE = 20.0  # of the column
POST = 4.0  # side of the post that carries the far end of the bridge
SPAN = 12.0  # free length of the bridge
LEAN = 1.0  # mm outwards for each mm up: the nose leans 45° from upright
NOSE = 0.3  # of a step's height: from here below the step's middle to here above it
BRIM_LINES = 2  # around each foot of the plinth: the post and the spike would not stand otherwise
SKIRT = 4.0  # mm around it all, in the first layer only: the flow is even when the part begins
PRINT, FIRST, TRAVEL, LIFT, PULL = 2400, 1200, 7200, 600, 1800
RETRACTION = 1.0  # mm of filament before each travel
HOP = 0.4  # mm up while travelling

Point = tuple[float, float]


@dataclass
class Options:
    """What may be chosen."""

    steps: int = 6
    rise: float = 7.5
    plinth: float = 1.2
    layer: float = 0.3
    relative: bool = False
    nozzle: int = 240
    bed: int = 75
    centre: Point = (110.0, 110.0)


@dataclass
class Pen:
    """Writes moves, and keeps what E stands at."""

    relative: bool
    lines: list[str] = field(default_factory=list)
    at: Point = (0.0, 0.0)
    z: float = 0.0
    e: float = 0.0

    def say(self, *blocks: str) -> None:
        """Blocks as they are."""
        self.lines += blocks

    def filament(self, amount: float) -> str:
        """The E word that moves filament by this much; rounding never adds up."""
        if self.relative:
            return f"E{amount:.5f}"
        self.e += amount
        return f"E{self.e:.5f}"

    def travel(self, to: Point) -> None:
        """Filament back, up, across, down, filament forward."""
        if math.dist(self.at, to) < 1.5:  # a hair's length: pulling would cost more than it saves
            self.say(f"G0 X{to[0]:.3f} Y{to[1]:.3f} F{TRAVEL}")
        else:
            self.say(f"G1 {self.filament(-RETRACTION)} F{PULL}", f"G0 Z{self.z + HOP:.3f} F{LIFT}")
            self.say(f"G0 X{to[0]:.3f} Y{to[1]:.3f} F{TRAVEL}", f"G0 Z{self.z:.3f} F{LIFT}")
            self.say(f"G1 {self.filament(RETRACTION)} F{PULL}")
        self.at = to

    def path(self, points: list[Point], height: float, feedrate: int) -> None:
        """One line of the given layer height through all points, the first reached by a travel."""
        self.travel(points[0])
        word = f" F{feedrate}"
        for to in points[1:]:
            amount = math.dist(self.at, to) * LINE * height / FILAMENT_AREA
            self.say(f"G1 X{to[0]:.3f} Y{to[1]:.3f} {self.filament(amount)}{word}")
            self.at, word = to, ""


def loop(x0: float, y0: float, x1: float, y1: float) -> list[Point]:
    """A closed rectangle."""
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]


def grown(x0: float, y0: float, x1: float, y1: float, by: float) -> list[Point]:
    """A closed rectangle, larger on every side."""
    return loop(x0 - by, y0 - by, x1 + by, y1 + by)


def feet(options: Options) -> list[tuple[float, float, float, float]]:
    """Column, post and spike as rectangles on the bed."""
    x, y = options.centre
    half = SIDE / 2
    post = x + half + SPAN
    return [
        (x - half, y - half, x + half, y + half),
        (post, y - POST / 2, post + POST, y + POST / 2),
        (x - half - 8, y - 1.2, x - half - 5.6, y + 1.2),
    ]


def solid(x0: float, y0: float, x1: float, y1: float) -> list[Point]:
    """There and back over a rectangle, line beside line."""
    count = max(1, round((y1 - y0) / LINE))
    points: list[Point] = []
    for row in range(count):
        y = y0 + (row + 0.5) * (y1 - y0) / count
        points += [(x0, y), (x1, y)] if row % 2 == 0 else [(x1, y), (x0, y)]
    return points


def plinth_layer(options: Options, number: int) -> Iterator[list[Point]]:
    """Solid feet; the first layer has lines around them."""
    if number == 0:
        x0, y0, x1, y1 = zip(*feet(options), strict=True)
        yield grown(min(x0), min(y0), max(x1), max(y1), SKIRT)
    for foot in feet(options):
        if number == 0:
            yield from (grown(*foot, LINE * n) for n in range(BRIM_LINES, 0, -1))
        yield grown(*foot, -LINE / 2)
        left, front, right, rear = foot
        yield solid(left + LINE, front + LINE, right - LINE, rear - LINE)


def step_layer(options: Options, above: float) -> Iterator[list[Point]]:
    """A layer of a step whose middle is ``above`` the step's foot."""
    (x0, y0, x1, y1), post, spike = feet(options)
    out = max(0.0, options.rise * NOSE - abs(above - options.rise / 2)) * LEAN
    for inset in (LINE * 1.5, LINE / 2):  # inner wall first: the outer one then leans on it
        yield loop(x0 + inset, y0 - out + inset, x1 - inset, y1 - inset)
    yield grown(*post, -LINE / 2)
    if above > options.rise * 0.9:  # the bridge: from the column's edge to the post
        y = options.centre[1]
        yield [(x1 - LINE, y - LINE), (post[0] + LINE, y - LINE), (post[0] + LINE, y), (x1 - LINE, y)]
    yield grown(*spike, -LINE / 2)


def spelled(options: Options) -> str:
    """The options as one types them."""
    words = [f"--{name} {getattr(options, name):g}" for name in ("steps", "rise", "plinth", "layer", "nozzle", "bed")]
    return " ".join(words + ["--relative"] * options.relative)


def start(pen: Pen, options: Options) -> None:
    """Heat, home, and a line at the bed's edge to fill the nozzle.

    M82 or M83 comes after G90, which in some firmware sets the mode of E too.
    """
    pen.say(f"; a plain tower, written by tower.py {spelled(options)}")
    pen.say(f"M140 S{options.bed}", f"M104 S{options.nozzle}")
    pen.say(
        "G21", "G90", "M83" if options.relative else "M82", "G28", f"M190 S{options.bed}", f"M109 S{options.nozzle}"
    )
    pen.say("M107", "G92 E0", f"G0 Z{options.layer:.3f} F{LIFT}", f"G0 X10.000 Y20.000 F{TRAVEL}")
    pen.at, pen.z = (10.0, 20.0), options.layer
    pen.path([(10.0, 20.0), (10.0, 100.0), (10.4, 100.0), (10.4, 20.0)], options.layer, FIRST)
    pen.say("G92 E0")
    pen.e = 0.0


def end(pen: Pen) -> None:
    """Filament back, heat off, up, bed forward."""
    pen.say(f"G1 {pen.filament(-2 * RETRACTION)} F{PULL}", "M104 S0", "M140 S0", "M107")
    pen.say(f"G0 Z{pen.z + 10:.3f} F{LIFT}", f"G0 X10.000 Y200.000 F{TRAVEL}", "M84")


def tower(options: Options) -> str:
    """The whole file."""
    pen = Pen(options.relative)
    start(pen, options)
    height = options.plinth + options.steps * options.rise
    for number in range(round(height / options.layer)):
        top = (number + 1) * options.layer
        middle = top - options.layer / 2
        step, above = divmod(middle - options.plinth, options.rise)
        if 0 < above < options.layer and step >= 0:
            pen.say(f"; step {step + 1:g} of {options.steps} stands on {top - options.layer:g} mm")
        pen.say(f"G0 Z{top:.3f} F{LIFT}")
        pen.z = top
        if number == 1:
            pen.say("M106 S102")  # 40 %: from the second layer on, so that the first one holds
        for points in plinth_layer(options, number) if step < 0 else step_layer(options, above):
            pen.path(points, options.layer, FIRST if number == 0 else PRINT)
    end(pen)
    return "\n".join(pen.lines) + "\n"


def whole(number: float) -> bool:
    """Whether a number is whole but for what binary fractions add."""
    return abs(number - round(number)) < 1e-6


def chosen(arguments: list[str] | None = None) -> Options:
    """The options of a command line; ends with usage where they make no tower."""
    default = Options()
    parser = argparse.ArgumentParser(description="Write a small plain tower as G-code to standard output.")
    parser.add_argument("--steps", type=int, default=default.steps, help="number of steps (%(default)s)")
    parser.add_argument("--rise", type=float, default=default.rise, help="mm height of one step (%(default)s)")
    parser.add_argument("--plinth", type=float, default=default.plinth, help="mm below the first step (%(default)s)")
    parser.add_argument("--layer", type=float, default=default.layer, help="mm layer height (%(default)s)")
    parser.add_argument("--relative", action="store_true", help="relative E (M83); else absolute (M82)")
    parser.add_argument("--nozzle", type=int, default=default.nozzle, help="°C in the start (%(default)s)")
    parser.add_argument("--bed", type=int, default=default.bed, help="°C of the bed (%(default)s)")
    given = parser.parse_args(arguments)
    if not (1 <= given.steps <= 60 and 0.05 <= given.layer <= 0.4 and given.layer <= given.plinth <= 20):
        parser.error("steps 1 to 60, layer 0.05 to 0.4 mm, plinth one layer to 20 mm")
    if not (5 * given.layer <= given.rise <= 50 and given.plinth + given.steps * given.rise <= 240):
        parser.error("rise at least five layers and at most 50 mm, and not over 240 mm in all")
    if not all(whole(length / given.layer) for length in (given.plinth, given.rise)):
        parser.error("plinth and rise must be whole layers, so that a step begins where a layer begins")
    return Options(given.steps, given.rise, given.plinth, given.layer, given.relative, given.nozzle, given.bed)


if __name__ == "__main__":
    sys.stdout.write(tower(chosen()))
