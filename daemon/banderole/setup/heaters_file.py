"""What was identified of a printer's heaters, in its state folder: `heaters.json`, written whole or not at all."""

from __future__ import annotations

import json
import math
import os
from typing import Any

from banderole.places import state_folder
from banderole.setup.first_order import Identified

FILE = "heaters.json"


def as_json(found: Identified, at: str) -> dict[str, Any]:
    """°C, s; `_off` are half widths of 95 % intervals."""
    return {
        "at": at,
        "ambient": round(found.ambient, 2),
        "gain": round(found.gain, 2),
        "gain_off": round(found.gain_off, 2),
        "tau": round(found.tau, 3),
        "tau_off": round(found.tau_off, 3),
        "dead_time": round(found.dead_time, 3),
        "dead_time_off": round(found.dead_time_off, 3),
        "good": found.good,
    }


def write(name: str, heaters: dict[str, dict[str, Any]]) -> None:
    """`heaters` by heater, as `as_json` gives them. Raises OSError."""
    folder = state_folder(name)
    fresh = folder / f"{FILE}.new"
    with open(fresh, "w", encoding="utf-8") as written:
        json.dump({"heaters": heaters}, written, ensure_ascii=False, indent=1)
        written.flush()
        os.fsync(written.fileno())
    fresh.replace(folder / FILE)
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)  # the name, too, must be on the disk: fsync(2)
    finally:
        os.close(descriptor)


def read(name: str) -> dict[str, dict[str, Any]]:
    """By heater; nothing where there is no file, or one that cannot be read: it is only what a run would find out anyway."""
    try:
        heaters = json.loads((state_folder(name) / FILE).read_bytes())["heaters"]
        return {str(heater): dict(one) for heater, one in heaters.items() if _sound(one)}
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}


def _sound(one: Any) -> bool:
    figures = [one[key] for key in ("gain", "gain_off", "tau", "tau_off")]
    return all(isinstance(figure, int | float) and math.isfinite(figure) and figure > 0 for figure in figures)
