"""A status in plain lines, for `status` and for whoever looks on without a terminal."""

from __future__ import annotations

from banderole.cli.say import clean
from banderole.cli.sentences import figure, setpoints

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


def lines_of(found: dict[str, Any]) -> list[str]:
    """What is going on, where it is, what is measured beside what is set, what is pending, what is wrong."""
    lines = [f"{clean(found.get('printer'))}: {_state(found)}"]
    if found.get("file"):
        lines.append(f"{clean(found['file'])}: {progress(found)}")
    if heat := heat_of(found):
        lines.append(heat)
    if found.get("hold"):
        lines.append(f"hold asked for: {clean(found['hold'])}")
    lines += [alarm_line(one) for one in found.get("alarms") or []]
    if (proof := proof_of(found)) is not None:
        lines.append(proof)
    return lines


def line_of(found: dict[str, Any]) -> str:
    """The same in one line, without what changes with each reading."""
    parts = [_state(found), *([progress(found)] if found.get("file") else [])]
    return "; ".join([*parts, *(alarm_line(one) for one in found.get("alarms") or [])])


def _state(found: dict[str, Any]) -> str:
    """The state, and what is done in it; once where the sentence begins with the state."""
    state, doing = clean(found.get("state")), clean(found.get("doing"))
    return f"{state}{doing[len(state) :]}" if doing.lower().startswith(state.lower()) else f"{state}, {doing}"


def progress(found: dict[str, Any]) -> str:
    """`band 3 of 6, 12.4 mm, 31 %, about 21 min left`."""
    parts = []
    if found.get("band") is not None:
        parts.append(f"band {clean(found['band'])} of {clean(found.get('bands'))}")
    parts.append(f"{figure(found.get('height'), '.1f')} mm")
    parts.append(f"{figure(found.get('fraction') or 0.0, '.0%').replace('%', ' %')}")
    return ", ".join(parts) + (f", {left}" if (left := time_left(found.get("remaining_s"))) else "")


def time_left(seconds: object) -> str:
    """Motion and settling still to come, as predicted; how long a person lets it wait, nobody knows."""
    if not isinstance(seconds, int | float) or seconds <= 0:
        return ""
    if seconds < 90:
        return f"about {seconds:.0f} s left"
    if seconds < 5400:
        return f"about {seconds / 60:.0f} min left"
    return f"about {int(seconds // 3600)} h {int(seconds % 3600 / 60)} min left"


def heat_of(found: dict[str, Any]) -> str:
    """`nozzle 239.8 °C, set 240; bed 60.1 °C, set 60; flow 100 %`: measured beside setpoint, then what has no reading."""
    measured, wanted = found.get("measured") or {}, found.get("setpoint") or {}
    parts = [
        f"{clean(heater)} {figure(value, '.1f')} °C, "
        + ("off" if wanted.get(heater) == 0 else f"set {figure(wanted.get(heater), 'g')}")
        for heater, value in measured.items()
    ]
    others = {channel: value for channel, value in wanted.items() if channel not in measured}
    return "; ".join([*parts, *([setpoints(others)] if others else [])])


def alarm_line(alarm: dict[str, Any]) -> str:
    """One alarm in words: its grade, its name, whether it came first, why, and the figures."""
    grade = "TRIP" if alarm.get("grade") == "trip" else "caution"
    first = ", the first cause" if alarm.get("first_out") else ""
    seen = ", acknowledged" if alarm.get("state") == "acknowledged" else ""
    text = f"{grade} {clean(alarm.get('alarm'))}{first}{seen}: {clean(alarm.get('text'))}"
    if alarm.get("do"):
        text += f"; {clean(alarm['do'])}"
    if not isinstance(alarm.get("value"), int | float) or not isinstance(alarm.get("limit"), int | float):
        return text
    return f"{text} ({figure(alarm['value'], 'g')}, limit {figure(alarm['limit'], 'g')})"


def proof_of(found: dict[str, Any]) -> str | None:
    """Of the heat at the end; None while a run is under way and nobody has asked for it to be off."""
    match found.get("heat_proven_off"):
        case True:
            return "heat is off, and was seen to be"
        case False:
            return "heat is NOT proven off: switch the printer off at the mains"
    return None
