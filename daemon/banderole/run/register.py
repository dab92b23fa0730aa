"""The register of what makes safe by itself: each alarm with its level, when it clears, how long it takes, and what to do.

An alarm without something for a person to do is none (ISA-18.2); so each has that in words. `as_table` draws the page of
DEVELOPERS.md; tests hold that no trip has a name that is not here, and that each is proven.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

READINGS: Final = "2 readings in a row"


@dataclass(frozen=True, slots=True)
class Entry:
    """One alarm. `level` and `after`: when it trips, keys as in [interlocks]; `clears`: what stops its time before that."""

    alarm: str
    means: str
    level: str
    after: str
    clears: str
    do: str


REGISTER: Final = (
    Entry("heat_rise", "heating, more than 10 °C to go, and the temperature does not rise as it should",
          "less than `rise.degrees`, of an identified heater less than 30 % of what it should",
          "`rise.within_s`, four times that where so little is due", "the rise that was due",
          "look to the heater, its wires, and the sensor's seat"),
    Entry("heat_runaway", "too far below where it should stay: under the setpoint, or fallen back on the way up",
          "`runaway.degrees` below", "`runaway.for_s`", "2 °C back",
          "look to the heater and its wires, the sensor's seat, a fan that blows on the block"),
    Entry("heat_overshoot", "too far above the setpoint, or above where it should be on the way down",
          "`overshoot.degrees` above", "`overshoot.for_s`", "2 °C back",
          "switch off if it still climbs; look to what switches the heater, and its tuning"),
    Entry("heat_while_off", "the setpoint is 0 and the temperature climbs",
          "`overshoot.degrees` above the lowest of late", READINGS, "one reading below",
          "switch off at the mains; what switches the heater has failed"),
    Entry("heat_over_limit", "hotter than the machine may ever be set to, by 10 °C",
          "`limits` + 10 °C", READINGS, "one reading below", "switch off at the mains; look to what switches the heater"),
    Entry("sensor_impossible", "a reading that no working sensor gives; one is a caution, two in a row trip",
          "below −20 °C, above `limits` + 20 °C, or no number", READINGS, "one possible reading",
          "look to the sensor and its wires"),
    Entry("sensor_jump", "a reading that moved faster than a heater can; one is a caution, two in a row trip",
          "`jump.degrees_per_s`, after the first second of a gap a sixth of it; at least 10 °C", READINGS,
          "one reading that fits", "look to the sensor's plug and wires"),
    Entry("sensor_stuck", "a reading that stands still while power or the expected curve says that it should move",
          "3 °C due, or power changed by 35 %", "`stuck_s`", "another reading", "look to the sensor's seat; restart the board"),
    Entry("stale", "the printer talks, and no reading of something hot comes", "no reading", "`stale_s`", "a reading",
          "restart the board; look to what else reads its port"),
    Entry("setpoint_lost", "a proven target that the printer shows no longer", "0.6 °C off", "3 reports in a row",
          "one report that shows it", "somebody at the panel? else look to the cable"),
    Entry("setpoint_unproven", "a setpoint that the printer does not show, or answers otherwise", "0.6 °C, 0.5 % off",
          "4 tries", "a report that shows it", "look to the cable; is the value in the firmware's own range?"),
    Entry("deposit_below", "too cold to lay anything down", "`limits.deposit_above`", "1 reading, while depositing", "–",
          "look to the heater; free the nozzle before the next run"),
    Entry("position_audit", "the printer is not where the file says", "0.05 mm; 0.01 mm where answers are exact",
          "2 answers that agree", "an answer that fits", "throw the part away; look to the cable and its screening"),
    Entry("limit", "a value that this machine must never be asked for was about to be sent", "`limits`", "at once", "–",
          "a fault of the program: keep the record and report it"),
    Entry("line_numbers", "printer and program no longer agree on the lines sent", "twice the same impossible request",
          "–", "a request that can be met", "restart the board; look to the cable"),
    Entry("printer_fatal", "the printer has stopped itself", "its own words", "at once", "–",
          "read what it says; it may have found what this program cannot"),
    Entry("pre_wait", "a heater does not reach what the file waits for", "outside its tolerance",
          "3 times what is expected; unknown: 10 min, bed 30 min", "settled", "look to the heater, or set less"),
    Entry("file_changed", "the G-code file changed or shrank while it ran", "size, or digest at the end", "at once", "–",
          "leave the file alone, and start again"),
    Entry("heat_off_unproven", "heat was turned off and not seen to go off", "targets, power, three readings", "20 s", "–",
          "switch off at the mains; do not leave it"),
    Entry("own_fault", "a fault of the program", "–", "at once", "–", "keep the record and report it"),
)  # fmt: skip

HEATER_ALARMS: Final = frozenset(entry.alarm for entry in REGISTER[:8])
"""What a heater's own interlocks say (`interlocks`)."""
BY_ALARM: Final = {entry.alarm: entry for entry in REGISTER}


def what_to_do(alarm: str) -> str | None:
    """For a person; None for what is not in the register (cautions, lost links)."""
    entry = BY_ALARM.get(alarm)
    return None if entry is None else entry.do


def as_table() -> str:
    """The register as Markdown."""
    rows = [["alarm", "trips at", "after", "its time stops at", "what to do"], ["---"] * 5]
    rows += [[f"`{one.alarm}`", one.level, one.after, one.clears, one.do] for one in REGISTER]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"
