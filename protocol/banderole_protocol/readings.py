"""Temperatures and positions inside a reply: their shapes, and one strict parser for the run of fields.

Every field of a line must be well formed, or the line counts for nothing: a wrong reading must not be half taken.
Sources: public RepRap wiki, page "G-code" (`T:93.2 B:22.9`, `C: X:9.2 Y:125.4 Z:3.7 E:1902.5`, a missing sensor reads
below -273); the forms with targets, power and `W:` are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

# Power is reported as a count out of 127 or out of 255, by firmware (from memory); nothing in the line says which.
POWER_FULL_LOW = 127
POWER_FULL_HIGH = 255


@dataclass(frozen=True, slots=True)
class Sensor:
    """One heater as reported: degrees Celsius, and the raw power count.

    `measured` may be NaN, infinite or below -273 (sensor missing): the interlocks must see it as it came.
    """

    measured: float
    target: float | None = None
    power_raw: int | None = None

    @property
    def power(self) -> float | None:
        """Power as a fraction of full, 127 taken as full, at most 1. `PowerScale` does better over many readings."""
        return None if self.power_raw is None else min(1.0, self.power_raw / POWER_FULL_LOW)


class PowerScale:
    """Decides between the two power scales by what has been seen: any count above 127 means full is 255."""

    def __init__(self) -> None:
        self.full = POWER_FULL_LOW

    def fraction(self, raw: int) -> float:
        """`raw` as a fraction of full, 0 to 1. Zero is zero on either scale."""
        if raw > POWER_FULL_LOW:
            self.full = POWER_FULL_HIGH
        return min(1.0, raw / self.full)


@dataclass(frozen=True, slots=True)
class Readings:
    """What one line says of the heaters. `tools` holds T0, T1 … in order where the line names them.

    `nozzle` is `T:`, or T0 where there is no `T:`. `waiting` marks the short form a printer sends while it waits for
    heat by itself (`T:205.3 E:0 W:9`).
    """

    nozzle: Sensor | None = None
    bed: Sensor | None = None
    tools: tuple[Sensor, ...] = ()
    chamber: Sensor | None = None
    waiting: bool = False


@dataclass(frozen=True, slots=True)
class Position:
    """Where the printer says its axes are, mm, in its own coordinates."""

    x: float
    y: float
    z: float
    e: float | None = None


_NUMBER = rb"-?(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9}|[Nn][Aa][Nn]|[Ii][Nn][Ff])"

# One field and the blanks behind it. Letters other than T, B and C are sensors of other things: read past, not kept.
_FIELD = re.compile(
    rb"(?:(?P<sensor>T\d{0,2}|[ABCDHLMPR]):\s*(?P<measured>%b)(?:\s*/\s*(?P<target>%b))?"
    rb"|(?P<heater>[A-Z]?)@(?P<index>\d{0,2}):\s*(?P<power>\d{1,4})"
    rb"|(?P<wait>E:\d{1,2}|W:\s*(?:\?|-?\d{1,5})))(?:\s+|$)" % (_NUMBER, _NUMBER),
)

_POSITION = re.compile(
    rb"(?:C:\s*)?X:\s*(%b)\s*Y:\s*(%b)\s*Z:\s*(%b)(?:\s*E\d?:\s*(%b))?(?:\s*Count\b.*)?" % ((_NUMBER,) * 4)
)


def parse_position(text: bytes) -> Position | None:
    """`X:1.00 Y:2.00 Z:0.30 E:4.00 Count …`, or with `C:` before it; only what is before Count. None: not one."""
    found = _POSITION.fullmatch(text)
    if found is None:
        return None
    x, y, z, e = found.groups()
    return Position(float(x), float(y), float(z), None if e is None else float(e))


def parse_readings(text: bytes) -> Readings | None:
    """All of `text` as temperature fields, or None if any of it is not one, stands twice, or belongs to nothing."""
    sensors: dict[bytes, tuple[float, float | None]] = {}
    powers: dict[bytes, int] = {}
    waits: set[bytes] = set()
    at = 0
    while at < len(text):
        field = _FIELD.match(text, at)
        if field is None or not _take(field, sensors, powers, waits):
            return None
        at = field.end()
    return _assemble(sensors, powers, bool(waits))


def _take(
    field: re.Match[bytes],
    sensors: dict[bytes, tuple[float, float | None]],
    powers: dict[bytes, int],
    waits: set[bytes],
) -> bool:
    """Files one field; False if its name was there already (two lines run together)."""
    if (name := field["sensor"]) is not None:
        if name in sensors:
            return False
        target = field["target"]
        sensors[name] = (float(field["measured"]), None if target is None else float(target))
    elif field["power"] is not None:
        # `@:` is the nozzle, `@1:` tool 1, `B@:` the bed: the names of the sensors they belong to.
        name = (field["heater"] or b"T") + field["index"]
        if name in powers:
            return False
        powers[name] = int(field["power"])
    else:
        name = field["wait"][:1]
        if name in waits:
            return False
        waits.add(name)
    return True


def _assemble(
    sensors: dict[bytes, tuple[float, float | None]], powers: dict[bytes, int], waiting: bool
) -> Readings | None:
    def sensor(name: bytes) -> Sensor | None:
        return Sensor(*sensors[name], powers.get(name)) if name in sensors else None

    tools: list[Sensor] = []
    while (tool := sensor(b"T%d" % len(tools))) is not None:
        tools.append(tool)
    named = sum(name[:1] == b"T" and len(name) > 1 for name in sensors)
    nozzle = sensor(b"T") or (tools[0] if tools else None)
    bed = sensor(b"B")
    if named != len(tools) or (nozzle is None and bed is None):
        return None
    return Readings(nozzle, bed, tuple(tools), sensor(b"C"), waiting)
