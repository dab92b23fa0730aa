"""Blocks of the file on their way into the window, and where the machine will be once they are carried out.

A hold takes back what has not been numbered yet; so the last two stretches are kept, with the state before them.
"""

from __future__ import annotations

from banderole_protocol.modal import Modal

from banderole.plan.blocks import Block
from banderole.plan.itinerary import Stretch


class Feeder:
    """The stretch being fed, and the one before it."""

    def __init__(self, modal: Modal) -> None:
        self._modal = modal  # before the first block kept
        self._kept: list[Block] = []
        self._behind = 0  # kept blocks that belong to the stretch before
        self._next = 0
        self.paused = False
        self.deposits = False  # whether the present stretch lays anything down

    def load(self, stretch: Stretch) -> None:
        """The next stretch; the one before must have been fed whole."""
        if self._behind:
            before = self._kept[self._behind :]
            modal = self._modal
            for block in self._kept[: self._behind]:
                modal.apply(block.text)
        else:
            before, modal = self._kept, self._modal
        if before or self._behind:
            self._modal = modal
        self._kept = before + stretch.blocks
        self._behind = len(before)
        self._next = self._behind
        self.deposits = any(block.laid for block in stretch.blocks)

    def stand_at(self, modal: Modal) -> None:
        """What went out since went out apart (a waiting command, a homing that was asked after): begin anew from here."""
        self._modal, self._kept, self._behind, self._next = modal.copy(), [], 0, 0

    def next(self) -> Block | None:
        """The next block to be sent, or None."""
        if self.paused or self._next >= len(self._kept):
            return None
        self._next += 1
        return self._kept[self._next - 1]

    @property
    def empty(self) -> bool:
        """Has the stretch been fed whole?"""
        return self._next >= len(self._kept)

    def take_back(self, blocks: int) -> None:
        """The last `blocks` were queued and never numbered: they are to be sent again later."""
        self._next -= blocks
        if self._next < 0:
            raise ValueError(f"{blocks} blocks were taken back, more than the last two stretches hold")

    def here(self) -> Modal:
        """The state after everything that was sent."""
        modal = self._modal.copy()
        for block in self._kept[: self._next]:
            modal.apply(block.text)
        return modal

    @property
    def line(self) -> int:
        """The line of the file that was sent last; 0 before the first."""
        return self._kept[self._next - 1].line if self._next else 0
