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
    differences = {axis: abs(modal.told(axis, getattr(modal, axis.lower())) * modal.scale - getattr(position, axis.lower()))
                   for axis in modal.known}  # fmt: skip
    if not differences:
        return None
    axis = max(differences, key=lambda one: differences[one])
    return axis, differences[axis]


def audit_trip(axis: str, wrong: float, line: int) -> Trip:
    """The printer is not where the file says."""
    text = f"the printer is {wrong:.2f} mm off in {axis} after line {line} of the file: the part is not what it says"
    return Trip("position_audit", round(wrong, 3), AUDIT_MM, text)


class Readback:
    """One question at a time, behind the block that was sent last. `open`: may the next block be fed?"""

    def __init__(self) -> None:
        self._careful_until = -1  # by count of blocks taken
        self._asked: Ours | None = None
        self._expected: Modal | None = None
        self._line = self._tries = self._stops = 0
        self._asked_at = self._left_s = 0.0
        self._wrong: tuple[str, float] | None = None
        self._filament: float | None = None  # by what the printer's count of E differs from the file's, mm

    @property
    def open(self) -> bool:
        return self._asked is None

    def refused(self, blocks: int) -> None:
        """A line was refused: this line of ours damages what goes over it."""
        if self._stops < STOPS:
            self._careful_until = blocks + CAREFUL_BLOCKS

    def sent(self, e: Engine, block: Block) -> None:
        """A block of the file is queued: ask after it, on a line that damages."""
        if e.account.blocks >= self._careful_until:
            return
        self._expected, self._line, self._tries, self._wrong = e.feeder.here(), block.line, 0, None
        self._ask(e)

    def drop(self) -> None:
        """The file is not being fed: what comes is no answer of ours."""
        self._asked = self._filament = None

    def _ask(self, e: Engine) -> None:
        self._tries += 1
        self._asked = Ours(b"M114", "readback")
        self._asked_at, self._left_s = e.now, e.window.motion_left_s(e.now)
        e.queue(self._asked)

    def on_position(self, e: Engine, position: Position) -> None:
        """An answer. Trips where two of them say the same wrong place."""
        if self._asked is None or self._expected is None:
            return
        self._notice_stop(e)
        wrong = self._off(self._expected, position)
        if wrong is not None and wrong[1] > AUDIT_MM:
            again = self._wrong is not None and wrong[0] == self._wrong[0] and abs(wrong[1] - self._wrong[1]) < AUDIT_MM
            self._wrong = wrong
            if again:
                self.drop()
                e.trip(audit_trip(*wrong, self._line))
            elif self._tries < TRIES:
                self._ask(e)
            else:
                self._asked = None
            return
        if position.e is not None:
            self._filament = position.e - self._e(self._expected)
        self._asked = None

    def on_tick(self, e: Engine) -> None:
        """An answer that does not come was damaged."""
        if self._asked is not None and self._asked.taken and e.now - self._asked_at > AGAIN_S:
            if self._tries < TRIES:
                self._ask(e)
            else:
                self._asked = None  # it does not say: what it did not deny goes on, and the next block is asked after

    def _off(self, expected: Modal, position: Position) -> tuple[str, float] | None:
        wrong = off(expected, position)
        if (wrong is None or wrong[1] <= AUDIT_MM) and position.e is not None and self._filament is not None:
            return "E", abs(position.e - self._e(expected) - self._filament)
        return wrong

    @staticmethod
    def _e(modal: Modal) -> float:
        return modal.told("E", modal.e) * modal.scale

    def _notice_stop(self, e: Engine) -> None:
        took = e.now - self._asked_at
        if self._left_s > STOPS_S:
            self._stops = self._stops + 1 if took > 0.8 * self._left_s else 0
        if self._stops >= STOPS:
            self._careful_until = -1
            text = "lines are damaged on their way, and this printer stops when asked where it is: look to its cable"
            e.caution("noisy_line", text)
