"""Faults that come when they are asked for: `NAME@WHEN`, WHEN a count of executed commands or, with an s, seconds.

`S1@120` when command 120 has begun, `T3@30s` thirty seconds into the printer's life. A fault of a heater is the
nozzle's; `T3-bed@120` is the bed's.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from banderole.bench.firmware import EmulatedPrinter
    from banderole.bench.heater import Heater

_SPEC = re.compile(r"([A-Za-z0-9]+?)(?:-(bed|nozzle))?@(\d+(?:\.\d+)?)(s?)")
# s that a printer says nothing and then goes on (S9), as the host's clock has it.
PAUSE_S = 5.0
# Times one request to resend is repeated (S5).
REPEATS = 10
# Lines beyond the one wanted that a confused board asks for (S6): never sent by anybody.
WRONG_BY = 1000
# … and before it (S6b): taken long ago, and older than what a host has reason to keep.
WRONG_BACK = -80
# °C, standard deviation: readings that go in and out of any usual tolerance (T6).
LOUD_NOISE = 1.0


def _silent(p: EmulatedPrinter) -> None:
    p.voice.mute = True
    p.voice.forget()


def _mute_readings(p: EmulatedPrinter) -> None:
    p.readings_muted = True


def _damage(p: EmulatedPrinter) -> None:
    p.hearing.noise.flips += 1


def _repeat_refusal(p: EmulatedPrinter) -> None:
    p.hearing.noise.flips += 1
    p.refusal_repeats = REPEATS


def _ask_wrongly(p: EmulatedPrinter) -> None:
    p.hearing.noise.flips += 1
    p.resend_wrong_by = WRONG_BY


def _ask_for_old(p: EmulatedPrinter) -> None:
    p.hearing.noise.flips += 1
    p.resend_wrong_by = WRONG_BACK


def _falsify_setpoint(p: EmulatedPrinter) -> None:
    p.hearing.setpoints_to_falsify += 1


def _falsify_motion(p: EmulatedPrinter) -> None:
    p.hearing.deposits_to_falsify += 1


def _lose_ok(p: EmulatedPrinter) -> None:
    p.voice.oks_to_lose += 1


def _add_ok(p: EmulatedPrinter) -> None:
    p.voice.oks_to_add += 1


def _twist(p: EmulatedPrinter) -> None:
    p.voice.twists.extend(("damaged", "merged", "doubled", "split"))


def _pause(p: EmulatedPrinter) -> None:
    p.voice.held_until = p.clock + PAUSE_S


def _never_end(p: EmulatedPrinter) -> None:
    p.voice.never_end()


def _restart(p: EmulatedPrinter) -> None:
    p.restart("by itself")


def _fail(p: EmulatedPrinter) -> None:
    p.halt("thermal failure")


def _unplug(p: EmulatedPrinter) -> None:
    p.unplugged = True


def _wild(heater: Heater) -> None:
    heater.wild_samples += 1


def _noisy(heater: Heater) -> None:
    heater.build = dataclasses.replace(heater.build, noise=LOUD_NOISE)


BOARD_FAULTS: dict[str, Callable[[EmulatedPrinter], None]] = {
    "S1": _damage,  # a bit flips on the way to the printer
    "S2": _falsify_setpoint,  # damage the XOR misses, in the next setpoint
    "S2b": _falsify_motion,  # … in the next motion that offers it and lays something down
    "S3": _lose_ok,
    "S4": _add_ok,
    "S5": _repeat_refusal,  # one damaged line, refused ten times over
    "S6": _ask_wrongly,  # from now on asks for lines never sent
    "S6b": _ask_for_old,  # … for lines of long ago
    "S7": _twist,  # the next four replies: one damaged, one merged with the next, one doubled, one split in two
    "S8": _never_end,
    "S9": _pause,
    "S10": _silent,  # for good
    "S10b": _mute_readings,  # replies, but no temperatures, for good
    "S11": _restart,
    "S12": _unplug,
    "S15": _fail,
}
HEATER_FAULTS: dict[str, Callable[[Heater], None]] = {
    "T1": lambda heater: heater.break_sensor("open"),
    "T1b": lambda heater: heater.break_sensor("short"),
    "T1c": lambda heater: heater.break_sensor("nan"),
    "T1d": lambda heater: heater.break_sensor("cold"),
    "T1e": lambda heater: heater.break_sensor("hot"),
    "T2": lambda heater: heater.break_sensor("frozen"),
    "T3": lambda heater: heater.break_body("dead"),
    "T4": lambda heater: heater.break_body("stuck_on"),
    "T5": lambda heater: heater.break_body("weak"),
    "T6": _noisy,
    "T7": _wild,
}
NAMES = (*BOARD_FAULTS, *HEATER_FAULTS)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault to come: after `count` commands, or at `at` seconds of the printer's clock."""

    name: str
    heater: str  # nozzle or bed; "" for a fault of the board
    count: float
    at: float

    @staticmethod
    def parse(spec: str) -> Fault:
        """Raises ValueError with one clear line."""
        found = _SPEC.fullmatch(spec)
        if found is None:
            raise ValueError(f"fault {spec!r}: write NAME@COUNT (commands) or NAME@SECONDSs, as S1@120 or T3-bed@30s")
        name, heater, when, unit = found.groups()
        known = {each.lower(): each for each in NAMES}.get(name.lower())
        if known is None:
            raise ValueError(f"fault {spec!r}: there is no {name}; known are {', '.join(NAMES)}")
        if heater and known in BOARD_FAULTS:
            raise ValueError(f"fault {spec!r}: {known} is a fault of the board; leave -{heater} off")
        if not unit and "." in when:
            raise ValueError(f"fault {spec!r}: commands are counted whole; for seconds write {when}s")
        count, at = (math.inf, float(when)) if unit else (float(when), math.inf)
        return Fault(known, "" if known in BOARD_FAULTS else heater or "nozzle", count, at)


class FaultPlan:
    """The faults to come, in their order."""

    def __init__(self, specs: tuple[str, ...]) -> None:
        self._to_come = [Fault.parse(spec) for spec in specs]
        self._look()

    def add(self, spec: str) -> None:
        """One more. Raises ValueError with one clear line."""
        self._to_come.append(Fault.parse(spec))
        self._look()

    def strike(self, p: EmulatedPrinter) -> None:
        """Lets everything happen that is due by the commands executed and the clock."""
        due = [fault for fault in self._to_come if fault.count <= p.log.executed or fault.at <= p.clock]
        self._to_come = [fault for fault in self._to_come if fault not in due]
        self._look()
        for fault in due:
            p.log.event(p.clock, "fault", fault.name if not fault.heater else f"{fault.name} {fault.heater}")
            if fault.heater:
                p.machine.heat_to(p.clock)
                HEATER_FAULTS[fault.name](p.machine.bed if fault.heater == "bed" else p.machine.nozzle)
            else:
                BOARD_FAULTS[fault.name](p)

    def _look(self) -> None:
        self.next_count = min((fault.count for fault in self._to_come), default=math.inf)
        self.next_at = min((fault.at for fault in self._to_come), default=math.inf)
