"""What must hold of what went over the wire: setpoints proven before a band is laid down, settled for as long as asked."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from banderole.plan.config import Printer

from tests.scenarios.play import Outcome
from tests.scenarios.scenario import Scenario
from tests.scenarios.truth import Truth
from tests.support.judge import deposits

_READING = re.compile(r"T0?:\s*(-?[\d.]+)\s*/\s*(-?[\d.]+)")
SAME: Final = 0.6
"""°C: targets may be reported whole."""
EDGE: Final = 0.051
"""°C: readings are decimal text with one decimal."""


def proven(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A confirmed nozzle setpoint was shown by a report that came after it was written (not by an `ok`)."""
    replies = [(at, found) for at, text in truth.replies() if (found := _READING.search(text))]
    for at, event in outcome.of("setpoint_confirmed"):
        if event["channel"] != "nozzle" or event["proof"] != "reported":
            continue
        wanted = event["value"]
        lines: dict[
            int | None, float
        ] = {}  # when each was written first: once it is taken, writing it again does nothing
        for write in truth.writes:
            if write.at < at and _sets(write.text, wanted):
                lines.setdefault(write.number, write.at)
        wrote = sorted(lines.values())
        if not wrote:
            yield f"nozzle {wanted} is told as set at {at:.2f} s, and was never written"
        elif not any(wrote[-1] < heard <= at and abs(float(found[2]) - wanted) <= SAME for heard, found in replies):
            yield f"nozzle {wanted} is told as reported at {at:.2f} s, and no report says so since {wrote[-1]:.2f} s"


def _sets(text: str, value: float) -> bool:
    found = re.fullmatch(r"M104 S([\d.]+)", text)
    return found is not None and float(found[1]) == value


def settled(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """`settled` is told when all readings of the dwell, as they were heard, lay within tolerance; before the first deposit."""
    readings = [(at, float(found[1])) for at, text in truth.replies() if (found := _READING.search(text))]
    for at, event in outcome.of("settled"):
        wanted = event["setpoints"].get("nozzle")
        if wanted is None:
            continue
        heard = [(when, value) for when, value in readings if when <= at + 1e-6]
        before = sum(when < at - 1e-6 for when, _ in heard)
        # Of several that came at once, any may be the one behind which it was told.
        whys = [_unsettled(outcome, heard[:upto], at, wanted) for upto in range(before, len(heard) + 1)]
        if all(whys):
            yield f"settled at {wanted} °C is told at {at:.2f} s, {whys[-1]}"


def _unsettled(outcome: Outcome, heard: list[tuple[float, float]], at: float, wanted: float) -> str:
    """Why these readings are none of a settled heater; "" where they are."""
    tolerance, dwell = outcome.scenario.settle["tolerance"], outcome.scenario.settle["dwell_s"]
    span = [value for when, value in heard if when >= at - dwell + 1e-3]
    span = [*(value for _, value in heard[-len(span) - 1 : -len(span) or None]), *span]  # and the one it began with
    outside = [value for value in span if abs(value - wanted) > tolerance + EDGE]
    if outside and not _wild(outcome):
        return f"with {outside} heard within the dwell of {dwell} s"
    if len(span) < 2:
        return f"on {len(span)} readings"
    if (hole := _hole(outcome.scenario, [when for when, _ in heard], at - dwell)) is not None:
        return f"and within the dwell nothing was read for {hole:.1f} s"
    return ""


def _hole(scenario: Scenario, heard: list[float], since: float) -> float | None:
    """The longest time between two readings of a dwell, s, where it is longer than any reading counts for. None where none is."""
    begun = max((when for when in heard if when <= since + EDGE_S), default=since)
    longest = max((b - a for a, b in pairwise(when for when in heard if when >= begun)), default=0.0)
    most = Printer.model_validate(scenario.printer).interlocks.bed.stale_s
    return longest if longest > most + EDGE_S else None


EDGE_S: Final = 1e-3


def _wild(outcome: Outcome) -> bool:
    """May a reading have been heard that is none, and that nobody believed?"""
    line = outcome.scenario.line
    return bool(line.flip_out or line.lose_out or {"T7", "S7"} & set(outcome.scenario.kinds))


def waits_for_the_soak(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A new nozzle setpoint of a crossing is settled, or told to be late, before a deposit of that band is written."""
    scenario = outcome.scenario
    if scenario.settle["stance"] == "moving":
        return
    change = next((change for name, _, change in scenario.channels if name == "nozzle"), 0.0)
    begun = outcome.of("crossing_begun")
    for at, event in outcome.of("crossing_ended"):
        since = max((when for when, one in begun if one["band"] == event["band"] and when <= at), default=0.0)
        between = [one["kind"] for when, one in outcome.events if since <= when <= at]
        first = not any(when < since for when, _ in outcome.of("crossing_ended"))  # a pre-wait may have done it
        soaked = {"settled", "settle_late"} & set(between)
        if not first and abs(change) > scenario.settle["tolerance"] and not soaked:
            yield f"band {event['band']} was entered at {at:.2f} s without a soak: {between}"


def never_cold(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Nothing is laid down below `deposit_above` for longer than a look takes."""
    below = 160.0 - 3 * outcome.scenario.number("nozzle.noise", 0.0) - 2.0
    if truth.fault_at("T2") is not None:
        return  # it reads as it was
    cold = [row for row in truth.own_moves if deposits(row) and row["nozzle"] < below]
    if cold:
        span = cold[-1]["end"] - cold[0]["end"]
        if span > MOST_COLD_S:
            yield f"laid down at {cold[0]['nozzle']:.1f} °C, and for {span:.1f} s on"


MOST_COLD_S: Final = 16.0
"""What is on its way and in the planner: `ahead_s`, 16 motions, and a reading."""


def rests_while_held(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """From `held` until it is resumed no block of the file is written; nor does anything deposit."""
    answers = [at for at, event in outcome.events if event["kind"] in ("command_accepted", "aborting", "stopping")]
    for at, _ in outcome.of("held"):
        until = min((when for when in answers if when > at), default=math.inf)
        for row in truth.own_moves:
            if at + 0.5 < row["start"] and row["end"] < until - 1e-6 and deposits(row):
                yield f"a deposit at {row['start']:.2f} s, while it was held from {at:.2f} s to {until:.2f} s"
                return
