"""Commands that are answered, wait for a person, or stop everything."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from banderole.bench import reports
from banderole.bench.do_motion import drained
from banderole.bench.reading import Waiting, Words

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter


def temperatures(p: EmulatedPrinter, words: Words) -> None:
    if p.readings_muted:
        return
    text = reports.temperatures(p.machine, p.clock)
    if p.manners.readings_on_ok:
        p.ok_tail = f" {text}"
    else:
        p.say(text)


def auto_report(p: EmulatedPrinter, words: Words) -> None:
    if p.manners.auto_report:
        p.timers.report_each(int(words.get("S") or 0.0), p.clock)  # whole seconds: S0.1 is off
    else:
        p.unknown("M155")


def position(p: EmulatedPrinter, words: Words) -> None:
    p.say(reports.position(p.machine))


def identity(p: EmulatedPrinter, words: Words) -> None:
    for line in reports.identity(p.manners):
        p.say(line)


def busy_interval(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("S")) is not None:
        p.timers.busy_every = value


def inactivity(p: EmulatedPrinter, words: Words) -> None:
    p.timers.inactivity = max(0.0, words.get("S") or 0.0)


def person(p: EmulatedPrinter, words: Words) -> Waiting:
    yield from drained(p)
    seconds = (words.get("S") or 0.0) + (words.get("P") or 0.0) / 1000.0 or p.manners.person_s
    until = p.clock + seconds / p.manners.motion_speed if seconds else math.inf
    p.busy_reason = "paused for user"
    while p.clock < until and not p.break_wait:
        yield until


def break_wait(p: EmulatedPrinter, words: Words) -> None:
    """M108 in its turn: too late for any wait, which is why the emergency parser exists."""


def emergency_stop(p: EmulatedPrinter, words: Words) -> None:
    p.halt("stopped by M112")


def quick_stop(p: EmulatedPrinter, words: Words) -> None:
    p.machine.stop(p.clock)


def nothing(p: EmulatedPrinter, words: Words) -> None:
    """Known, and without effect here."""
