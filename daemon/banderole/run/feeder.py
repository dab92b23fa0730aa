"""Blocks of the file on their way into the window, and where the machine will be once they are carried out.

A hold takes back what has not been numbered yet; so blocks of the stretches before are kept too, with the state before them.
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.modal import Modal

from banderole.plan.blocks import Block
from banderole.plan.itinerary import Stretch

KEPT_LEAST: Final = 8
"""Blocks that can be taken back at least: twice what the window queues. Stretches may be single blocks (layers of one move)."""
KEPT_MOST: Final = 64
"""Kept blocks of short stretches at most; then all but the last few are let go at once, so the state is reckoned seldom."""


class Feeder:
    """The stretch being fed, and what came before it as far as it may come back."""

    def __init__(self, modal: Modal) -> None:
        self._before: list[Block] = []
        self._before_modal = modal  # the state before the first block of `_before`
        self._blocks: list[Block] = []
        self._modal = modal  # the state before the first block of `_blocks`
        self._next = 0  # of `_blocks`; negative: that many blocks from the end of `_before`
        self._known = (
            0,
            modal,
        )  # the state before that block of `_blocks`, so that it is not reckoned from the first again
        self.deposits = False  # whether the present stretch lays anything down

    def load(self, stretch: Stretch) -> None:
        """The next stretch; the one before must have been fed whole."""
        if not self.empty:
            raise ValueError("a stretch is loaded while the one before is not fed")
        if len(self._blocks) >= KEPT_LEAST or not self._before:
            self._before, self._before_modal = self._blocks, self._modal
        else:
            self._before = self._before + self._blocks
        self._let_go()
        self._blocks, self._modal = stretch.blocks, stretch.modal
        self._next, self._known = 0, (0, stretch.modal)
        self.deposits = any(block.laid for block in stretch.blocks)

    def _let_go(self) -> None:
        """Of many short stretches only the last blocks are kept. A single long one is nobody's to cut: it costs no time."""
        if len(self._before) <= KEPT_MOST or self._before is self._blocks:
            return
        gone, self._before = self._before[:-KEPT_LEAST], self._before[-KEPT_LEAST:]
        self._before_modal = self._before_modal.copy()
        for block in gone:
            self._before_modal.apply(block.text)

    def stand_at(self, modal: Modal) -> None:
        """What went out last went out apart (a waiting command, a homing): begin anew from this state."""
        self._before, self._before_modal = [], modal
        self._blocks, self._modal = [], modal
        self._next, self._known = 0, (0, modal)

    def next(self) -> Block | None:
        """The next block to be sent, or None."""
        at = self._next
        if at >= len(self._blocks):
            return None
        self._next = at + 1
        return self._blocks[at] if at >= 0 else self._before[at]

    @property
    def empty(self) -> bool:
        """Has the stretch been fed whole?"""
        return self._next >= len(self._blocks)

    def take_back(self, blocks: int) -> None:
        """The last `blocks` were queued and never numbered: they are to be sent again later."""
        if blocks > self._next + len(self._before):
            raise ValueError(f"{blocks} blocks were taken back, more than are kept")
        self._next -= blocks

    def told(self, channel: str) -> float | None:
        """The file's own last value of a channel, before the present stretch."""
        return self._modal.values.get(channel)

    def here(self) -> Modal:
        """The state after everything that was sent."""
        if self._next < 0:
            modal, sent = self._before_modal.copy(), self._before[: self._next]
        else:
            known, before = self._known if self._known[0] <= self._next else (0, self._modal)
            modal, sent = before.copy(), self._blocks[known : self._next]
        for block in sent:
            modal.apply(block.text)
        if self._next >= 0:
            self._known = (self._next, modal.copy())
        return modal
