"""Where the printer thinks it is, held against where the file says.

At each crossing, hold and end it is asked at rest. That misses a damaged line that the next one sets right again: the
checksum is an exclusive or, so two damaged bits of one weight pass it (faults S2, S2b). So on a line that damages, `Readback`
asks behind every block of the file, and feeds the next only when the answer fits. Firmware answers with the place it was
last told, without waiting for motion; one that does wait would stop at each block, so it is asked no more.
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.modal import Modal
from banderole_protocol.replies import Position

from banderole.plan.blocks import Block
from banderole.run.effects import Ours
from banderole.run.trips import Trip

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine

AUDIT_MM: Final = 0.05
"""Reports have two decimals, and relative moves add up their rounding; a lost digit moves the nozzle by tenths at least."""
EXACT_MM: Final = 0.0075
"""Half of the last of two decimals, and half as much for the rounding of sums. A printer that answers with the place it was
told keeps to it; one that answers with what its motors count does not."""
ANEW_MM: Final = 0.005
"""Of E the count begins anew with one answer, behind what we push and pull: rounded like the one that is held against it."""
EXACT_ANSWERS: Final = 20
"""So many answers in a row within EXACT_MM, and a later one that is not is as wrong as one that is far off."""
DRIFT: Final = 0.1
"""Share of a right answer's difference that is taken over: sums of relative moves drift slowly, damage comes at once."""
CAREFUL_BLOCKS: Final = 3000
"""So long after a refused line each block is asked after: where one line in 60 is damaged, this never ends in between."""
AGAIN_S: Final = 0.3
"""An answer lags its `ok` by less; then it was damaged, and is asked for again."""
TRIES: Final = 4
"""Answers may be damaged like lines. One wrong answer is asked after; two that agree are the truth."""
STOPS_S: Final = 0.4
STOPS: Final = 3
"""An answer that takes as long as all motion that was left, three times: this firmware waits for it."""


def off(modal: Modal, position: Position) -> tuple[str, float] | None:
    """The axis that is furthest off, and by how much, mm; None where no axis is known."""
    differences = {axis: abs(_told_mm(modal, axis) - getattr(position, axis.lower())) for axis in modal.known}
    if not differences:
        return None
    axis = max(differences, key=lambda one: differences[one])
    return axis, differences[axis]


def _told_mm(modal: Modal, axis: str) -> float:
    return modal.told(axis, getattr(modal, axis.lower())) * modal.scale


def audit_trip(axis: str, wrong: float, line: int) -> Trip:
    """The printer is not where the file says."""
    text = f"the printer is {wrong:.2f} mm off in {axis} after line {line} of the file: the part is not what it says"
    return Trip("position_audit", round(wrong, 3), AUDIT_MM, text)


def _exact_mm(axis: str) -> float:
    return EXACT_MM + (ANEW_MM if axis == "E" else 0.0)


class Readback:
    """One question at a time, behind the block that was sent last. `open`: may the next block be fed?"""

    def __init__(self) -> None:
        self._careful_until = -1  # by count of blocks taken
        self._asked: Ours | None = None
        self._answer: Position | None = None  # the last since then
        self._before: Position | None = None  # the last that was right
        self._expected: Modal | None = None
        self._line = self._tries = self._stops = 0
        self._asked_at = self._left_s = 0.0
        self._wrong: tuple[str, float] | None = None
        self._exact = 0  # answers in a row that were right to the last decimal
        self._drift: dict[str, float] = {}  # of the printer's count from the file's, by axis, mm

    @property
    def open(self) -> bool:
        return self._asked is None

    def refused(self, blocks: int) -> None:
        """A line was refused: this line of ours damages what goes over it."""
        if self._stops < STOPS:
            self._careful_until = blocks + CAREFUL_BLOCKS

    def sent(self, e: Engine, block: Block) -> None:
        """A block of the file is queued: ask after it, on a line that damages."""
        if e.account.blocks >= self._careful_until or e.away:  # a wait of the file, spent aside: it is where we sent it
            return
        self._expected, self._line, self._tries, self._wrong = e.feeder.here(), block.line, 0, None
        self._ask(e)

    def drop(self) -> None:
        """The file is not being fed: what comes is no answer of ours."""
        self._asked = None
        self._drift.pop("E", None)  # what we push and pull ourselves need not come out to the last decimal

    def _ask(self, e: Engine) -> None:
        self._tries += 1
        self._asked, self._answer = Ours(b"M114", "readback"), None
        self._asked_at, self._left_s = e.now, e.window.motion_left_s(e.now)
        e.queue(self._asked)

    def on_position(self, e: Engine, position: Position) -> None:
        """An answer, or a line that doubles what it carries brings one that was heard already: the `ok` tells."""
        if self._asked is not None:
            self._notice_stop(e)
            self._answer = position
            self.on_taken(e)

    def on_taken(self, e: Engine) -> None:
        """Lines of ours were taken. With the question the last answer counts. Trips where two say the same wrong place."""
        if self._asked is None or not self._asked.taken or self._expected is None or self._answer is None:
            return
        differences = self._differences(self._expected, self._answer)
        off_by = {axis: abs(d - self._drift.get(axis, 0.0)) for axis, d in differences.items()}
        wrong = max(off_by.items(), key=lambda one: one[1] - _exact_mm(one[0]))
        if wrong[1] > (_exact_mm(wrong[0]) if self._exact >= EXACT_ANSWERS else AUDIT_MM):
            if self._answer == self._before and self._tries < TRIES:
                self._answer = None  # where it was before: that answer over again, behind an `ok` over again
                return
            again = self._wrong is not None and wrong[0] == self._wrong[0] and abs(wrong[1] - self._wrong[1]) < EXACT_MM
            self._wrong = wrong
            if again:
                self.drop()
                e.trip(audit_trip(*wrong, self._line))
            elif self._tries < TRIES:
                self._ask(e)
            else:
                self._asked = None
            return
        self._exact = self._exact + 1 if wrong[1] <= _exact_mm(wrong[0]) else 0
        for axis, difference in differences.items():
            drift = self._drift.get(axis, 0.0)
            self._drift[axis] = drift + DRIFT * (difference - drift)
        self._asked, self._before = None, self._answer

    def on_tick(self, e: Engine) -> None:
        """An answer that does not come was damaged."""
        if self._asked is not None and self._asked.taken and e.now - self._asked_at > AGAIN_S:
            if self._tries < TRIES:
                self._ask(e)
            else:
                self._asked = None  # it does not say: what it did not deny goes on, and the next block is asked after

    def _differences(self, expected: Modal, position: Position) -> dict[str, float]:
        """The printer's word less the file's, mm; E, where nothing of it is known yet, as the printer has it."""
        axes = expected.known + ("" if position.e is None else "E")
        found = {axis: getattr(position, axis.lower()) - _told_mm(expected, axis) for axis in axes}
        if "E" in found:
            self._drift.setdefault("E", found["E"])
        return found or {"": 0.0}

    def _notice_stop(self, e: Engine) -> None:
        took = e.now - self._asked_at
        if self._left_s > STOPS_S:
            self._stops = self._stops + 1 if took > 0.8 * self._left_s else 0
        if self._stops >= STOPS:
            self._careful_until = -1
            text = "lines are damaged on their way, and this printer stops when asked where it is: look to its cable"
            e.caution("noisy_line", text)
