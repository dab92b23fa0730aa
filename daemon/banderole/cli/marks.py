"""What is asked of the marks on disk before a run, by `run` as by `start`: one line where it must not begin."""

from __future__ import annotations

from typing import Final

from banderole.link import latch

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.effects import Ended

COOL: Final = 60.0
"""°C. A latch comes off only below it: nothing that may have gone wrong with heat is still hot."""


def latched(name: str) -> str | None:
    """Why a latched trip refuses a run of printer `name`, or None."""
    trip = latch.read_latch(name)
    if trip is None:
        return None
    said = f"{name} has tripped ({trip.get('alarm')}: {trip.get('text')})"
    return f"{said}: find the cause, then banderole reset --printer {name}"


def part_on_bed(name: str) -> str | None:
    """Why a part refuses a run until somebody has looked, or None."""
    bed = latch.read_bed(name)
    if bed is None:
        return None
    return f"the part of run {bed.get('run')} may still be on the bed: clear it, then say --bed-clear"


def not_to_reset(ended: Ended, measured: dict[str, float]) -> str | None:
    """Why a latch stays on after this attempt to prove heat off, or None."""
    nozzle = measured.get("nozzle")
    if not ended.proven:
        return f"not reset: {ended.reason}"
    if nozzle is None or nozzle >= COOL:
        return f"not reset: the nozzle is at {nozzle} °C; wait until it is below {COOL:g} °C"
    return None
