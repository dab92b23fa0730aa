"""What must hold after every run, whatever befell it, read off what the board really did. Each check says what is broken.

The numbers are those of the invariants in DEVELOPERS ("What must always hold"). Tolerances:
- positions 0.1 µm (`SAME_MM`: our own insertions are written to 10 nm); travel 0.3 mm above what is printed;
- a true temperature may stand off its setpoint by the tolerance asked for and `truth.slack` (three deviations of the sensor's
  noise, half its step, 0.6 °C), where readings say that it is within tolerance;
- damage that the 8-bit checksum lets pass is nobody's to prevent: from the first command that was executed otherwise than
  it was sent, the part is not judged any more. It is told apart by what was sent, not by what is reported.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator
from typing import Any, Final

from banderole.run.start_proof import LOW_C

from tests.scenarios import expectations, order, record, wire
from tests.scenarios.play import REST_AFTER_S, Outcome
from tests.scenarios.truth import HEAT_OFF, HEATS, Truth, Write, slack
from tests.support.judge import CLEAR_MM, SAME_MM, deposits

HEAT_OFF_WITHIN_S: Final = 6.5
"""From the decision to the first heat-off on the wire at the latest: at once where the line is free; 5 s of deafness
(`DEAF_S`) before the next rung where it is not, and a little."""
GREETED_S: Final = 10.0
"""A board that restarts hears nothing until it has booted; it is greeted each second."""
MOST_PENDING: Final = 12
"""Blocks queued and not numbered: four by the window's own bound, and what a step of ours queues at once."""
MOST_RUN_S: Final = 4 * 3600.0
"""No simulated run has a reason to last longer."""
PROOF_TAKES_S: Final = 8.0
"""Three readings, and the moment before them: a heater that gets stuck on meanwhile may be seen by none."""
RISES_C: Final = 1.5
"""Heat that is proven off does not rise by more than this afterwards."""

Check = Callable[[Outcome, Truth], Iterator[str]]


def broken(outcome: Outcome) -> list[str]:
    """Every invariant that does not hold, in words; [] where all do."""
    if outcome.own_fault is not None:
        return [f"raised where nothing may be: {outcome.own_fault}"]
    truth = Truth(outcome)
    return [f"{check.__name__}: {what}" for check in CHECKS for what in check(outcome, truth)]


# ---- 1. unmodified


def unmodified(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """The file's commands in order, none twice; what is reported of them is what was executed."""
    if truth.broken:
        yield truth.broken
    ended = outcome.ended[0]
    complete = ended is not None and ended.state == "Complete"
    if complete and truth.done != len(outcome.commands):
        yield f"complete, and {len(outcome.commands) - truth.done} commands of the file were never executed"
    for _, event in outcome.of("run_ended")[:1]:
        told, blocks = event["blocks_sha256"]["acknowledged"], event["blocks"]
        if ended is None or event["blocks_sha256"]["file"] is None:
            continue
        digest = hashlib.sha256(
            "".join(f"{text}\n" for text in outcome.commands[:blocks]).encode("latin-1")
        ).hexdigest()
        if told != digest:
            yield f"the digest of {blocks} acknowledged blocks is not theirs"
        if blocks > truth.done and not doubtful_count(outcome):
            yield f"{blocks} blocks are told as taken, and {truth.done} were executed"
        if complete and told != event["blocks_sha256"]["file"]:
            yield "complete, and the digests differ"


def doubtful_count(outcome: Outcome) -> bool:
    """May an `ok` have come that belongs to nothing? Such a one is found at the next quiet barrier only."""
    line = outcome.scenario.line
    return bool(line.twice_out or line.damages or {"S4", "S7", "S5"} & set(outcome.scenario.kinds))


# ---- 2. same part


def same_part(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Every motion of the file is what it is without us; insertions lay nothing down and travel clear of the part."""
    if truth.broken:
        return
    wrong = [at for at in (truth.first_falsified_move, truth.stopped_at) if at is not None]
    until = min(wrong, default=math.inf)
    lost = min((row["at"] for row in truth.board_events("restart", "halted") if row["at"] > 1.0), default=math.inf)
    have = [row for row in truth.own_moves if row["kind"] != "home"]
    wanted = [move for move in truth.reference if move.kind != "home"]
    frozen = truth.fault_at("T2") is not None
    # A line that is dead for longer than motors are held, in a homing: nobody can tell that from a homing that takes so long.
    release_s = outcome.scenario.number("idle_release_s", math.inf) or math.inf
    unheard = any(one.what == "silence" and float(one.words[0]) > release_s for one in outcome.scenario.happenings)
    ended = outcome.ended[0]
    held_back = frozen and any(mine["nozzle"] < outcome.manners.cold_below for mine in have)
    complete = ended is not None and ended.state == "Complete"
    if complete and until == math.inf and len(have) != len(wanted) and not held_back:
        yield f"{len(have)} motions of the file, not {len(wanted)}"
    for number, (mine, theirs) in enumerate(zip(have, wanted, strict=False)):
        if mine["end"] >= min(until, lost):
            break
        if frozen and mine["nozzle"] < outcome.manners.cold_below:
            break  # a board that lays nothing down so cold; with a sensor that stands still nobody can see it coming
        names = ("x0", "y0", "z0", "x1", "y1", "z1", "e", "feed")
        off = [name for name in names if abs(mine[name] - getattr(theirs, name)) > SAME_MM]
        if off:
            yield f"motion {number} differs in {off}: {mine} {theirs}"
            break
        if not mine["known"] and not unheard:
            yield f"motion {number} is made by motors that were let go: {mine}"
            break
    for move, top in truth.inserted_moves:
        if move["end"] >= min(until, lost):
            break
        if deposits(move):
            yield f"an insertion lays filament down: {move}"
            break
        sideways = abs(move["x1"] - move["x0"]) + abs(move["y1"] - move["y0"]) > 0.5  # a nudge is a tenth
        if top and sideways and min(move["z0"], move["z1"]) < top + CLEAR_MM:
            yield f"{move} passes at {min(move['z0'], move['z1'])}, printed up to {top}"
            break


# ---- 3. right band


def right_band(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """No deposit of a band at other setpoints than its own; nor, where it is settled for, at another temperature."""
    scenario = outcome.scenario
    aborting = outcome.of("aborting")
    until = min(
        aborting[0][0] if aborting else math.inf,
        truth.falsified[0]["at"] if truth.falsified else math.inf,
        min((row["at"] for row in truth.board_events("restart", "halted") if row["at"] > 1.0), default=math.inf),
    )
    failed_at = truth.fault_at("T1", "T1b", "T2", "T3", "T4", "T5", "T6", "T7")
    heater_failed = math.inf if failed_at is None else failed_at
    moving = scenario.settle["stance"] == "moving"
    late = {event["setpoints"].get("nozzle") for _, event in outcome.of("settle_late")}
    wide = scenario.settle["tolerance"] + slack(scenario)
    for move in truth.own_moves:
        if not deposits(move) or move["end"] >= until:
            continue
        band = scenario.band_of(move)
        for channel, first, change in scenario.channels:
            value = first + change * band
            problem = ""
            if channel == "nozzle":
                fine = {value} | ({first + change * (band + 1)} if moving else set())
                if not {move["target"], move["target_end"]} <= fine:
                    problem = f"targets {move['target']} and {move['target_end']}"
                elif not moving and value not in late and move["end"] < heater_failed:
                    problem = f"{move['nozzle']:.2f} °C" if abs(move["nozzle"] - value) > wide else ""
            elif channel in ("fan", "flow", "feed"):
                have = move[{"fan": "fan", "flow": "flow", "feed": "factor"}[channel]]
                wanted = value * 2.55 if channel == "fan" else value
                problem = f"{channel} {have}" if abs(have - wanted) > 0.51 else ""
            if problem:
                yield f"a deposit of band {band + 1} at {problem}, not {value} ({channel}): {move}"
                return


# ---- 5. safe


def ends(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Every run ends, and every one that was killed is made safe by a next start."""
    if outcome.lasted > MOST_RUN_S and not outcome.scenario.text:
        yield f"it took {outcome.lasted:.0f} s"
    if outcome.last is None and outcome.stage is not None and outcome.stage.marks.never_ended is not None:
        yield "killed again and again, and never made safe"
    for ended in outcome.ended:
        if ended is None:
            continue
        if ended.exit == 0 and not ended.proven:
            yield "exit 0, and heat is not proven off"
        if (ended.exit == 0) != (ended.state in ("Complete",)) and ended is outcome.ended[0]:
            yield f"exit {ended.exit} of a run that is {ended.state}"


TRIED = tuple(f"{command} S{LOW_C:g}" for command in ("M104", "M140"))
"""What the start tries the way to safety with: no heater comes on for it."""


def heat_is_off(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """After a proven end no heater is on, at the board; an unproven one is told as such on every outlet."""
    assert outcome.stage is not None
    last = outcome.last
    machine = outcome.stage.board.machine
    on = {f"heater {n}": h.target for n, h in enumerate((*machine.nozzles, machine.bed)) if h.target > 0.0}
    if last is None:
        if outcome.stage.marks.never_ended is None and any(
            HEATS.match(w.text) and w.text not in TRIED for w in truth.writes
        ):
            yield "killed after it had turned heat on, and no mark tells the next start"
        return
    if last.proven:
        if on:
            yield f"heat is told to be off, and at the board there is {on}"
        after = [s for s in outcome.samples if s.at >= outcome.lasted]
        later = (truth.fault_at("T4") or 0.0) > outcome.lasted - PROOF_TAKES_S  # it got stuck when all was over
        later = later or _stuck_unread(outcome, truth)
        # Two faults at once: what a sensor that is broken or stands still does not show, nobody can see.
        later = later or truth.fault_at("T1", "T1b", "T2") is not None
        rises = after[-1].nozzle - after[0].nozzle if after else 0.0
        if rises > RISES_C and not later and _shows(outcome, rises):
            yield f"heat is told to be off, and the nozzle rose by {rises:.1f} °C since"
    elif last.exit == 3 or "nothing but a greeting" in last.reason:
        if any(HEATS.match(write.text) for write in truth.writes):
            yield "refused at the start, and heat was turned on"
    else:
        alarms = [alarm["alarm"] for alarm in outcome.status["alarms"]]
        if "mains" not in alarms:
            yield f"heat is not proven off, and no alarm says what to do: {alarms}"
        if outcome.status["heat_proven_off"] is not False:
            yield f"heat is not proven off, and the status says {outcome.status['heat_proven_off']}"


def estop_stops(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """The printer's own emergency stop goes out at once, past all numbering."""
    if outcome.ended[0] is None:
        return
    asked = [at for at, event in outcome.of("command_accepted") if event["command"] == "estop"]
    if asked and not any(w.number is None and w.text == "M112" and 0 <= w.at - asked[0] < 0.5 for w in truth.writes):
        yield "an emergency stop was accepted, and no M112 was written"


def _stuck_unread(outcome: Outcome, truth: Truth) -> bool:
    """Did it get stuck on after it was proven off, on a line that lets no reading through any more? Nobody can see that."""
    proofs = [at for at, event in outcome.of("make_safe") if event.get("proven")]
    stuck = truth.fault_at("T4")
    if stuck is None or not proofs or stuck < proofs[-1]:
        return False
    return not any("T:" in text for at, text in truth.replies() if stuck < at)


def _shows(outcome: Outcome, rises: float) -> bool:
    """Would three readings, 0.8 of an interval apart at least, tell this climb from noise? 1 °C is allowed to noise."""
    scenario = outcome.scenario
    spans = 1.6 * scenario.printer["thermal"]["report_s"]
    noise, step = scenario.number("nozzle.noise", 0.0), scenario.number("nozzle.resolution", 0.0)
    return rises / REST_AFTER_S * spans > 1.0 + 4.0 * noise + step


def heat_stays_off(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Once it is being made safe, nothing that heats is written; nor is anything at all after a kill or an end."""
    ending = [at for kind in ("aborting", "run_ended") for at, _ in outcome.of(kind)]
    since = min(ending, default=math.inf)
    for write in truth.writes:
        if write.at > since and HEATS.match(write.text) and not _asked_for_again(truth, write, since):
            yield f"{write.text!r} was written {write.at - since:.2f} s after it was given up"
            break
    if outcome.of("aborting") and not outcome.of("run_started"):
        return
    aborting = [at for at, _ in outcome.of("aborting")]
    if aborting:
        off = [w.at for w in truth.writes if w.at >= aborting[0] and HEAT_OFF.match(w.text)]
        assert outcome.line is not None
        gone = any(event["reason"].startswith("the device is gone") for _, event in outcome.of("link_lost"))
        pulled = truth.fault_at("S12") or 0.0  # perhaps while it was being made safe, and that is told as no lost link
        gone = gone or pulled > aborting[0] - HEAT_OFF_WITHIN_S
        reset = bool(outcome.of("printer_reset")) or outcome.happened["estop"]
        opened = [at for at in outcome.line.opened_at if at > aborting[0]]
        within = (
            HEAT_OFF_WITHIN_S
            + (GREETED_S if reset or gone else 0.0)
            + (opened[0] - aborting[0] if gone and opened else 0.0)
        )
        # It did not come back; or nobody has answered the greeting since, who may be another device.
        never = gone and not (opened and any(at > opened[0] for at, _ in outcome.line.heard))
        killed = outcome.ended[0] is None
        if not killed and not never and (not off or off[0] - aborting[0] > within):
            yield f"heat-off was written {'never' if not off else f'{off[0] - aborting[0]:.1f} s after the decision'}"


def _asked_for_again(truth: Truth, write: Write, since: float) -> bool:
    """Is it written again, under its own number (no other line ever gets that), with heat-off right behind it?"""
    before = any(w.number == write.number and w.text == write.text and w.at <= since for w in truth.writes)
    off = any(w.at == write.at and HEAT_OFF.match(w.text) for w in truth.writes)
    return before and write.number is not None and off


def factors_put_back(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Flow, feed, advance and retract as they were found, or told which could not be."""
    assert outcome.stage is not None
    last = outcome.last
    if last is None or not last.proven or truth.falsified:
        return
    restarted = any(row["at"] > 1.0 for row in truth.board_events("restart", "halted"))
    told = " ".join(event["text"] for _, event in outcome.of("caution") if event["alarm"] == "restore")
    started = outcome.of("run_started")
    if not started or restarted:
        return
    sets = {"M221": "flow", "M220": "feed", "M900": "advance", "M207": "retract"}
    by_file = {sets[text[:4]] for text in outcome.commands if text[:4] in sets}
    for channel, value in started[0][1]["prior"].items():
        have = outcome.factors[channel]
        if channel not in told and channel not in by_file and abs(have - value) > 0.006:
            yield f"{channel} stands at {have}, and was found at {value}"
    unknown = {name for name, _, _ in outcome.scenario.channels} & set(sets.values()) - set(started[0][1]["prior"])
    if unknown:
        yield f"{sorted(unknown)} scheduled, and nobody asked what it was before"


# ---- 6. bounded


def bounded(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Queues within their bounds, and the board's receive buffer never overrun by a line that loses nothing."""
    if outcome.depths.get("pending", 0) > MOST_PENDING:
        yield f"{outcome.depths['pending']} blocks were queued"
    line, kinds = outcome.scenario.line, set(outcome.scenario.kinds)
    if not line.any and not kinds & {"S3", "S4", "S5", "S6", "S7", "S8", "S9", "S10", "silence", "S11", "S12"}:
        # Heat-off goes out whatever probes a deaf printer has not read yet: what that costs is refused, and written again.
        safe = min((at for at, _ in outcome.of("aborting")), default=math.inf)
        for row in truth.board_events("overrun"):
            if row["at"] < safe:
                yield f"the receive buffer was overrun: {row['detail']}"


# ---- 8. honest record


def numbered(outcome: Outcome, truth: Truth) -> Iterator[str]:
    """Events of each run count from 1 without a gap; the last is its end."""
    runs: dict[str, list[dict[str, Any]]] = {}
    for _, event in outcome.events:
        runs.setdefault(event["run"], []).append(event)
    for number, events in enumerate(runs.values()):
        if [event["seq"] for event in events] != list(range(1, len(events) + 1)):
            yield f"events are numbered {[event['seq'] for event in events]}"
        ended = outcome.ended[number] if number < len(outcome.ended) else None
        if ended is not None and events[-1]["kind"] != "run_ended" and not outcome.happened["cancelled"]:
            yield f"the last event is {events[-1]['kind']}"
        firsts = [event for event in events if event["kind"] == "trip" and event["first_out"]]
        if len(firsts) > 1:
            yield f"{len(firsts)} first causes: {[event['alarm'] for event in firsts]}"


CHECKS: Final[tuple[Check, ...]] = (
    unmodified, same_part, right_band, wire.waits_for_the_soak, wire.rests_while_held, wire.never_cold, wire.proven,
    wire.settled, ends, heat_is_off, heat_stays_off, estop_stops, factors_put_back, bounded, numbered, record.obeys_the_table,
    record.told, record.no_phantom, order.audited, order.at_rest_at_the_end, order.counted_when_begun, order.each_ok_has_its_line,
    order.refusals_acted_on, order.climbs, order.told_as_it_was, order.deafness_told,
    record.honest, record.outlets_lose_nothing, expectations.as_expected,
)  # fmt: skip
