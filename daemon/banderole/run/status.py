"""The status of a run: for programs as plain data, for a person in one sentence."""

from __future__ import annotations

from typing import Any

from banderole.run.state import State

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine


def sentence(e: Engine) -> str:
    """What the run does at this moment, in plain words."""
    if e.state is State.HELD:
        return f"held: {e.holds.note}" if e.holds.note else "held; resume when you are ready"
    match e.phase:
        case "settling" | "heating":
            return _settling(e)
        case "printing":
            return f"laying down band {e.band}" if e.band is not None else "sending what comes before the part"
        case "crossing" | "draining" if e.entering is not None:
            return f"going over to band {e.entering}"
        case "returning":
            return "coming back to the part"
        case "homing":
            return "homing; the printer may be silent meanwhile"
        case "making safe":
            return "turning the heat off" if e.rung in ("", "in line") else f"turning the heat off ({e.rung})"
        case "cooling":
            return "heat is off; the part fan cools the nozzle for a minute at most"
        case "starting":
            return "waiting for the printer to answer"
        case "proving":
            return "trying the way to safety, before anything is heated"
        case "ended" if e.ended is not None:
            heat = "heat is off, and was seen to be" if e.ended.proven else "heat is NOT proven off"
            return f"{e.ended.state.lower()}; {heat}"
    return e.phase


def _settling(e: Engine) -> str:
    if e.heating is None:
        return e.phase
    heat, predicted, since = e.heating
    goals = ", ".join(
        f"{value:g} °C" if heater == "nozzle" else f"{heater} {value:g} °C" for heater, value in heat.items()
    )
    left = "" if predicted is None else f", about {max(0.0, predicted - (e.now - since)):.0f} s"
    return f"{e.phase} {goals}{left}"


def status_of(e: Engine) -> dict[str, Any]:
    """The whole status, as published; the runner adds what it alone knows."""
    heat = {h: g for h in e.watch.measured if (g := e.watch.targets.get(h)) is not None}
    return {
        "state": e.state.value,
        "phase": e.phase,
        "doing": sentence(e),
        "band": e.entering or e.band,
        "bands": len(e.schedule.bands),
        "height": round(e.height, 3),
        "fraction": round(e.foresight.fraction(e.account), 4) if e.foresight is not None else 0.0,
        "remaining_s": round(e.foresight.remaining_s(e.account, e.now), 1) if e.foresight is not None else None,
        "measured": dict(e.watch.measured),
        "setpoint": {**e.current, **heat},
        "hold": e.holds.wanted,
        "heat_proven_off": e.proven,
        "alarms": e.alarms.as_json(),
    }
