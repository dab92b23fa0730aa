"""What the board says: texts of our own in the reply grammar of the public line convention."""

from __future__ import annotations

from banderole.bench.heater import Heater
from banderole.bench.machine import Machine
from banderole.bench.manners import Manners

# Steps per mm of the counters behind `Count`: only there to be skipped by readers, as on real boards.
STEPS_PER_MM = 80


def temperatures(machine: Machine, now: float) -> str:
    """`T:210.0 /210.0 B:60.0 /60.0 @:64 B@:0`, with T0:, T1: where there are several tools."""
    machine.heat_to(now)
    manners = machine.manners
    parts = [_sensor("T", machine.nozzle), _sensor("B", machine.bed)]
    if manners.tools > 1:
        parts += [_sensor(f"T{tool}", heater) for tool, heater in enumerate(machine.nozzles)]
    if manners.power_shown:
        parts.append(f"@:{round(machine.nozzle.power * manners.power_full)}")
        parts.append(f"B@:{round(machine.bed.power * manners.power_full)}")
    return " ".join(parts)


def waiting(machine: Machine, left: float | None, now: float) -> str:
    """A line of a board that waits for heat; `left` is the time still wanted within the window, None outside it."""
    tail = "W:?" if left is None else f"W:{max(0.0, left):.0f}"
    if machine.manners.wait_form == "full":
        return f"{temperatures(machine, now)} {tail}"
    machine.heat_to(now)
    return f"T:{machine.nozzle.read():.1f} E:{machine.tool} {tail}"


def position(machine: Machine) -> str:
    """`X:1.00 Y:2.00 Z:0.30 E:4.00 Count X:80 …`: where the last planned motion ends, in the file's coordinates."""
    x, y, z = machine.x, machine.y, machine.z
    ox, oy, oz = machine.offset
    counts = " ".join(f"{axis}:{round(at * STEPS_PER_MM)}" for axis, at in zip("XYZ", (x, y, z), strict=True))
    return f"X:{x - ox:.2f} Y:{y - oy:.2f} Z:{z - oz:.2f} E:{machine.e:.2f} Count {counts}"


def identity(manners: Manners) -> list[str]:
    """The lines of M115."""
    lines = [
        "FIRMWARE_NAME:emulated bench board PROTOCOL_VERSION:1.0 MACHINE_TYPE:emulated tower bench "
        f"EXTRUDER_COUNT:{manners.tools}"
    ]
    if manners.capabilities:
        lines.append(f"Cap:AUTOREPORT_TEMP:{manners.auto_report:d}")
        lines.append(f"Cap:EMERGENCY_PARSER:{manners.emergency_parser:d}")
    return lines


def _sensor(name: str, heater: Heater) -> str:
    return f"{name}:{heater.read():.1f} /{heater.target:.1f}"
