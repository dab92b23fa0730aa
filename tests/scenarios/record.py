"""The record is honest: what it says of a band was measured, states follow the table, commands met it, outlets lost nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from tests.scenarios.play import Outcome
from tests.scenarios.truth import Truth, slack
from tests.support.judge import deposits

TAKES: Final[dict[str, frozenset[str]]] = {
    "hold": frozenset({"Running", "Restarting"}),
    "resume": frozenset({"Held"}),
    "stop": frozenset({"Running", "Holding", "Held", "Restarting"}),
    "start": frozenset(),
    "reset": frozenset(),
    "dance": frozenset(),
}
"""Where a run may obey a command: the rows of ISA-88.00.01 / IEC 61512-1 (without its pause), written down apart from the
code. `start` and `reset` are a daemon's, never a run's. Abort and `estop`: everywhere."""
FOLLOWS: Final[dict[str, frozenset[str]]] = {
    "Idle": frozenset({"Running", "Aborting", "Aborted"}),
    "Running": frozenset({"Holding", "Stopping", "Aborting", "Complete"}),
    "Holding": frozenset({"Held", "Stopping", "Aborting"}),
    "Held": frozenset({"Restarting", "Stopping", "Aborting"}),
    "Restarting": frozenset({"Running", "Holding", "Stopping", "Aborting"}),
    "Stopping": frozenset({"Stopped", "Aborting"}),
    "Aborting": frozenset({"Aborted"}),
}
FILAMENT: Final = 0.002
"""Share by which the filament told of a band may differ from what was laid: the digits of the file."""


def unheard(answer: dict[str, Any]) -> bool:
    """Heat comes back on fresh readings only."""
    return "no fresh reading" in answer["reason"]


def says_why(answer: dict[str, Any], state: str) -> bool:
    """A person is told what the run is doing that rules the command out."""
    return f"in {state}" in answer["reason"] or answer["reason"] in ("the run is over", "no hold is pending")


def obeys_the_table(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Commands are taken in the states that the standard has for them, and no others; states follow each other as it says."""
    for name, state, answer in outcome.answers:
        if name in ("abort", "estop"):
            if not answer["accepted"] and answer["reason"] != "the run is over":
                yield f"{name} was refused in {state}: {answer}"
        elif answer["accepted"] and state not in TAKES[name]:
            yield f"{name} was obeyed in {state}"
        elif not answer["accepted"] and name in ("resume", "stop") and state in TAKES[name] and not unheard(answer):
            yield f"{name} was refused in {state}: {answer['reason']}"
        elif (
            not answer["accepted"]
            and name in ("hold", "resume", "stop")
            and state not in TAKES[name]
            and not says_why(answer, state)
        ):
            yield f"{name} was refused in {state}, and it is not said that this is why: {answer['reason']}"
    for before, after in zip(outcome.states, outcome.states[1:], strict=False):
        one_step = FOLLOWS.get(before, frozenset())
        two_steps = {
            last for middle in one_step for last in FOLLOWS.get(middle, ())
        }  # what is passed at once is not seen
        if after not in one_step | two_steps | {"Idle", "Aborting"}:
            yield f"{after} followed {before}"


def told(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A trip is latched, and only that; refused commands are told; a restored value is told."""
    assert outcome.stage is not None
    latched = outcome.stage.marks.latched
    trips = [event for _, event in outcome.of("trip")]
    if (latched is not None) != any(event["first_out"] for event in trips):
        yield f"latched {latched}, and tripped {[event['alarm'] for event in trips]}"
    if latched is not None and latched["alarm"] != next(e["alarm"] for e in trips if e["first_out"]):
        yield f"latched {latched['alarm']}, first out {[event['alarm'] for event in trips]}"
    accepted = sum(answer["accepted"] for _, _, answer in outcome.answers)
    if accepted > len(outcome.of("command_accepted")) + len(outcome.of("hold_requested")) and not any(
        end is None for end in outcome.ended
    ):
        yield f"{accepted} commands were obeyed, and {len(outcome.of('command_accepted'))} told"
    for _, end in outcome.of("run_ended"):
        resent = sum(event["run"] == end["run"] for _, event in outcome.of("link_resent"))
        if end["resends"] != resent:
            yield f"{end['resends']} times lines were written again, and {resent} told"
    started = outcome.of("run_started")
    marked = outcome.stage.marks.bed
    if started and marked is None:
        yield "it began, and no mark says that a part is on the bed"
    last = outcome.last
    # A task that is cancelled while it makes safe is not there to take the mark off: one make-safe too many, which is right.
    kept = outcome.happened["cancelled"] or (last is not None and last.exit == 4)
    if last is not None and last.proven and not kept and outcome.stage.marks.never_ended is not None:
        yield "heat is proven off, and the mark of a run that never ended stands"


def no_phantom(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """What trips as a climb while off has climbed: one damaged reading is none."""
    if any(
        truth.fault_at(name) is not None for name in ("T1", "T1b", "T2", "T4", "T6", "T7", "T1 bed", "T4 bed", "T7 bed")
    ):
        return
    for at, event in outcome.of("trip"):
        if event["alarm"] == "heat_while_off":
            lately = [one for one in outcome.samples if at - 120.0 <= one.at <= at]
            true = [one.bed if event["text"].startswith("bed") else one.nozzle for one in lately]
            if true and max(true) - min(true) < PHANTOM_C:
                yield f"{event['text']}; it was at {min(true):.1f} to {max(true):.1f} °C all the time"


PHANTOM_C: Final = 5.0
"""Less than half of what trips."""


def honest(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Readings of a band as they truly were, within the noise; filament as it was laid."""
    scenario, ended = outcome.scenario, outcome.ended[0]
    sick = {"T1", "T1b", "T2", "T6", "T7", "S7", "S2b"} & set(scenario.kinds)
    # It stands still over the part for seconds, while such a line recovers; that is read too.
    stands = scenario.line.damages or scenario.line.twice_in > 0.0 or "silence" in scenario.kinds
    if ended is None or stands or sick or truth.broken or not outcome.of("run_ended"):
        return
    wide = slack(scenario) + 3 * scenario.number("nozzle.noise", 0.0)
    failed = min((at for name in ("T3", "T4", "T5") if (at := truth.fault_at(name)) is not None), default=math.inf)
    by_band: dict[int, list[dict[str, float]]] = {}
    begins: dict[
        int, list[float]
    ] = {}  # °C: where nothing is waited for, a band begins as hot as the motion before it ended
    before: list[float] = []
    for row in truth.own_moves:
        if deposits(row):
            by_band.setdefault(scenario.band_of(row), []).append(row)
            begins.setdefault(scenario.band_of(row), before)
        before = [row["nozzle"]] if scenario.settle["stance"] == "moving" else []
    for number, band in enumerate(outcome.of("run_ended")[0][1]["bands"]):
        moves = by_band.get(number, [])
        if not moves or failed < math.inf:
            continue
        laid = sum(move["e"] for move in moves)
        if ended.state == "Complete" and abs(laid - band["filament_mm"]) > FILAMENT * laid + 0.02:
            yield f"band {number + 1}: {band['filament_mm']} mm are told, and {laid:.3f} mm were laid"
        if band["nozzle"] is None or ended.state != "Complete":
            continue
        if any(0.0 <= moves[0]["start"] - at < COMES_BACK_S for at, _ in outcome.of("settle_late")):
            continue  # entered while it climbs or falls by degrees a second: on the way back to the part it is read, too
        true = [*begins[number], *(move["nozzle"] for move in moves)]
        low, high = min(true), max(true)
        if band["nozzle"]["least"] < low - wide - LAG_C or band["nozzle"]["most"] > high + wide + LAG_C:
            yield f"band {number + 1}: {band['nozzle']} is told, and the nozzle was at {low:.1f} to {high:.1f} °C"
        if band["proof"].get("nozzle") not in ("reported", None):
            yield f"band {number + 1}: proof {band['proof']}"


COMES_BACK_S: Final = 5.0
"""From aside to the part, at the longest."""
LAG_C: Final = 1.5
"""Between the last reading of a band and its last deposit, the planner's content is carried out: the heater drifts meanwhile."""


def outlets_lose_nothing(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """The broker gets every event, in order, those of an outage late; the journal has them all or counts what it lacks."""
    assert outcome.outlets is not None
    network, shelf = outcome.outlets.network, outcome.outlets.shelf
    if network is not None:
        have = [(event["run"], event["seq"]) for event in network.events]
        fresh = list(dict.fromkeys(have))  # what was sent and not acknowledged goes out again
        wanted = [(event["run"], event["seq"]) for _, event in outcome.events]
        if fresh != wanted:
            yield f"the broker got {len(fresh)} events, not {len(wanted)}: lacks {sorted(set(wanted) - set(fresh))[:5]}"
        for ident, expected in network.expected.items():
            verdict = network.verdicts.get(ident)
            if expected == "refused" and verdict is not None and verdict.get("accepted"):
                yield f"message {ident} was obeyed: {verdict}"
    if shelf is not None:
        if shelf.kept + shelf.left_out < len(outcome.events):
            yield f"the journal has {shelf.kept} entries, counts {shelf.left_out} left out, of {len(outcome.events)}"
        if shelf.deepest > shelf.most_queued:
            yield f"{shelf.deepest} items waited for the journal"
