"""Commands that set something: heat, with its waits, fan, factors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from banderole.bench import reports
from banderole.bench.do_motion import drained
from banderole.bench.heater import Heater
from banderole.bench.reading import Handler, Waiting, Words

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter

# s between a waiting board's looks at its heaters, and between the lines it sends meanwhile.
WAIT_LOOK_S = 0.1
WAIT_REPORT_S = 1.0


def set_nozzle(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("S", words.get("R"))) is not None and (heater := _tool(p, words)) is not None:
        p.machine.set_target(heater, value, p.clock)
        p.log.setpoint(p.clock, p.number, "nozzle", value, p.machine.nozzles.index(heater))


def set_bed(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("S", words.get("R"))) is not None:
        p.machine.set_target(p.machine.bed, value, p.clock)
        p.log.setpoint(p.clock, p.number, "bed", value)


def wait_nozzle(p: EmulatedPrinter, words: Words) -> Waiting:
    heater = _tool(p, words)
    if heater is not None:
        set_nozzle(p, words)
        yield from _heated(p, heater, words)


def wait_bed(p: EmulatedPrinter, words: Words) -> Waiting:
    set_bed(p, words)
    yield from _heated(p, p.machine.bed, words)


def _heated(p: EmulatedPrinter, heater: Heater, words: Words) -> Waiting:
    both_ways = words.get("S") is None and words.get("R") is not None
    yield from drained(p)
    p.heating = True
    manners, inside_since, told = p.manners, math.inf, p.clock
    while heater.target > 0.0 and not p.break_wait:
        p.machine.heat_to(p.clock)
        away = heater.read() - heater.target
        if away > manners.wait_window and not both_ways:
            return  # S waits for heating alone
        if abs(away) > manners.wait_window:
            inside_since = math.inf
        elif inside_since == math.inf:
            inside_since = p.clock
        left = manners.wait_dwell_s - (p.clock - inside_since) * manners.heat_speed
        if left <= 1e-6:
            return
        if p.clock >= told:
            p.say_reading(reports.waiting(p.machine, None if inside_since == math.inf else left, p.clock))
            told = p.clock + WAIT_REPORT_S
        yield p.clock + WAIT_LOOK_S


def _tool(p: EmulatedPrinter, words: Words) -> Heater | None:
    tool = words.get("T")
    if tool is None:
        return p.machine.nozzle
    if 0 <= tool < p.manners.tools:
        return p.machine.nozzles[int(tool)]
    p.say(f"echo:no tool {tool:g} here")
    return None


def select_tool(tool: int) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> Waiting:
        yield from drained(p)
        if tool < p.manners.tools:
            p.machine.select_tool(tool, p.clock)
        else:
            p.say(f"echo:no tool {tool} here")

    return handler


def fan(on: bool) -> Handler:
    def handler(p: EmulatedPrinter, words: Words) -> None:
        if words.get("P"):
            return  # another fan: not this machine's part fan
        value = words.get("S", 255.0) if on else 0.0
        p.machine.carry_out(p.clock)
        p.machine.blow(min(255.0, max(0.0, 255.0 if value is None else value)), p.clock)
        p.log.setpoint(p.clock, p.number, "fan", p.machine.fan)

    return handler


def feed_factor(p: EmulatedPrinter, words: Words) -> None:
    if value := words.get("S"):
        p.machine.factor = value
        p.log.setpoint(p.clock, p.number, "feed", value)
    else:
        p.answer("M220", f"FR:{p.machine.factor:g}%")


def flow_factor(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("S")) is not None:
        p.machine.flow = value
        p.log.setpoint(p.clock, p.number, "flow", value, p.machine.tool)
    else:
        p.answer("M221", f"echo:E{p.machine.tool} Flow: {p.machine.flow:g}%")


def pressure_advance(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("K")) is not None:
        p.machine.advance = value
        p.log.setpoint(p.clock, p.number, "advance", value)
    else:
        p.answer("M900", f"echo:Advance K={p.machine.advance:.3f}")


def retraction(p: EmulatedPrinter, words: Words) -> None:
    m = p.machine
    if not words:
        length, feed, lift = m.retraction
        p.answer("M207", f"echo:M207 S{length:.2f} F{feed:.0f} Z{lift:.2f}")
    for at, letter in enumerate("SFZ"):
        if (value := words.get(letter)) is not None:
            m.retraction[at] = value
            if letter == "S":
                p.log.setpoint(p.clock, p.number, "retract", value)


def allow_cold(p: EmulatedPrinter, words: Words) -> None:
    if (value := words.get("S")) is not None:
        p.machine.cold_below = value
    if (value := words.get("P")) is not None:
        p.machine.cold_allowed = bool(value)
