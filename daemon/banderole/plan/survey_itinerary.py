"""The itinerary as a survey takes it: the same decisions at the same blocks, but plain motions many at a time.

A survey sends nothing, so it asks for no state but that of the block in hand, and a row of motions that begins neither a
layer nor a band may stay together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from banderole_protocol.modal import EMode, Modal

from .blocks import Block
from .heights import FLAT_MM
from .itinerary import GAP_BLOCKS, STRETCH_BLOCKS, Item, Itinerary
from .pieces import Piece
from .plain_moves import Moves, moves_of
from .schedule import Schedule


class SurveyItinerary(Itinerary):
    """As `Itinerary`, over pieces. Of a row of plain motions `on_moves` is told, of any other block `on_block`.

    The blocks of a row up to its last deposit are one `Block` without a text.
    """

    def __init__(
        self,
        pieces: Iterable[Piece],
        schedule: Schedule | None,
        e_mode: EMode | None,
        on_block: Callable[[Modal, int, int], None],
        on_moves: Callable[[Moves], None],
    ) -> None:
        super().__init__((), schedule, e_mode, None, on_block)
        self._start = self.modal
        self._pieces = pieces
        self._on_moves = on_moves

    def items(self) -> Iterator[Item]:
        """The file in order."""
        for piece in self._pieces:
            while piece.left:
                moves = moves_of(piece, self.modal, self._layer_z, self._begin_layer)
                if moves is not None:
                    yield from self._go(moves)
                if piece.left:
                    line, text = piece.take()
                    if text:
                        yield from self._take(line, text)
        yield from self._flush(len(self._pending))

    def _begin_layer(self, z: float) -> tuple[int, float] | None:
        """A flat deposit comes at a height that is not that of the layer in work: its number and height, where it is in the
        band in work and nothing else is to be decided. As `_at_height`, in short."""
        heights = self._heights
        near = self._layer_z is not None and abs(z - self._layer_z) <= FLAT_MM
        if near or not self.started or heights.slopes(z, z):
            return None
        middle = (z + heights.below(z)) / 2
        if self._schedule is not None and (
            self.band is None or self._schedule.band_at(middle).number != self.band.number
        ):
            return None
        heights.lay(z)
        self._layer_z = self._laid_z = z
        self._middle = middle
        self.layer += 1
        self.top = max(self.top, z)
        return self.layer, 2 * (z - middle)

    def _go(self, moves: Moves) -> Iterator[Item]:
        """Motions of the band in work."""
        if moves.lengths:
            self._on_moves(moves)
        self._ordinal += moves.blocks
        if moves.last_deposit:
            seconds = sum(moves.seconds) - sum([seconds for _, seconds, _ in moves.gap])
            self._lay(Block(moves.last_deposit, b"", seconds, sum(moves.laid)))
            if len(self._pending) >= STRETCH_BLOCKS:
                yield from self._flush(len(self._pending))
        pending = self._pending
        for line, seconds, back in moves.gap:
            pending.append(Block(line, b"", seconds))
            if back:
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
