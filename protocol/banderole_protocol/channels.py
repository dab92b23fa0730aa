"""Channels: what a schedule may set, as blocks of the open G-code convention, and back.

Commands and units are common practice, no source: M104 and M140 S °C, M106 S 0 to 255, M220 and M221 S %,
M900 K s, M207 S mm. M104 and M140 never wait; the commands that wait (M109, M190) are only ever read here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from .errors import OurError

# M106 S: full speed of a fan is one byte full.
FAN_FULL = 255


@dataclass(frozen=True, slots=True)
class Channel:
    """One thing that can be set. `query` is the bare command that asks its value, where there is one.

    `needs_filament_forward`: changed only while the filament is forward, so that what was pulled at one value is not
    pushed at another. `decimals`: the finest step sent.
    """

    name: str
    unit: str
    code: str
    letter: str
    decimals: int
    thermal: bool = False
    needs_filament_forward: bool = False
    query: bytes | None = None


CHANNELS: dict[str, Channel] = {
    channel.name: channel
    for channel in (
        Channel("nozzle", "°C", "M104", "S", 1, thermal=True),
        Channel("bed", "°C", "M140", "S", 1, thermal=True),
        Channel("fan", "%", "M106", "S", 0),
        Channel("flow", "%", "M221", "S", 1, needs_filament_forward=True, query=b"M221"),
        Channel("feed", "%", "M220", "S", 1, query=b"M220"),
        Channel("advance", "s", "M900", "K", 4, query=b"M900"),
        Channel("retract", "mm", "M207", "S", 3, needs_filament_forward=True, query=b"M207"),
    )
}


@dataclass(frozen=True, slots=True)
class FileSetpoint:
    """A setpoint found in a block of a file, in the unit of its channel.

    `waits`: the printer would wait by itself; `both_ways`: for cooling too (R), not for heating only (S).
    """

    channel: str
    value: float
    waits: bool = False
    both_ways: bool = False
    tool: int | None = None


def channel_named(name: str) -> Channel:
    """The channel of that name; raises OurError, naming the ones there are."""
    channel = CHANNELS.get(name)
    if channel is None:
        raise OurError(f"no channel {name!r}; there are {', '.join(CHANNELS)}")
    return channel


def setpoint_block(channel: str, value: float, spelling: int = 0) -> bytes:
    """The block that sets `channel` to `value` (in its unit), rounded half up to the channel's finest step.

    `spelling` 1 writes the same number with one decimal zero more, so under another checksum: damage that the checksum
    cannot see in one is not the damage that it cannot see in the other.
    Raises OurError for a value that is no number, negative, or a fan above 100 %.
    """
    known = channel_named(channel)
    if not math.isfinite(value) or value < 0 or (channel == "fan" and value > 100):
        raise OurError(f"{channel} cannot be set to {value}")
    if spelling not in (0, 1):
        raise OurError(f"no spelling {spelling}; there are 0 and 1")
    sent = value * FAN_FULL / 100 if channel == "fan" else value
    return f"{known.code} {known.letter}{_spelled(sent, known.decimals, spelling)}".encode()


def _spelled(value: float, decimals: int, spelling: int) -> str:
    # repr first: 0.0005 must round as the person wrote it, not as the nearest binary fraction.
    rounded = Decimal(repr(value)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    text = f"{rounded:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if not spelling:
        return text
    return text + ("0" if "." in text else ".0")


# Code → (channel, whether the printer waits). M107 is apart: it has no value.
_READ: dict[int, tuple[str, bool]] = {
    104: ("nozzle", False),
    109: ("nozzle", True),
    140: ("bed", False),
    190: ("bed", True),
    106: ("fan", False),
    107: ("fan", False),
    221: ("flow", False),
    220: ("feed", False),
    900: ("advance", False),
    207: ("retract", False),
}


def setpoint_of(words: Sequence[tuple[str, float | None]]) -> FileSetpoint | None:
    """The setpoint that the words of a block make, e.g. `[("M", 104.0), ("S", 210.0)]`.

    None for another command, for a bare one (it asks, or waits for what is set already), and for a fan other than the
    part fan (P above 0). M106 without S is full speed.
    """
    values = dict(words)
    code = values.get("M")
    if code is None or code not in _READ:
        return None
    channel, waits = _READ[int(code)]
    tool = values.get("T")
    if channel == "fan":
        return None if values.get("P") else FileSetpoint("fan", _fan_percent(int(code), values))
    value = values.get(CHANNELS[channel].letter)
    both_ways = waits and value is None and values.get("R") is not None
    if both_ways:
        value = values["R"]
    if value is None:
        return None
    return FileSetpoint(channel, value, waits, both_ways, None if tool is None else int(tool))


def _fan_percent(code: int, values: dict[str, float | None]) -> float:
    if code == 107:
        return 0.0
    raw = values.get("S")
    return 100.0 if raw is None else min(100.0, max(0.0, raw * 100 / FAN_FULL))


_NUMBER = r"(-?\d{1,6}(?:\.\d{0,6})?)"
_OTHER = r"(?:\s+(?![SK])[A-Z]-?\d{1,6}(?:\.\d{0,6})?)*"

# Answers to the bare commands, whole. Wordings differ by firmware (common practice, no source).
_ANSWERS: dict[str, re.Pattern[str]] = {
    name: re.compile(pattern, re.IGNORECASE)
    for name, pattern in {
        "feed": rf"(?:(?:FR|Feed\s?rate|Feed)\s*[:=]\s*{_NUMBER}\s*%|M220\s+S{_NUMBER})",
        "flow": rf"(?:(?:E0\s+)?Flow\s*[:=]\s*{_NUMBER}\s*%|M221{_OTHER}\s+S{_NUMBER})",
        "advance": rf"(?:(?:Advance\s+)?K\s*[=:]\s*{_NUMBER}|M900{_OTHER}\s+K{_NUMBER}{_OTHER})",
        "retract": rf"(?:M207{_OTHER}\s+S{_NUMBER}{_OTHER})",
    }.items()
}
_PREFIX = re.compile(r"\s*(?:echo:|//)?\s*", re.IGNORECASE)


def answer_of(channel: str, text: str) -> float | None:
    """The value in a printer's answer to the bare command of `channel`, in the channel's unit; None if it is not one.

    Raises OurError for a channel that does not exist.
    """
    channel_named(channel)
    pattern = _ANSWERS.get(channel)
    if pattern is None:
        return None
    prefix = _PREFIX.match(text)
    found = pattern.fullmatch(text[prefix.end() if prefix else 0 :].strip())
    if found is None:
        return None
    return float(next(group for group in found.groups() if group is not None))


def is_answer(text: str) -> bool:
    """Whether `text` answers the bare command of any channel."""
    return any(answer_of(name, text) is not None for name in _ANSWERS)
