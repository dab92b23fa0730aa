"""Events in plain words: one line each, for those who read and not parse. None where an event is for the record only."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_UNITS = {"nozzle": "°C", "bed": "°C", "fan": "%", "flow": "%", "feed": "%", "advance": "s", "retract": "mm"}


def setpoints(values: dict[str, Any]) -> str:
    """`nozzle 240 °C, fan 30 %`."""
    return ", ".join(f"{channel} {value:g} {_UNITS.get(channel, '')}".rstrip() for channel, value in values.items())


def sentence_of(event: dict[str, Any]) -> str | None:
    """What an event says to a person."""
    get = event.get
    match event["kind"]:
        case "run_started":
            who = get("identity", {}).get("FIRMWARE_NAME")
            return f"started: {get('file')} on {get('printer')}" + (f" ({who})" if who else "")
        case "crossing_begun":
            return f"band {get('band')} at {get('z'):g} mm: leaving the part before line {get('line')}"
        case "settled":
            foreseen = "" if get("predicted_s") is None else f", {get('predicted_s'):.0f} s foreseen"
            return f"settled at {setpoints(get('setpoints', {}))} after {get('taken_s'):.0f} s{foreseen}"
        case "settle_late":
            return (
                f"not settled at {setpoints(get('setpoints', {}))} within {get('patience_s'):g} s: {get('when_late')}"
            )
        case "crossing_ended":
            return f"band {get('band')} begins: {setpoints(get('setpoints', {})) or 'the setpoints of the file'}"
        case "file_setpoint_reasserted":
            return f"line {get('line')} of the file set {get('channel')} to {get('file_value'):g}; back to {get('value'):g}"
        case "pre_wait":
            return f"{get('channel')} reached {get('value'):g} °C after {get('taken_s'):.0f} s (line {get('line')})"
        case "hold_requested":
            return f"a hold is asked for: {get('hold_at')}"
        case "held":
            note = f": {get('note')}" if get("note") else ""
            return f"held{note}; resume when you are ready"
        case "resumed":
            return "back at the part"
        case "hold_point":
            return f"hold point before band {get('band')}: {get('note') or 'no note'}"
        case "caution":
            return f"caution: {get('text')}"
        case "trip":
            return f"TRIP {get('alarm')}: {get('text')}"
        case "link_resent":
            return None
        case "link_lost":
            return f"LINK LOST: {get('reason')}"
        case "printer_reset":
            return f"THE PRINTER RESTARTED: {get('reason')}"
        case "stopping":
            return "stopping after the layer in work"
        case "aborting":
            return f"aborting: {get('reason')}"
        case "make_safe" if get("rung"):
            return f"heat off: {get('rung')}"
        case "make_safe":
            return "heat is off, and was seen to be" if get("proven") else "HEAT IS NOT PROVEN OFF"
        case "restored" if get("values"):
            return f"put back: {setpoints(get('values', {}))}"
        case "run_ended":
            return f"{str(get('state')).lower()}: {get('reason')}"
    return None
