"""Which faults fired, and which ways of recovery were gone: a simulation that never gets there shows nothing."""

from __future__ import annotations

from collections import Counter
from typing import Final

from tests.scenarios.drawing import BOARD_KINDS, COMMAND_KINDS, PROGRAM_KINDS
from tests.scenarios.play import Outcome

LINE: Final = ("flipped_in", "flipped_out", "lost_in", "lost_out", "twice_in", "twice_out", "late", "silenced")
OUTLETS: Final = ("broker dropped", "broker half_open", "journal refused", "journal stalled", "flood", "replay")
RUNGS: Final = ("in line", "break the wait", "greet anew", "emergency stop", "restart", "open the port anew")
RECOVERIES: Final = (
    "lines written again", "a silence probed", "reminded of a line", "port opened anew", "last resort",
    "made safe at the next start",
    "settled again after a hold", "held by patience", "went on unsettled", "given up unsettled", "held by a person", "hold point",
    "the file waited for a person", "nozzle cooled in a hold", "setpoint sent again", "values put back",
    "file setpoint reasserted",
    "pre-wait", "change led", "told late to the broker", "position audit", "tripped", "link lost", "printer reset",
    *(f"rung: {name}" for name in RUNGS),
)  # fmt: skip
FIRED: Final = (
    *(f"fault: {kind}" for kind in BOARD_KINDS), *(f"line: {kind}" for kind in LINE), *(f"outlet: {kind}" for kind in OUTLETS),
    *(f"command: {kind}" for kind in COMMAND_KINDS), *(f"program: {kind}" for kind in PROGRAM_KINDS),
)  # fmt: skip
ALL: Final = (*FIRED, *RECOVERIES)


def counted(outcome: Outcome) -> Counter[str]:
    """What happened in one run, and what was done about it."""
    found: Counter[str] = Counter()
    for row in outcome.rows:
        if row["row"] == "event" and row["kind"] == "fault":
            found[f"fault: {row['detail'].replace(' nozzle', '').replace(' bed', '-bed')}"] += 1
    assert outcome.line is not None
    for name, count in outcome.line.befell.items():
        found[f"line: {name}"] += count
    _outlets(outcome, found)
    for kind in outcome.scenario.kinds:
        if kind in COMMAND_KINDS:
            found[f"command: {kind}"] += bool(outcome.happened["command"] or outcome.happened[kind])
        if kind in PROGRAM_KINDS:
            fired = outcome.ended[0] is None if kind == "crash_at_write" else outcome.happened[kind]
            found[f"program: {kind}"] += bool(fired)
    _recoveries(outcome, found)
    return +found


def _outlets(outcome: Outcome, found: Counter[str]) -> None:
    assert outcome.outlets is not None
    network, shelf = outcome.outlets.network, outcome.outlets.shelf
    if network is not None:
        found["outlet: broker dropped"] += network.befell["dropped"] + network.befell["refused"]
        found["outlet: broker half_open"] += network.befell["half_open"]
        found["told late to the broker"] += sum(bool(event.get("late")) for event in network.events)
        found["outlet: flood"] += any(ident.startswith("flood") for ident in network.verdicts)
        found["outlet: replay"] += "r1" in network.verdicts
    if shelf is not None:
        found["outlet: journal refused"] += shelf.befell["refused"]
        found["outlet: journal stalled"] += shelf.befell["stalled"]


def _recoveries(outcome: Outcome, found: Counter[str]) -> None:
    assert outcome.line is not None
    for _, event in outcome.events:
        kind = event["kind"]
        match kind:
            case "link_resent":
                found["lines written again"] += 1
            case "make_safe" if "rung" in event:
                found[f"rung: {event['rung']}"] += 1
            case "held":
                by = {"settle_late": "held by patience", "command": "held by a person", "hold_point": "hold point",
                      "person": "the file waited for a person"}  # fmt: skip
                found[by[event["reason"]]] += 1
            case "settle_late":
                done = {"go-on": "went on unsettled", "abort": "given up unsettled"}.get(event["when_late"])
                found.update([done] if done else [])
            case "caution" if event["alarm"] == "hold_nozzle_off":
                found["nozzle cooled in a hold"] += 1
            case "restored" if event["values"]:
                found["values put back"] += 1
            case "resumed":
                found["settled again after a hold"] += 1
            case "file_setpoint_reasserted" | "pre_wait" | "position_audit" | "lead_begun":
                names = {"file_setpoint_reasserted": "file setpoint reasserted", "pre_wait": "pre-wait",
                         "position_audit": "position audit", "lead_begun": "change led"}  # fmt: skip
                found[names[kind]] += 1
            case "trip" | "link_lost" | "printer_reset":
                found[{"trip": "tripped", "link_lost": "link lost", "printer_reset": "printer reset"}[kind]] += 1
    found["port opened anew"] += len(outcome.line.opened_at) - len(outcome.ended)
    found["made safe at the next start"] += len(outcome.ended) - 1
    for _, data in outcome.line.written:
        found["a silence probed"] += data.startswith(b"\nN") or data == b"\n"
        found["reminded of a line"] += b"N0*126\n" in data
        found["last resort"] += data.startswith(b"\nM104 S0\nM140 S0\nM112")
        found["setpoint sent again"] += b"M104 S220.0*" in data or b"M104 S212.0*" in data
