"""The manner in which a printer answers: by what of the forms of the convention, found from what it said. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from banderole_protocol import Ok, Refusal, Reply, Report, Resend

_WHOLE = re.compile(rb"\bT0?:\s*-?\d+(?![\d.])")


@dataclass(slots=True)
class Manner:
    """None: it has not shown it."""

    line_end: str | None = None
    ok_has_number: bool | None = None
    temperatures_on_ok: bool | None = None
    whole_degrees: bool | None = None
    power_shown: bool | None = None
    tools: int | None = None
    complains: bool | None = None  # a line of its own says why, before it asks again
    asks_again: str | None = None
    ok_behind_asking: bool | None = None

    def bytes_came(self, data: bytes) -> None:
        """What ends its lines, from bytes as they came."""
        if b"\r\n" in data:
            self.line_end = "CRLF"
        elif self.line_end is None and (b"\n" in data or b"\r" in data):
            self.line_end = "LF" if b"\n" in data else "CR"

    def heard(self, raw: bytes, reply: Reply) -> None:
        """One line of the printer."""
        match reply:
            case Ok(line=line, readings=readings):
                self.ok_has_number = bool(self.ok_has_number) or line is not None
                if self.asks_again is not None:
                    self.ok_behind_asking = True
                if readings is not None:
                    self.temperatures_on_ok = True
                    self._readings(raw, len(readings.tools), readings.nozzle)
            case Report(readings=readings):
                self.temperatures_on_ok = bool(self.temperatures_on_ok)
                self._readings(raw, len(readings.tools), readings.nozzle)
            case Refusal():
                self.complains = True
            case Resend():
                self.complains = bool(self.complains)
                self.asks_again = "rs" if raw.lstrip()[:2] == b"rs" else "Resend"
                self.ok_behind_asking = False

    def _readings(self, raw: bytes, tools: int, nozzle: Any) -> None:
        self.tools = max(1, tools)
        if _WHOLE.search(raw) is not None:
            self.whole_degrees = True
        elif nozzle is not None and nozzle.measured % 1.0:
            self.whole_degrees = (
                False  # else it may be by chance, or a sensor of whole degrees that is written with decimals
            )
        self.power_shown = nozzle is not None and nozzle.power_raw is not None

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in Manner.__slots__}

    def sentence(self) -> str:
        """For a person; "" where nothing was shown."""
        parts = [
            _either(self.ok_has_number, "ok with the line's number", "ok without a number"),
            _either(self.temperatures_on_ok, "temperatures on the ok", "temperatures on a line of their own"),
            _either(self.whole_degrees, "in whole degrees", ""),
            _either(self.power_shown, "with the heaters' power", "without the heaters' power"),
            f"{self.tools} tools" if (self.tools or 1) > 1 else "",
            f"asks again by {self.asks_again}" if self.asks_again else "",
            _either(self.complains, "", "without a complaint"),
            _either(self.ok_behind_asking, "with an ok behind it", "without an ok behind it")
            if self.asks_again
            else "",
            f"lines end in {self.line_end}" if self.line_end else "",
        ]
        return ", ".join(part for part in parts if part)


def _either(shown: bool | None, yes: str, no: str) -> str:
    return "" if shown is None else yes if shown else no
