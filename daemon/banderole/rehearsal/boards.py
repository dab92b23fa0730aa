"""Which emulated printer stands in for a real one, or for none in particular."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from banderole.bench import Manners
from banderole.bench.faults import Fault
from banderole.plan.config import Printer

WINDOW_BYTES: Final = 96
"""Of the 127 that a small board receives, 24 of them kept free for a heat-off, in eights (common practice, no source)."""
_SOME: Final[dict[str, Any]] = {
    "name": "rehearsal",
    "serial": {"port": "emulated", "window_bytes": WINDOW_BYTES},
    "volume": {"x": [0, 220], "y": [0, 220], "z": [0, 250]},
    "limits": {"nozzle": [0, 300], "bed": [0, 120], "ptfe_in_hot_zone": False},
}
SAID: Final = (
    "220 × 220 × 250 mm, nozzle to 300 °C, bed to 120 °C, 115200 bit/s, window of 96 bytes; "
    "a nozzle of 400 °C reach and τ 180 s"
)
"""`some_printer` and its board, for a person."""


def some_printer() -> Printer:
    """A printer file where none was given: a common machine, and wide limits, since nothing is really heated.

    What G90 does to E is left open, as in any printer file: a file whose meaning depends on it is refused.
    """
    return Printer.model_validate(_SOME)


def board_for(printer: Printer, faults: Iterable[str] = (), settings: Iterable[str] = ()) -> Manners:
    """The emulated board behind a printer file. `faults`: `NAME@WHEN` each; `settings`: `key=value` of the board.

    Raises ValueError with one clear line.
    """
    told = [
        f"baud={printer.serial.baud}",
        f"receive_bytes={printer.serial.receive_bytes}",
        f"e_mode={printer.firmware.e_mode or 'joined'}",
        f"idle_release_s={printer.firmware.idle_release_s}",
    ]
    planned = tuple(faults)
    if planned:
        told.append(f"faults={','.join(planned)}")
    manners = Manners.from_settings([*told, *settings])
    for spec in manners.faults:
        Fault.parse(spec)
    return manners
