"""Commands that move, wait for motion, or change what a motion means."""

from __future__ import annotations

from typing import TYPE_CHECKING

from banderole.bench.motion import arc_length
from banderole.bench.reading import Handler, Waiting, Words, read

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter
    from banderole.bench.line_discipline import Line


def plain_move(p: EmulatedPrinter, groups: tuple[bytes | None, ...]) -> bool:
    """A plain move, taken at once if the planner has room; else False, and it goes the way of all commands."""
    machine = p.machine
    machine.carry_out(p.clock)
    if len(machine.planner.queue) >= machine.planner.depth:
        return False
    _, _, early, x, y, z, e, late, _ = groups
    try:
        feed = early or late
        if feed is not None and (value := float(feed)) > 0.0:
            machine.feed = value * machine.unit
        held_back = machine.go(
            p.number,
            None if x is None else float(x),
            None if y is None else float(y),
            None if z is None else float(z),
            None if e is None else float(e),
            p.clock,
        )
    except ValueError:  # two points or signs in a number: the careful reader makes of it what it can
        return False
    p.cold(held_back)
    return True


def delayed_move(p: EmulatedPrinter, line: Line) -> Waiting:
    """A plain move that found no room in the planner, or holds a number that only the careful reader takes."""
    assert line.move is not None
    while (room := p.machine.planner.room_at()) > p.clock:
        yield room
    if not plain_move(p, line.move):
        yield from straight(p, read(line.text)[1])


def straight(p: EmulatedPrinter, words: Words) -> Waiting:
    while (room := p.machine.planner.room_at()) > p.clock:
        yield room
    _take_feed(p, words)
    p.cold(p.machine.go(p.number, words.get("X"), words.get("Y"), words.get("Z"), words.get("E"), p.clock))


def arc(clockwise: bool) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> Waiting:
        while (room := p.machine.planner.room_at()) > p.clock:
            yield room
        m = p.machine
        _take_feed(p, words)
        start = (m.x, m.y, m.z)
        end = tuple(
            at if (value := words.get(axis)) is None else value * m.unit + (at if m.relative else m.offset[n])
            for n, (axis, at) in enumerate(zip("XYZ", start, strict=True))
        )
        radius = words.get("R")
        centre = ((words.get("I") or 0.0) * m.unit, (words.get("J") or 0.0) * m.unit)
        named = "I" in words or "J" in words
        try:
            x, y, z = end
            length = arc_length(
                start, (x, y, z), centre if named else None, None if radius is None else radius * m.unit, clockwise
            )
        except ValueError as error:
            p.say(f"Error:{error}")
            return
        p.cold(m.plan("arc", p.number, x, y, z, length, words.get("E"), p.clock))

    return handler


def _take_feed(p: EmulatedPrinter, words: Words) -> None:
    feed = words.get("F")
    if feed:
        p.machine.feed = feed * p.machine.unit


def retract(back: bool) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> Waiting:
        while (room := p.machine.planner.room_at()) > p.clock:
            yield room
        m = p.machine
        if m.retracted == back:
            return
        length, feed, lift = m.retraction
        before, m.feed = m.feed, feed
        e = m.e
        m.retracted = back
        amount = -length if back else length
        word = amount / m.unit if m.e_relative else (m.e + amount) / m.unit
        path = abs(lift) if lift else 0.0
        p.cold(m.plan("retract", p.number, m.x, m.y, m.z + (lift if back else -lift), path, word, p.clock))
        m.e, m.feed = e, before  # the file's own count of E does not see a firmware retraction

    return handler


def dwell(p: EmulatedPrinter, words: Words) -> Waiting:
    yield from drained(p)
    seconds = (words.get("S") or 0.0) + (words.get("P") or 0.0) / 1000.0  # P in ms: the printing convention
    yield p.clock + seconds / p.manners.motion_speed


def drain(p: EmulatedPrinter, words: Words) -> Waiting:
    yield from drained(p)


def home(p: EmulatedPrinter, words: Words) -> Waiting:
    yield from drained(p)
    start = p.clock
    named = tuple(axis in words for axis in "XYZ")
    axes = named if any(named) else (True, True, True)
    p.deaf = not p.manners.reports_while_slow
    yield start + p.manners.home_s / p.manners.motion_speed * sum(axes) / 3.0
    p.machine.home((axes[0], axes[1], axes[2]), p.number, start, p.clock)


def probe(p: EmulatedPrinter, words: Words) -> Waiting:
    yield from drained(p)
    p.deaf = not p.manners.reports_while_slow
    yield p.clock + p.manners.probe_s / p.manners.motion_speed
    p.machine.planner.rest_at = p.clock


def drained(p: EmulatedPrinter) -> Waiting:
    while (rest := p.machine.planner.rest_at) > p.clock:
        yield rest


def shift(p: EmulatedPrinter, words: Words) -> None:
    m = p.machine
    axes = [axis for axis in "XYZE" if axis in words] or ["X", "Y", "Z", "E"]  # bare: all zero (printing convention)
    for axis in axes:
        value = (words.get(axis) or 0.0) * m.unit
        if axis == "E":
            m.e = value
        else:
            at = "XYZ".index(axis)
            m.offset[at] = (m.x, m.y, m.z)[at] - value


def units(mm: float) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> None:
        p.machine.unit = mm

    return handler


def distance_mode(relative: bool) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> None:
        p.machine.relative = relative
        if p.manners.e_mode == "joined":
            p.machine.e_relative = relative

    return handler


def e_mode(relative: bool) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> None:
        p.machine.e_relative = relative

    return handler


def motors_off(p: EmulatedPrinter, words: Words) -> Waiting:
    if (seconds := words.get("S")) is not None:
        p.timers.idle_release = max(0.0, seconds)
        return
    yield from drained(p)
    p.let_motors_go("asked")
