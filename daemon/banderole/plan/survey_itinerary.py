"""The itinerary as a survey takes it: the same decisions at the same blocks, but plain motions many at a time.

A survey sends nothing, so it asks for no state but that of the block in hand, and a row of motions that begins neither a
layer nor a band may stay together.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

from banderole_protocol.modal import SETPOINT, EMode, Modal

from .blocks import Block
from .heights import FLAT_MM
from .itinerary import GAP_BLOCKS, STRETCH_BLOCKS, Item, Itinerary
from .moves import Moves
from .pieces import Piece
from .plain_moves import Height, moves_of
from .schedule import Schedule


class SurveyItinerary(Itinerary):
    """As `Itinerary`, over pieces. Of a row of plain motions `on_moves` is told, of any other block `on_block`.

    The blocks of a row up to its last deposit are one `Block` without a text. Of commands that pass by in a row `on_block`
    is told before the row; `ahead` is then how many of its motions they stand behind. Before those `draining` a row ends.
    """

    def __init__(
        self,
        pieces: Iterable[Piece],
        schedule: Schedule | None,
        e_mode: EMode | None,
        on_block: Callable[[Modal, int, int], None],
        on_moves: Callable[[Moves], None],
        draining: frozenset[str],
    ) -> None:
        super().__init__((), schedule, e_mode, None, on_block)
        self._start = self.modal
        self._pieces = pieces
        self._on_moves = on_moves
        self._draining = draining
        self.ahead = 0
        self._followed = {"feed", *(schedule.channels if schedule is not None else ())}

    def items(self) -> Iterator[Item]:
        """The file in order."""
        for piece in self._pieces:
            while piece.left:
                moves = moves_of(piece, self.modal, self._layer_z, self)
                if moves is not None:
                    yield from self._go(moves)
                if piece.left:
                    line, text = piece.take()
                    if text:
                        yield from self._take(line, text)
        yield from self._flush(len(self._pending))

    # ---- what a row of motions asks

    def at_height(self, z0: float, z: float) -> Height | None:
        """Of a deposit in the band in work, where nothing else is to be decided. As `_at_height`, in short."""
        heights = self._heights
        slopes = heights.slopes(z0, z)
        middle = ((z0 if slopes else heights.below(z)) + z) / 2
        near = not slopes and self._layer_z is not None and abs(z - self._layer_z) <= FLAT_MM
        if near or not self.started or heights.nothing:
            return None
        if self._schedule is not None and not self._in_band(self._schedule, middle):
            return None
        begins = True
        if slopes:
            begins = heights.rise(z0, z)
            self._layer_z = None
        else:
            heights.lay(z)
            self._layer_z = z
        self._middle = middle
        self._laid_z = z
        self.layer += begins
        self.top = max(self.top, z0, z)
        return (self.layer if begins else 0, 2 * (z - middle), self._layer_z)

    def climb(self, zs: list[float]) -> tuple[int, list[tuple[int, int]]]:
        """As `at_height` of each of these deposits of the slope in work."""
        if (schedule := self._schedule) is not None:
            middles = [(z0 + z) / 2 for z0, z in pairwise(zs)]
            within = bisect_left(middles, True, key=lambda middle: not self._in_band(schedule, middle))
            zs = zs[: within + 1]
        if len(zs) == 1:
            return 0, []
        turns = self._heights.climb(zs)
        begun = list(enumerate(turns, self.layer + 1))
        self.layer += len(turns)
        self._middle = (zs[-2] + zs[-1]) / 2
        self._laid_z = zs[-1]
        self.top = max(self.top, zs[-1])
        return len(zs) - 1, begun

    def passes(self, line: int, block: bytes, ahead: int) -> bool:
        """Of a command that decides nothing here; `on_block` is told."""
        if block[:5] == b"M117 " and b"*" not in block:
            return True  # words for the display, others at every layer: nothing to be told of
        modal = self.modal
        kind = modal.pass_by(block)  # where the row ends before it, it comes again, and does the same again
        if kind is None:
            return False
        if kind == SETPOINT:
            assert modal.setpoint is not None
            if modal.setpoint.waits or modal.setpoint.channel in self._followed:
                return False
        elif modal.head in self._draining:
            return False
        self.line, self.text, self.ahead = line, block, ahead
        if self._on_block is not None:
            self._on_block(modal, kind, line)
        self.ahead = 0
        return True

    def _in_band(self, schedule: Schedule, middle: float) -> bool:
        """Is this height in the band in work?"""
        return self.band is not None and schedule.band_at(middle).number == self.band.number

    # ---- rows

    def _go(self, moves: Moves) -> Iterator[Item]:
        """Motions of the band in work."""
        if moves.lengths:
            self._on_moves(moves)
        self._ordinal += moves.blocks
        if moves.last_deposit:
            seconds = sum(moves.seconds) - sum([seconds for _, seconds in moves.gap])
            self._lay(Block(moves.last_deposit, b"", seconds, sum(moves.laid)))
            if len(self._pending) >= STRETCH_BLOCKS:
                yield from self._flush(len(self._pending))
        pending = self._pending
        for line, seconds in moves.gap:
            pending.append(Block(line, b"", seconds))
            if line == moves.back:
                self._candidate = len(pending)
            if len(pending) - self._gap > GAP_BLOCKS:
                yield from self._flush(len(pending))
                pending = self._pending

    # No state is kept but the present one.

    def _remember(self) -> None:
        pass

    def _stands_after(self, block: Block) -> None:
        pass

    def _replay(self, blocks: list[Block], cut: int) -> None:
        pass
