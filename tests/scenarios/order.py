"""What must come before what: rest before a setpoint, a hold, an end; a line's begin before it counts; a refusal, then its line.

All read off what was written, heard and told, with its times; nothing is asked of the program.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

from tests.scenarios.play import Outcome
from tests.scenarios.truth import Truth

ANEW: Final = {
    "crossing_ended": ("crossing_begun",),
    "held": ("run_started", "band_entered", "resumed", "crossing_begun"),
    "pre_wait": ("run_started", "band_entered", "pre_wait", "file_setpoint_reasserted"),
}
"""What has to be audited, and since when: the place is asked for at each crossing, hold and wait, at rest."""
AT_ONCE_S: Final = 0.5
"""A refused line is written again after a quiet of 30 ms; a probe, which would find it too, comes after 1 s."""
WORDS_S: Final = 1.5
"""A silence as it is told, and as it was: the beat of a rehearsal, and delay on the line."""
_ASKED = re.compile(r"(?:Resend: ?|rs )(\d+)")
_COMPLAINS = re.compile(r"Error:.*Last Line: (\d+)")
_LASTS = re.compile(r"(?:G4|G28|M0|M1|M109|M190|M400|M84)\b")
_SILENT = re.compile(r"nothing was heard for ([\d.]+) s")


def audited(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Each crossing, hold and wait of the file begins at rest, and with a look at the place."""
    since: dict[str, int] = {}
    audit = -1
    for number, (at, event) in enumerate(outcome.events):
        kind = event["kind"]
        begun = max((since.get(mark, -1) for mark in ANEW.get(kind, ())), default=None)
        if begun is not None and audit < begun and not _aside_still(outcome.events[begun][1], event):
            yield f"{kind} at {at:.2f} s, and the place was not asked for since {outcome.events[begun][1]['kind']}"
        since[kind] = number
        audit = number if kind == "position_audit" else audit


def _aside_still(before: dict[str, Any], event: dict[str, Any]) -> bool:
    """Held again with no line of the file carried out since it was resumed: in a wait, and it never was back at the part."""
    return before["kind"] == "resumed" and event["kind"] == "held" and before["line"] == event["line"]


def at_rest_at_the_end(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Behind the last block of the file all is carried out before heat is turned off."""
    ended = outcome.ended[0]
    if ended is None or ended.state != "Complete" or truth.broken or truth.falsified:
        return
    texts, wanted = [row["text"] for row in truth.commands], outcome.commands[-1]
    last = len(texts) - 1 - texts[::-1].index(wanted)
    behind = texts[last + 1 :]
    off = next((place for place, text in enumerate(behind) if text in ("M104 S0", "M140 S0")), len(behind))
    if "M400" not in behind[:off]:
        yield f"the end of the file, then {behind[: off + 1]}: heat off, and nothing had been carried out to the end"


def counted_when_begun(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A block of the file counts as taken when the board has begun it: each `ok` is for one line.

    A printer that answers a reminder has read its lines and may not have begun them: from there on they are not judged.
    """
    if not _sound(outcome):
        return
    assert outcome.line is not None
    until = next((at for at, data in outcome.line.written if b"N0*126" in data), math.inf)
    began, place = [], 0
    for row in truth.commands:
        if place < len(outcome.commands) and row["text"] == outcome.commands[place]:
            place += 1
            began.append(row["at"])
    for at, blocks in outcome.taken:
        if at >= until:
            break
        if blocks > bisect_right(began, at + 1e-6):
            yield f"{blocks} blocks counted as taken at {at:.3f} s, and {bisect_right(began, at + 1e-6)} had been begun"
            return


def each_ok_has_its_line(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """On a sound line no `ok` comes that belongs to nothing: one that does was credited before it came."""
    assert outcome.line is not None
    reminded = any(b"N0*126" in data for _, data in outcome.line.written)
    again = any(row["at"] > 1.0 for row in truth.board_events("restart", "halted"))  # and what was answered before it
    # Greeted anew all is forgotten that was out; and what goes past all numbering is answered too.
    again = again or any(event.get("rung") in ("greet anew", "break the wait") for _, event in outcome.of("make_safe"))
    spare = outcome.ran[0].engine.window.miscounts if outcome.ran else 0
    gone = outcome.happened["engine_broken"]  # it hears nothing any more of what it has written
    if spare and _sound(outcome) and not reminded and not again and not gone:
        yield f"{spare} answers belonged to no line, and none was lost or doubled"


def _sound(outcome: Outcome) -> bool:
    """Is nothing lost, doubled or silent? A line that is damaged on its way to the printer is still refused or answered once."""
    unsound = {"S3", "S4", "S6", "S7", "S9", "S10", "S11", "S12", "silence"}
    return not outcome.scenario.line.any and not unsound & set(outcome.scenario.kinds)


def refusals_acted_on(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A line that the printer refuses, in a complaint or a request, is written again at once."""
    line, kinds = outcome.scenario.line, set(outcome.scenario.kinds)
    if (
        line.flip_out
        or line.lose_out
        or line.twice_out
        or line.late_s
        or kinds & {"S6", "S7", "S10", "S11", "S12", "silence"}
    ):
        return  # what was heard may be damaged, or the line dead
    over = min((at for kind in ("aborting", "run_ended") for at, _ in outcome.of(kind)), default=math.inf)
    over = min(over, *(at for at, _ in [*_crashes(outcome), (math.inf, None)]))
    times = [write.at for write in truth.writes]
    began = {row["number"]: row["at"] for row in truth.commands}
    texts = {row["number"]: row["text"] for row in truth.commands}
    for at, text in truth.replies():
        found = _ASKED.fullmatch(text.strip()) or _COMPLAINS.fullmatch(text.strip())
        if found is None or at + AT_ONCE_S >= over:
            continue
        wanted = int(found[1]) + (text.startswith("Error"))
        before = truth.writes[: bisect_right(times, at - 1e-9)]
        if not any(write.number == wanted for write in before[-80:]):
            continue  # it has all that was written
        if began.get(wanted, math.inf) < at + AT_ONCE_S:
            continue  # it was on its way, and was taken
        if began.get(wanted - 1, math.inf) > at or _LASTS.match(texts.get(wanted - 1, "")):
            continue  # those before it are not answered yet, and what is out is bounded
        behind = truth.writes[len(before) : bisect_right(times, at + AT_ONCE_S)]
        if not any(write.number == wanted for write in behind):
            yield f"{text!r} at {at:.3f} s, and line {wanted} was not written again within {AT_ONCE_S} s"
            return


def _crashes(outcome: Outcome) -> list[tuple[float, Any]]:
    """Moments from which on nothing was written because the program was dead: until a next start opened the port."""
    if outcome.line is None or all(ended is not None for ended in outcome.ended):
        return []
    again = outcome.line.opened_at[1] if len(outcome.line.opened_at) > 1 else math.inf
    return [(max((at for at, _ in outcome.line.written if at < again), default=0.0), None)]


def climbs(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Each rung of the ladder does what it is named for."""
    assert outcome.line is not None
    past = {"emergency stop": "M112", "break the wait": "M108"}
    estop = [at for at, event in outcome.of("command_accepted") if event["command"] == "estop"]
    for at, event in outcome.of("make_safe"):
        rung = event.get("rung", "")
        order = past.get(rung)
        given = any(
            write.number is None and write.text == order and abs(write.at - at) < AT_ONCE_S for write in truth.writes
        )
        if order is not None and not given and not estop:
            yield f"rung {rung!r} at {at:.2f} s, and no {order} was written"
        if rung == "restart" and not any(abs(when - at) < AT_ONCE_S for when in outcome.line.pulsed):
            yield f"rung {rung!r} at {at:.2f} s, and DTR was not pulsed"


def told_as_it_was(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """What ends a run ends it; a silence is told with its length; a reading that was objected to is told at all.

    A next start has nothing to give up: it does nothing but make safe.
    """
    assert outcome.line is not None
    heard = [at for at, _ in outcome.line.heard]
    given_up = [at for at, _ in outcome.of("aborting")]
    run = outcome.ran[0].run_id if outcome.ran else ""
    for at, event in [*outcome.of("link_lost"), *outcome.of("trip")]:
        if event["run"] == run and not any(when <= at + AT_ONCE_S for when in given_up):
            yield f"{event['kind']} at {at:.2f} s, and it was not given up"
    for at, event in outcome.of("link_lost"):
        found = _SILENT.match(event["reason"])
        last = heard[bisect_right(heard, at) - 1] if bisect_right(heard, at) else 0.0
        if found is not None and abs(float(found[1]) - (at - last)) > WORDS_S:
            yield f"{event['reason']!r}, and it was {at - last:.1f} s"
    if outcome.scenario.solo and outcome.scenario.kinds in (("T7",), ("T7-bed",)):
        name = "B" if outcome.scenario.kinds == ("T7-bed",) else "T"
        jump = _wild(truth, re.compile(rf"(?:^|[ok ]){name}:\s*(-?[\d.]+) ?/"))
        told = [
            at for kind in ("caution", "trip") for at, event in outcome.of(kind) if event["alarm"].startswith("sensor")
        ]
        if jump is not None and jump < outcome.lasted - 0.1 and not told:
            yield f"a wild sample was heard at {jump:.2f} s, and nobody was told"


GREETS_S: Final = 7.5
"""A printer that takes no line for 5 s is told of, at the next greeting, one each second; and a little."""

AGAIN_S: Final = 1.6
"""Greetings further apart are no row of unanswered ones."""


def deafness_told(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """A next start whose printer does not listen says that heat goes off as soon as it does, or what to do meanwhile."""
    runs: dict[str, list[tuple[float, dict[str, Any]]]] = {}
    for at, event in outcome.events:
        runs.setdefault(event["run"], []).append((at, event))
    before = math.inf
    for number, events in enumerate(runs.values()):
        ended = events[-1][0]
        greeted = [write.at for write in truth.writes if before < write.at <= ended and write.text == "M110 N0"]
        told = any(event["kind"] == "caution" and event["alarm"] == "queued" for _, event in events)
        ends = next((a for a, b in pairwise([*greeted, math.inf]) if b - a > AGAIN_S), 0.0)
        if number and greeted and ends - greeted[0] > GREETS_S and not told:
            yield f"greeted from {greeted[0]:.1f} to {ends:.1f} s, and nobody was told that it does not listen"
        before = ended


WILD_C: Final = 120.0
GAP_S: Final = 7.0
"""The emulated wild sample is 150 °C off; behind a longer gap it may be believed."""


def _wild(truth: Truth, pattern: re.Pattern[str]) -> float | None:
    """When a reading came that was far above the one before, and not long behind it."""
    before: tuple[float, float] | None = None
    for at, text in truth.replies():
        if (found := pattern.search(text)) is not None:
            value = float(found[1])
            if before is not None and value - before[1] > WILD_C and at - before[0] < GAP_S:
                return at
            before = (at, value)
    return None
