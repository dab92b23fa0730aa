"""Events in plain words: one line each, for those who read and not parse. None where an event is for the record only."""

from __future__ import annotations

from datetime import datetime

from banderole.cli.say import clean

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

_UNITS = {"nozzle": " °C", "bed": " °C", "fan": " %", "flow": " %", "feed": " %", "advance": " s", "retract": " mm"}
NOTHING = "–"


def figure(value: object, form: str) -> str:
    """A number in the given format; a dash for what is none (a sensor's nan comes as null, an old sender leaves it out)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return NOTHING
    return format(value, form)


def setpoints(values: object, leading: bool = True) -> str:
    """`nozzle 240 °C, fan 30 %`; with `leading` False the nozzle's value goes without its name."""
    if not isinstance(values, dict):
        return ""
    said = []
    for channel, value in values.items():
        name = "" if channel == "nozzle" and not leading else f"{clean(channel)} "
        said.append(f"{name}{figure(value, 'g')}{_UNITS.get(channel, '')}")
    return ", ".join(said)


def sentence_of(event: dict[str, Any]) -> str | None:
    """What an event says to a person; None where it says nothing that another does not."""
    writer = _WRITERS.get(str(event.get("kind")))
    return None if writer is None else writer(event)


def line_of(event: dict[str, Any]) -> str | None:
    """As `sentence_of`, behind the time of day, as the clock of this machine shows it."""
    said = sentence_of(event)
    if said is None:
        return None
    try:
        at = datetime.fromisoformat(str(event.get("at"))).astimezone()
    except (ValueError, OverflowError):
        return said  # told by something that keeps no time
    return f"{at:%H:%M:%S} {said}"


def _words(event: dict[str, Any], key: str, otherwise: str = "no reason given") -> str:
    return clean(event.get(key) or otherwise)


def _run_started(event: dict[str, Any]) -> str:
    identity = event.get("identity")
    who = identity.get("FIRMWARE_NAME") if isinstance(identity, dict) else None
    file = _words(event, "file", "a file").rpartition("/")[2]
    return f"started: {file} on {_words(event, 'printer', 'a printer')}" + (f" ({clean(who)})" if who else "")


def _crossing_begun(event: dict[str, Any]) -> str:
    return (
        f"going over to band {_words(event, 'band', NOTHING)}, at {figure(event.get('z'), '.2f')} mm, "
        f"before line {_words(event, 'line', NOTHING)} of the file"
    )


def _settled(event: dict[str, Any]) -> str:
    predicted = event.get("predicted_s")
    expected = "" if predicted is None else f", {figure(predicted, '.0f')} s expected"
    return f"settled at {setpoints(event.get('setpoints'))} after {figure(event.get('taken_s'), '.0f')} s{expected}"


def _settle_late(event: dict[str, Any]) -> str:
    then = {"hold": "holding", "go-on": "going on, and the record says so", "abort": "aborting"}
    return (
        f"not settled at {setpoints(event.get('setpoints'))} within {figure(event.get('patience_s'), 'g')} s: "
        f"{then.get(str(event.get('when_late')), clean(event.get('when_late')))}"
    )


def _crossing_ended(event: dict[str, Any]) -> str:
    proof = event.get("proof")
    how = (
        f" (proof: {', '.join(sorted({clean(one) for one in proof.values()}))})"
        if isinstance(proof, dict) and proof
        else ""
    )
    wanted = setpoints(event.get("setpoints")) or "the file's own setpoints"
    return f"band {_words(event, 'band', NOTHING)} begins: {wanted}{how}"


def _lead_begun(event: dict[str, Any]) -> str:
    ahead = figure(event.get("lead_s"), ".0f")
    wanted = setpoints({"nozzle": event.get("value")})
    return f"on the way to band {_words(event, 'band', NOTHING)}: {wanted}, {ahead} s ahead of its boundary"


def _audit(event: dict[str, Any]) -> str | None:
    """Only where it shows: a drain after every band that finds nothing wrong is for the record."""
    off = event.get("off_mm")
    if not isinstance(off, int | float) or off < 0.05:  # mm; far above the 0.005 that reports are rounded to
        return None
    return f"position: {off:.2f} mm from where the file says, at line {_words(event, 'line', NOTHING)}"


def _reasserted(event: dict[str, Any]) -> str:
    channel = str(event.get("channel"))
    was, now = ({channel: event.get(key)} for key in ("file_value", "value"))
    return f"line {_words(event, 'line', NOTHING)} of the file set {setpoints(was)}; set back to {setpoints(now)}"


def _pre_wait(event: dict[str, Any]) -> str:
    reached = setpoints({str(event.get("channel")): event.get("value")})
    return (
        f"{reached} reached after {figure(event.get('taken_s'), '.0f')} s, "
        f"ahead of the wait in line {_words(event, 'line', NOTHING)}"
    )


def _hold_requested(event: dict[str, Any]) -> str:
    at = str(event.get("hold_at") or "now")
    place = {"now": "now", "layer": "at the next layer"}.get(at, f"before {clean(at).replace(':', ' ')}")
    return f"hold asked for: {place}"


def _held(event: dict[str, Any]) -> str:
    note = f": {clean(event['note'])}" if event.get("note") else ""
    return f"held{note}; resume when you are ready"


def _hold_point(event: dict[str, Any]) -> str:
    note = f": {clean(event['note'])}" if event.get("note") else ""
    return f"hold point before band {_words(event, 'band', NOTHING)}{note}"


def _trip(event: dict[str, Any]) -> str:
    first = "TRIP" if event.get("first_out", True) else "TRIP (after the first)"
    return f"{first} {_words(event, 'alarm', '')}: {_words(event, 'text')}"


def _make_safe(event: dict[str, Any]) -> str:
    if event.get("rung") == "in line":
        return "turning the heat off"
    if event.get("rung"):
        return f"turning the heat off: {clean(event['rung'])}"
    if event.get("proven") is True:
        return "heat is off, and was seen to be"
    return "heat is NOT proven off: switch the printer off at the mains"


def _resent(event: dict[str, Any]) -> str:
    lines = event.get("lines")
    many = "a line" if lines == 1 else f"{figure(lines, 'g')} lines"
    return f"the printer asked for {many} again"


def _restored(event: dict[str, Any]) -> str | None:
    return f"put back: {setpoints(event['values'])}" if event.get("values") else None


def _refused(event: dict[str, Any]) -> str:
    return f"refused: {_words(event, 'command', 'a command')}: {_words(event, 'reason')}"


def _ended(event: dict[str, Any]) -> str:
    return f"{_words(event, 'state', 'ended').lower()}: {_words(event, 'reason')}"


_WRITERS: dict[str, Callable[[dict[str, Any]], str | None]] = {
    "run_started": _run_started,
    "crossing_begun": _crossing_begun,
    "settled": _settled,
    "settle_late": _settle_late,
    "crossing_ended": _crossing_ended,
    "lead_begun": _lead_begun,
    "position_audit": _audit,
    "file_setpoint_reasserted": _reasserted,
    "pre_wait": _pre_wait,
    "hold_requested": _hold_requested,
    "held": _held,
    "hold_point": _hold_point,
    "resumed": lambda event: "back at the part",
    "amended": lambda event: f"amended: {_words(event, 'reason', setpoints(event.get('setpoints')) or 'a setpoint')}",
    "caution": lambda event: f"caution {_words(event, 'alarm', '')}: {_words(event, 'text')}",
    "trip": _trip,
    "trip_reset": lambda event: "the trip is reset",
    "link_resent": _resent,
    "link_lost": lambda event: f"LINK LOST: {_words(event, 'reason')}",
    "printer_reset": lambda event: f"THE PRINTER HAS RESTARTED: {_words(event, 'reason')}",
    "stopping": lambda event: "stopping after the layer in work",
    "aborting": lambda event: f"aborting: {_words(event, 'reason')}",
    "make_safe": _make_safe,
    "restored": _restored,
    "command_refused": _refused,
    "run_ended": _ended,
}
# Not told: setpoint_confirmed and band_entered (crossing_ended says both), command_accepted (what it brings about is told).
