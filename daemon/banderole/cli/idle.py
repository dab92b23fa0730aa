"""The status of a printer that nothing is done with: the keys of a run's status, and the alarms that outlive a run."""

from __future__ import annotations

from typing import Any

from banderole.link import latch
from banderole.run.state import State


def idle_status(
    name: str, doing: str, left: dict[str, Any] | None, unsafe: str, lacking: dict[str, str], seen: bool
) -> dict[str, Any]:
    """Of printer `name`. `doing` in words; `left`: a run that never ended; `unsafe`: why the last attempt to turn heat
    off was not proven, or ""; `lacking`: what the computer lacks, a sentence for each alarm; `seen`: the alarms have been
    acknowledged.

    Nothing is measured: the port is closed. What was measured before is no evidence of now.
    """
    return {
        "state": State.IDLE.value,
        "phase": "idle",
        "doing": doing,
        "run": None,
        "printer": name,
        "file": None,
        "title": None,
        "band": None,
        "bands": 0,
        "height": 0.0,
        "fraction": 0.0,
        "remaining_s": None,
        "measured": {},
        "setpoint": {},
        "hold": None,
        "heat_proven_off": False if left is not None or unsafe else None,
        "alarms": [*latched_alarms(name, seen), *_left(left, unsafe, seen), *_lacks(lacking, seen)],
    }


def latched_alarms(name: str, seen: bool) -> list[dict[str, Any]]:
    """The trip that is latched, as an alarm; none where none is. `seen`: somebody has acknowledged it."""
    trip = latch.read_latch(name)
    if trip is None:
        return []
    text = f"{trip.get('text')}; latched: find the cause, then banderole reset --to {name}"
    return [_alarm(str(trip.get("alarm")), "trip", text, trip.get("value"), trip.get("limit"), seen)]


def _left(left: dict[str, Any] | None, unsafe: str, seen: bool) -> list[dict[str, Any]]:
    if left is None and not unsafe:
        return []
    never = "" if left is None else f"run {left.get('run')} never ended; "
    why = f" ({unsafe})" if unsafe else ""
    return [_alarm("unsafe", "caution", f"{never}heat is not proven off{why}: look at the printer", None, None, seen)]


def _lacks(lacking: dict[str, str], seen: bool) -> list[dict[str, Any]]:
    return [_alarm(alarm, "caution", text, None, None, seen) for alarm, text in lacking.items()]


def _alarm(alarm: str, grade: str, text: str, value: Any, limit: Any, seen: bool) -> dict[str, Any]:
    state = "acknowledged" if seen else "unacknowledged"
    return {"alarm": alarm, "grade": grade, "state": state, "first_out": grade == "trip", "value": value,
            "limit": limit, "text": text}  # fmt: skip
