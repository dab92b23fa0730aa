"""The latch: a trip stays until a person resets it, whatever happens to the program or the machine meanwhile.

One small JSON file for each printer in its state folder. It is written whole or not at all (a new file, synced, then
renamed over the old one, rename(2), and the folder synced), so a power cut leaves the old latch or the new one.
A latch that cannot be read counts as a latch: unknown is unsafe.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from banderole.places import state_folder

TYPE_CHECKING = False  # control commands import this: see client.py
if TYPE_CHECKING:
    from typing import Any

FILE = "latch.json"


def read_latch(name: str) -> dict[str, Any] | None:
    """The trip that is latched for printer `name`, or None."""
    path = state_folder(name) / FILE
    try:
        latch = json.loads(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as why:
        return {"alarm": "latch", "text": f"{path}: cannot be read ({why}); it counts as a trip: reset it"}
    if not isinstance(latch, dict):
        return {"alarm": "latch", "text": f"{path}: holds no trip as we write it; it counts as one: reset it"}
    return latch


def write_latch(name: str, trip: dict[str, Any]) -> None:
    """Latches `trip`; an earlier one stays as it is, since the first cause is the one that counts (first-out)."""
    if read_latch(name) is not None:
        return
    folder = state_folder(name)
    fresh = folder / f"{FILE}.{os.getpid()}"
    with open(fresh, "w", encoding="utf-8") as file:
        json.dump(trip, file, ensure_ascii=False)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(folder / FILE)
    _sync_folder(folder)


def clear_latch(name: str) -> None:
    """Takes the latch off; no error where there is none."""
    folder = state_folder(name)
    (folder / FILE).unlink(missing_ok=True)
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    """The name, too, must be on the disk: fsync(2), of the folder that holds it."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
