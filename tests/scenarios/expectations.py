"""What a kind of fault must come to, where it is alone in its scenario (the rows of the fault catalogue, as exit codes).

Each bound is from the settings of the interlocks, with room for three deviations of noise, a step of rounding, and the 15 s
within which a physical fault must be tripped behind its threshold time.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from banderole.plan.config import Printer

from tests.scenarios.play import Outcome
from tests.scenarios.truth import HEAT_OFF, Truth

FINISHES: Final = frozenset(
    {"S1", "S2", "S2b", "S3", "S4", "S5", "S7", "S9", "T6", "T7", "T7-bed", "doubled_in", "doubled_out", "late", "hold",
     "hold_layer", "hold_band", "long_hold", "nonsense", "broker", "journal", "replay"}
)  # fmt: skip
ENDS: Final = {
    "S6": 5, "S8": 5, "S15": 5, "T1": 5, "T1b": 5, "T1-bed": 5, "T3": 5, "T4": 5, "S10b": 5, "S10": 6, "S11": 6, "S12": 6,
    "file_shrinks": 5, "outlet_raises": 70, "engine_raises": 70, "engine_broken": 70, "cancelled": 4,
}  # fmt: skip
"""Exit code, where the fault struck in time."""
MAY_TRIP: Final = {
    "S2": ("setpoint_unproven", "setpoint_lost"), "S2b": ("position_audit", "stale", "silence"),
    "T5": ("heat_rise", "heat_runaway", "pre_wait"),
    "T2": ("sensor_stuck", "heat_rise", "heat_overshoot", "setpoint_unproven", "pre_wait", "heat_off_unproven"),
    "T3-bed": ("heat_runaway", "heat_rise", "pre_wait", "stale"),
    "T4-bed": ("heat_overshoot", "heat_while_off", "heat_off_unproven", "heat_over_limit"),
}  # fmt: skip
"""Alarms that are an answer to it too, or the only ones where it ends in a trip. A motion that S2b made long or slow keeps the
requests for readings waiting behind it, and nobody can know for how long. A reading frozen above a setpoint that was lowered
looks as a heater does that stays on; a bed that fails in the printer's own wait for it may not be told of in there at all."""
ALARMS: Final = {
    "S6": ("line_numbers",), "S8": ("line_numbers",), "S15": ("printer_fatal",), "T1": ("sensor_impossible",),
    "T1b": ("sensor_impossible",), "T1-bed": ("sensor_impossible", "stale"), "S10b": ("stale", "setpoint_unproven"),
    "T3": ("heat_rise", "heat_runaway", "deposit_below", "pre_wait"), "T4": ("heat_overshoot", "heat_over_limit",
    "heat_while_off", "heat_off_unproven", "sensor_impossible"), "file_shrinks": ("file_changed",),
    "S10": ("silence", "stale"), "S11": ("printer_reset",), "S12": ("port_lost",),
}  # fmt: skip
LATE_S: Final = {"S6": 3.0, "S8": 4.0, "S15": 1.0, "S10": 17.0, "S10b": 9.0, "S11": 2.0, "S12": 1.0, "T1": 6.0, "T1b": 6.0,
                 "T1-bed": 6.0, "file_shrinks": 1.0, "outlet_raises": 400.0, "engine_raises": 1.0, "engine_broken": 1.0,
                 "cancelled": 0.5}  # fmt: skip
"""s before the end of a run from which on the fault may come too late to be noticed."""
ACTS_S: Final = 1.0
"""From a command to the heat-off on the wire, on a line that is well."""
MUST_S: Final = 15.0
"""After its threshold time a physical fault must be tripped."""
SAME_MOMENT_S: Final = 1e-6
"""Two ways of adding up the same time."""
PAUSE_S: Final = 5.0
"""The silence of S9."""
FINDS_S: Final = 3.0
"""Until it is known which answer a silence has swallowed: two line ends and a reminder, a second apart."""
TALKED_S: Final = 1.0
"""A word so long behind the last reading, and the line counts as alive: it is the reading that is missed, not the printer."""
IN_A_ROW: Final = 2
"""Intervals of reports: wild samples nearer to each other are in two readings running, and trip."""
RISE_S, RISES = 25.0, 4
BELOW_C, BELOW_S = 12.0, 15.0
ABOVE_C, ABOVE_S = 12.0, 8.0
"""The nozzle's levels as the printer file has them by default: `rise`, `runaway`, `overshoot`."""


def as_expected(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """The end that the kind has, alone."""
    scenario = outcome.scenario
    if not scenario.solo or outcome.ended[0] is None:
        yield from _killed(outcome)
        return
    kind = scenario.kinds[0] if scenario.kinds else ""
    ended = outcome.ended[0]
    end = f"{kind or 'no fault'} alone: {ended.state}, exit {ended.exit}, {ended.reason}"
    alarm = ended.reason.partition(":")[0]
    struck = _struck(outcome, truth, kind)
    if kind == "S6" and struck is not None:
        struck = _asked_wrongly(truth)
    if kind in ("S8", "S11") and struck is not None and not any(at < struck for at, _ in truth.replies()):
        struck = None  # before it had said a word: it is greeted again, as at any start
    given_up = outcome.of("aborting")
    if struck is not None and given_up and struck > given_up[0][0] + SAME_MOMENT_S:
        struck = None  # it was over by then, for another reason
        if ended.exit == ENDS.get(kind):
            return  # and yet in time for this end: while it was made safe
    printer = Printer.model_validate(scenario.printer)
    report_s = printer.thermal.report_s
    if kind in ("T7", "T7-bed") and alarm.startswith("sensor_") and _in_a_row(outcome, truth, report_s):
        return  # two of them in a row
    if kind == "S9" and alarm in ("silence", "stale") and _paused_s(truth) + report_s > printer.interlocks.stale_s:
        return  # where nothing moves, readings on both sides of it are further apart than they may be
    if alarm == "position_audit" and truth.stopped_at is not None:
        return  # damage made an order to stop at once of a line of ours: motion is missing, and that was seen
    if kind == "S10" and alarm == "stale" and report_s > TALKED_S:
        return  # its last word came long behind its last reading
    if ended.exit in (4, 70) and "nothing but a greeting" in ended.reason:
        return  # it has never answered: nothing is proven, and nothing was heated
    protected = scenario.settings().get("protection") == "true" and alarm == "printer_fatal" and kind.startswith("T")
    if ended.exit == 3 and struck is not None and not outcome.of("run_started"):
        return  # nothing was heated
    if kind in ENDS and struck is not None:
        if ended.exit == ENDS[kind]:
            if kind in ALARMS and alarm not in ALARMS[kind] and not protected and not _plain_end(outcome, kind):
                yield f"the wrong alarm. {end}"
            if (kind == "cancelled" or ended.exit == 70) and ended.proven != (kind != "engine_broken"):
                yield f"proven {ended.proven}. {end}"
            return
        if struck + _lateness(outcome, truth, kind) < (given_up[0][0] if given_up else outcome.lasted):
            yield f"it struck at {struck:.1f} s of {outcome.lasted:.1f}. {end}"
    if kind in ("flood", "stop", "abort", "estop"):
        yield from _obeyed(outcome, truth, end)
        return
    if kind in ("silence", "flips_in", "flips_out", "losses_in", "losses_out"):
        yield from _noisy(outcome, truth, kind, end)
        return
    if ended.exit == 5 and struck is not None and (alarm in MAY_TRIP.get(kind, ()) or protected):
        return
    if not _plain_end(outcome, kind):
        yield end


def _struck(outcome: Outcome, truth: Truth, kind: str) -> float | None:
    """When it struck, s; None: it never did."""
    at = truth.fault_at(kind, kind.replace("-bed", " bed"))
    if at is None and outcome.happened[kind]:
        when = outcome.scenario.happenings[0].when
        at = when.at_s if when.at_s is not None else _event_at(outcome, when.kind, when.nth) + when.after_s
    return at


def _asked_wrongly(truth: Truth) -> float | None:
    """When the board asked for the same line that was never sent again, s: once may be damage. Not in the greeting."""
    greeted = min((row["at"] for row in truth.commands if row["text"] == "M110 N0"), default=math.inf)
    asks = [(at, int(found[1])) for at, text in truth.replies() if (found := re.match(r"(?:Resend: ?|rs )(\d+)", text))]
    wrong = [(at, number) for at, number in asks if at > greeted and number > _last_sent(truth, at) + 1]
    return next((at for (_, before), (at, number) in pairwise(wrong) if number == before), None)


def _last_sent(truth: Truth, until: float) -> int:
    """The highest number of a line by then."""
    return max((write.number for write in truth.writes if write.number is not None and write.at <= until), default=0)


def _in_a_row(outcome: Outcome, truth: Truth, report_s: float) -> bool:
    """Did two wild samples come within so many reports, or with no reading heard between them, as in a homing?"""
    assert outcome.line is not None
    read = [at for at, data in outcome.line.heard if b"T:" in data]
    struck = sorted(row["at"] for row in truth.board_events("fault") if row["detail"].startswith("T7"))
    return any(
        after - before < IN_A_ROW * report_s or not any(before < at < after for at in read)
        for before, after in pairwise(struck)
    )


def _paused_s(truth: Truth) -> float:
    """The longest silence, s, of pauses of the board that may run into each other."""
    longest, began, until = 0.0, 0.0, -math.inf
    for at in sorted(row["at"] for row in truth.board_events("fault") if row["detail"] == "S9"):
        began, until = (at if at > until else began), at + PAUSE_S
        longest = max(longest, until - began)
    return longest


def _event_at(outcome: Outcome, kind: str, nth: int) -> float:
    return outcome.of(kind)[nth - 1][0]


def _plain_end(outcome: Outcome, kind: str) -> bool:
    """The whole file; or what a person or the schedule decided."""
    ended, scenario = outcome.ended[0], outcome.scenario
    assert ended is not None
    if ended.exit == 0:
        return ended.proven
    if ended.exit == 4:
        return ended.proven and any(name == "stop" and answer["accepted"] for name, _, answer in outcome.answers)
    late = ended.reason.startswith("settle_late") and scenario.settle["when_late"] == "abort"
    late = late or (ended.reason.startswith("deposit_below") and scenario.settle["when_late"] == "go-on")
    return late and (scenario.settle["patience_s"] < 100 or kind in ("T6", "T5", "T3-bed", "T2"))


def _lateness(outcome: Outcome, truth: Truth, kind: str) -> float:
    """s from the strike until it must have been answered."""
    if kind not in ("T3", "T4"):
        return LATE_S[kind]
    scenario = outcome.scenario
    tau, gain = scenario.number("nozzle.tau", 180.0), scenario.number("nozzle.gain", 375.0)
    margin = 3 * scenario.number("nozzle.noise", 0.0) + scenario.number("nozzle.resolution", 0.0) + 1.0
    struck = truth.fault_at(kind) or 0.0
    if not outcome.samples:
        return math.inf
    sample = min(outcome.samples, key=lambda one: abs(one.at - struck))
    target = sample.nozzle_target
    if target <= 0.0:
        return math.inf  # nothing is asked of it
    if kind == "T3":
        low = target - BELOW_C - margin - 25.0
        falls = tau * math.log((sample.nozzle - 25.0) / (low - 25.0)) if sample.nozzle > low > 25.0 else 0.0
        return max(RISES * RISE_S + MUST_S, falls + BELOW_S) + MUST_S
    high = target + ABOVE_C + margin
    rises = tau * math.log((gain - (sample.nozzle - 25.0)) / (gain - (high - 25.0))) if gain + 25.0 > high else math.inf
    return rises + ABOVE_S + MUST_S


def _obeyed(outcome: Outcome, truth: Truth, end: str) -> Iterator[str]:
    """A command that was accepted is acted on."""
    ended, kinds = outcome.ended[0], outcome.scenario.kinds
    assert ended is not None
    ending = [
        name
        for name, state, answer in outcome.answers
        if answer["accepted"] and name in ("stop", "abort", "estop") and state != "Aborting"
    ]  # or it was given up before
    if ending and ended.exit != 4:
        yield f"{ending[0]} was accepted. {end}"
    if not ending and not _plain_end(outcome, kinds[0]):
        yield end
    if ending and ending[0] != "stop" and ended.proven:
        asked = outcome.of("aborting")[0][0]
        off = [write.at for write in truth.writes if write.at >= asked and HEAT_OFF.match(write.text)]
        if not off or off[0] - asked > ACTS_S:
            yield f"no heat-off within {ACTS_S:g} s of the abort. {end}"
    network = outcome.outlets.network if outcome.outlets is not None else None
    if network is not None and "last" in network.expected and network.verdicts.get("last", {}).get("accepted") is None:
        yield "the last command of a flood was never answered"


def _noisy(outcome: Outcome, truth: Truth, kind: str, end: str) -> Iterator[str]:
    """Little damage is mended; much of it, or a long silence, may end in a trip or a lost link, never in anything else."""
    ended, line = outcome.ended[0], outcome.scenario.line
    assert ended is not None
    if _plain_end(outcome, kind):
        return
    alarm = ended.reason.partition(":")[0]
    fine = ended.exit in (5, 6)
    if kind == "silence":
        seconds = outcome.scenario.happenings[0].words[0]
        read = Printer.model_validate(outcome.scenario.printer)
        apart = seconds + read.thermal.report_s + FINDS_S  # of the readings on both sides of it, where nothing moves
        fine = (seconds > 4.0 or apart > read.interlocks.stale_s) and alarm in ("silence", "stale")
    elif max(line.flip_in, line.flip_out, line.lose_in, line.lose_out) <= LITTLE and not truth.falsified:
        fine = False
    if ended.exit == 3 and outcome.happened["silence"]:
        fine = True
    if not fine:
        yield end


LITTLE: Final = 3e-4
"""Damage to a byte in 3000, a line in a hundred: a bad cable, and a run goes on over it."""


def _killed(outcome: Outcome) -> Iterator[str]:
    """After a kill the next start makes it safe, and nothing else."""
    if not outcome.scenario.solo or len(outcome.ended) < 2:
        return
    last = outcome.ended[-1]
    if last is None or last.exit != 0 or not last.proven:
        yield f"killed, and the next start did not make it safe: {last}"
