"""What outlives the program: a latched trip, a bed that counts as occupied, a run that has not ended.

Three small JSON files for each printer in its state folder. Each is written whole or not at all (a new file, synced,
then renamed over the old one, rename(2), and the folder synced), so a power cut leaves the old one or the new one.
What is there but cannot be read counts as set: unknown is unsafe.

That a run is under way stands in the run folder too, which is memory: of a program that is killed while the disk is full,
read-only or stalled it still tells the next one. It is good for the state folder that it names, and gone with the power.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from banderole.places import PlaceError, checked_name, run_folder, state_folder

TYPE_CHECKING = False  # control commands import this: see client.py
if TYPE_CHECKING:
    from typing import Any

LATCH = "latch.json"
BED = "bed.json"
UNFINISHED = "unfinished.json"
RUNNING = "running.json"  # with the printer's name before it: the run folder is shared


def read_latch(name: str) -> dict[str, Any] | None:
    """The trip that is latched for printer `name`, or None."""
    return _read(name, LATCH, {"alarm": "latch"}, "it counts as a trip: reset it")


def write_latch(name: str, trip: dict[str, Any]) -> None:
    """Latches `trip`; an earlier one stays as it is, since the first cause is the one that counts (first-out)."""
    if read_latch(name) is None:
        _write(name, LATCH, trip)


def clear_latch(name: str) -> None:
    """Takes the latch off; no error where there is none."""
    _clear(name, LATCH)


def read_bed(name: str) -> dict[str, Any] | None:
    """{"run": …} of the run whose part may still lie on the bed, or None where the bed counts as clear."""
    return _read(name, BED, {"run": None}, "the bed counts as occupied: look, then say --bed-clear")


def mark_bed(name: str, run: str) -> None:
    """From now on the bed counts as occupied, by the part of `run`."""
    _write(name, BED, {"run": run})


def clear_bed(name: str) -> None:
    """Somebody has looked: the bed is clear. No error where it was."""
    _clear(name, BED)


def read_unfinished(name: str) -> dict[str, Any] | None:
    """What `write_unfinished` left behind: a run that never came to its end, so heat may be on. None where all ended.

    A file that cannot be read gives {"text": …} without prior values: make safe first, then say what is not known.
    """
    return _read(name, UNFINISHED, {}, "a run counts as unfinished: the printer is made safe first")


def write_unfinished(name: str, run: dict[str, Any]) -> None:
    """At the start of a run, and again whenever a prior value is learned: the newest replaces the one before."""
    _write(name, UNFINISHED, run)


def clear_unfinished(name: str) -> None:
    """The run has ended and heat is proven off. No error where there was none."""
    _clear(name, UNFINISHED)


def write_running(name: str, run: dict[str, Any]) -> None:
    """In memory, without a sync: {"run", "prior"} as for `write_unfinished`."""
    fresh = _running(name).with_suffix(".new")
    fresh.write_text(json.dumps({**run, "state": str(state_folder(name))}), encoding="utf-8")
    fresh.replace(_running(name))


def read_running(name: str) -> dict[str, Any] | None:
    """What `write_running` left behind of a run with this state folder, or None."""
    try:
        mark = json.loads(_running(name).read_bytes())
        return mark if mark.pop("state") == str(state_folder(name)) else None
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
        return None  # the mark on the disk is the one that counts as set where it cannot be read


def clear_running(name: str) -> None:
    """The run has ended and heat is proven off. No error where there was none."""
    _running(name).unlink(missing_ok=True)


def _running(name: str) -> Path:
    return run_folder() / f"{checked_name(name)}.{RUNNING}"


def _read(name: str, file: str, unknown: dict[str, Any], counts: str) -> dict[str, Any] | None:
    path = state_folder(name) / file
    try:
        mark = json.loads(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as why:
        return {**unknown, "text": f"{path}: cannot be read ({why}); {counts}"}
    if not isinstance(mark, dict):
        return {**unknown, "text": f"{path}: is not as we write it; {counts}"}
    return mark


def _write(name: str, file: str, mark: dict[str, Any]) -> None:
    folder = state_folder(name)
    fresh = folder / f"{file}.new"  # one name: what a cut leaves behind is overwritten, not piled up
    with open(fresh, "w", encoding="utf-8") as written:
        json.dump(mark, written, ensure_ascii=False)
        written.flush()
        os.fsync(written.fileno())
    fresh.replace(folder / file)
    _sync_folder(folder)


def _clear(name: str, file: str) -> None:
    """A folder in its place (somebody's mistake) goes too, if it is empty: a mark must be possible to take off."""
    folder = state_folder(name)
    path = folder / file
    if not os.path.lexists(path):
        return  # not even asked of a disk that is read-only
    try:
        try:
            path.unlink(missing_ok=True)
        except (IsADirectoryError, PermissionError):  # unlink(2): EISDIR on Linux, EPERM by POSIX
            path.rmdir()
        _sync_folder(folder)
    except OSError as why:
        raise PlaceError(
            f"{path}: cannot be taken away ({why.strerror}): see to the disk, or remove it by hand"
        ) from why


def _sync_folder(folder: Path) -> None:
    """The name, too, must be on the disk: fsync(2), of the folder that holds it."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
