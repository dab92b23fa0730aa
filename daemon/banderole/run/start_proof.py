"""Before anything is heated: does the way to safety work, on this printer and in this program? Under 3 s, nothing latched.

Two halves. The interlocks are told made-up readings (`made_up`) and each must decide a trip. And the make-safe path is
walked on the idle printer: a target so low that nothing is heated is set, seen in the printer's own report, taken back by
the lines that make safe, and seen to be 0. A printer on which that does not work is not heated at all.
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.channels import setpoint_block

from banderole.run.effects import Ours
from banderole.run.made_up import prove
from banderole.run.make_safe import heat_off
from banderole.run.steps import PROOF_S, TRIES, Procedure, RefusedAtStart, Tripped, Waiting, send
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

LOW_C: Final = 5.0
"""A target below what any room has in which somebody prints: it shows in a report, and no heater comes on for it."""

ASK_S: Final = 1.0
"""From one request for temperatures to the next, while nothing is shown."""


def start_proof(e: Engine) -> Procedure:
    """Both halves; what came of them is told with the start.

    Raises RefusedAtStart, with nothing heated; and Tripped where heat does not go off, for then the ladder is climbed.
    """
    proven = prove(e)
    for alarm, heater in proven.failed:
        raise RefusedAtStart(
            f"the interlock {alarm} of the {heater} did not decide on a made-up reading: nothing was heated; look at "
            f"[interlocks] and [limits] of the printer file"
        )
    begun = e.now
    walked = yield from _walk(e)
    e.start_proof = {
        "interlocks": proven.tripped,
        "left_out": [f"{alarm} of the {heater}" for alarm, heater in proven.untold],
        "walked": walked,
        "seconds": round(e.now - begun, 2),
    }


def _walk(e: Engine) -> Waiting[list[str]]:
    """Which heaters the path was walked with: those that are idle. One that is on already is left as it is."""
    shown = [heater for heater in e.watch.measured if e.watch.targets.get(heater) is not None]
    idle = [heater for heater in shown if e.watch.targets[heater] == 0.0]
    if not shown:
        e.caution(
            "heat_off_unseen", "the printer reports no targets: that heat is off will be seen by its cooling only"
        )
    elif len(idle) < len(shown):
        e.caution("heat_off_untried", "a heater is on already, so turning it off was not tried before the start")
        return []  # heat-off goes to all heaters at once
    if not idle:
        return []
    if not (yield from _seen(e, dict.fromkeys(idle, LOW_C), [setpoint_block(heater, LOW_C) for heater in idle])):
        yield from send(e, heat_off(e), "start_proof")
        raise RefusedAtStart(
            "the printer does not show a target that was set: nothing was heated; see to cable and baud"
        )
    if not (yield from _seen(e, dict.fromkeys(idle, 0.0), heat_off(e))):
        text = "the printer does not take a target back to 0, tried before anything was heated"
        raise Tripped(Trip("heat_off_unproven", None, LOW_C, text))
    return idle


def _seen(e: Engine, targets: dict[str, float], blocks: list[bytes]) -> Waiting[bool]:
    """Send what makes safe as it is sent then, ahead of all else, until a report shows these targets.

    They are others than the printer showed before: a report that shows them is of afterwards, whatever became of the `ok`s.
    """
    for _ in range(TRIES):
        for block in blocks:
            e.window.urgent(block, Ours(block, "start_proof"))
        until, ask_at = e.now + max(PROOF_S, 3 * e.printer.thermal.report_s), e.now
        while e.now < until:
            if e.now >= ask_at and e.window.ask_temperatures():  # it may be damaged on its way, or its answer
                ask_at = e.now + ASK_S
            yield
            if all(e.watch.shows(heater, value) for heater, value in targets.items()):
                return True
    return False
