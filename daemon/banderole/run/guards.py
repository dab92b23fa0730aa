"""What the engine watches over beside the heaters' own interlocks: silence, lost setpoints, depositing cold. Pure."""

from __future__ import annotations

from typing import Final

from banderole_protocol.channels import CHANNELS
from banderole_protocol.words import head_of, words_of

from banderole.run.decisions import Does, Hearing, Input
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole_protocol.wire import Line

    from banderole.run.engine import Engine

SLOW_S: Final = {"G28": 60.0, "G29": 600.0, "G30": 60.0, "G32": 600.0, "G33": 600.0, "G34": 600.0, "G425": 600.0,
                 "M109": 60.0, "M190": 60.0}  # fmt: skip
"""Longest that a printer may say nothing while it owes an answer to these (common practice, no source)."""
BUSY_AGAIN_S: Final = 20.0
"""One that has said `busy` since it began with such a command says it again each second or two (common practice, no source);
its silence is no work. Ten of them may be damaged in turn."""
BLIND_FACTOR, BLIND_MORE_S = 2.0, 10.0
"""For motion: twice what it should take and ten seconds."""
BLIND_FROM_S: Final = 1.0
"""Motion that should be over sooner is no reason to hear nothing."""
UNANSWERED_S: Final = 900.0
"""Readings alone do not show that a printer still works off what it was sent. Longer than any command lasts that says neither
`busy` nor belongs to those above (common practice, no source)."""
STRAY_READINGS: Final = 3
"""Reports in a row that show another target than the one proven: one may be of before, one damaged."""


class Guards:
    """Asked at each reading and each tick; they trip the run, or find the link lost."""

    def __init__(self) -> None:
        self._strays = 0
        self._owed: tuple[int, float] | None = None  # number of the line whose answer is owed first, and since when

    def on_reading(self, e: Engine) -> None:
        """A reading has come."""
        self._setpoints(e)
        self._cold_deposit(e)

    def hearing(self, e: Engine) -> Hearing:
        """What is known of the printer now."""
        if e.phase == "starting":
            return Hearing.BLIND
        blind = e.now < self._blind_until(e)
        if self._owed is not None and e.now - max(self._owed[1], e.busy_at) > UNANSWERED_S:
            return Hearing.SILENT
        quiet = e.window.out_lines > 0 and e.now - e.watch.heard_at > e.printer.serial.silence_s
        if e.watch.fresh(e.now) and not quiet:
            return Hearing.FRESH
        if blind:
            return Hearing.BLIND
        silence = e.watch.silence(e.now)
        if silence is not None:
            return Hearing.SILENT if silence.lost else Hearing.STALE
        return Hearing.SILENT if quiet else Hearing.QUIET

    def on_tick(self, e: Engine) -> None:
        """Nothing heard, or no reading, for too long? Longer only while an answer to something slow is owed."""
        match e.decide(Input.TICK):
            case Does.LOSE:
                e.lost("silence", self._silence_in_words(e))
            case Does.TRIP if (silence := e.watch.silence(e.now)) is not None:
                quiet = e.now - e.watch.heard_at
                but = "though the printer talks" if quiet < silence.limit else f"and no word for {quiet:.1f} s"
                text = f"no reading of the {silence.heater} for {silence.seconds:.1f} s, {but}"
                e.trip(Trip("stale", round(silence.seconds, 1), silence.limit, text))

    @staticmethod
    def _silence_in_words(e: Engine) -> str:
        seconds, hot = e.now - e.watch.heard_at, e.watch.silence(e.now) is not None
        if not hot and seconds <= e.printer.serial.silence_s:
            return f"nothing that was sent was answered for {UNANSWERED_S:g} s, though the printer reports"
        return f"nothing was heard for {seconds:.1f} s while {'hot' if hot else 'an answer is owed'}"

    def on_waking(self, e: Engine, seconds: float) -> None:
        """This program stood still. What the printer said meanwhile is no fresh reading, however many there are."""
        oldest = e.window.oldest()
        if oldest is not None and (self._owed is None or self._owed[0] != oldest.number):
            self._owed = (oldest.number, e.now - seconds)  # an answer owed since before
        silence = e.watch.silence(e.now)
        if silence is not None and e.cause is None and self.hearing(e) is not Hearing.BLIND:
            text = f"this program stood still for {seconds:.1f} s, and the {silence.heater} was watched by nobody"
            e.trip(Trip("stale", round(silence.seconds, 1), silence.limit, text))

    def _blind_until(self, e: Engine) -> float:
        """Until when the printer may be silent."""
        oldest = e.window.oldest()
        if oldest is None:
            self._owed = None
            return e.now + 1.0 if e.somebody_there else 0.0  # a reminder's answer has settled all that is out
        if self._owed is None or self._owed[0] != oldest.number:
            self._owed = (oldest.number, e.now)
        if e.somebody_there:
            return e.now + 1.0
        # Its answer may be lost: then the printer is at one of those behind it.
        return max(self._silent_until(e, line, self._owed[1]) for line in e.window.out())

    @staticmethod
    def _silent_until(e: Engine, line: Line, since: float) -> float:
        """Until when the printer may be silent over this line; 0: it answers at once."""
        head = head_of(words_of(line.block))
        if head in SLOW_S:
            until = since + SLOW_S[head]
            return until if e.busy_at < since else min(until, e.busy_at + BUSY_AGAIN_S)
        # These are answered when all that was taken is carried out, others when the planner has room again: when the
        # motion under way ends.
        motion = e.account.planned_s() + line.seconds if line.drains else max(e.account.longest_s(), line.seconds)
        return since + BLIND_FACTOR * motion + BLIND_MORE_S if motion > BLIND_FROM_S else 0.0

    def _setpoints(self, e: Engine) -> None:
        """A proven target that the printer shows no longer: damage on the line, or somebody at its panel."""
        watched = e.streaming and e.cause is None and not e.past_last_deposit
        lost = [h for h, v in e.current.items() if CHANNELS[h].thermal and e.watch.shows(h, v) is False]
        wrong = [heater for heater in lost if not e.lead.shows(e, heater)] if watched else []
        self._strays = self._strays + 1 if wrong else 0
        if self._strays >= STRAY_READINGS:
            wanted, shown = e.current[wrong[0]], e.watch.targets[wrong[0]]
            text = f"{wrong[0]} was set to {wanted:g} °C and the printer now shows {shown:g} °C"
            e.trip(Trip("setpoint_lost", shown, wanted, text))

    def _cold_deposit(self, e: Engine) -> None:
        nozzle = e.watch.believed.get("nozzle")  # a wild sample is counted, and trips nothing alone
        if nozzle is None or not (e.streaming and e.feeder.deposits) or e.feeder.empty:
            return
        if (trip := too_cold(e, nozzle)) is not None:
            e.trip(trip)


def too_cold(e: Engine, nozzle: float) -> Trip | None:
    """The interlock on laying anything down below `limits.deposit_above`, °C measured."""
    least = e.printer.limits.deposit_above
    if nozzle >= least:
        return None
    return Trip("deposit_below", nozzle, least, f"the nozzle is at {nozzle:.1f} °C: too cold to lay anything down")
