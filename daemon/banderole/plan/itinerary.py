"""The file as stretches, crossings, reassertions and waits, in order: where Z is watched.

Lazy and in constant memory: what has not been decided yet is at most the blocks since the last deposit, and a stretch of
`STRETCH_BLOCKS`. The survey consumes the same itinerary to its end, so what it promises is what a run does.

**The one rule.** A layer belongs to the band that holds its middle (Z − height/2), a sloping deposit (a continuous spiral) to
the band that holds the middle of its own path. A Z-hop lays nothing and so decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from banderole_protocol.channels import FileSetpoint
from banderole_protocol.modal import DEPOSIT, DWELL, HOME, OTHER, PERSON, SETPOINT, TRAVEL, EMode, Modal

from .blocks import Block
from .heights import FLAT_MM, Heights
from .schedule import Band, Schedule

STRETCH_BLOCKS: Final = 256
"""Blocks in a stretch at most: what is read ahead of the printer, and what a hold may have to replay."""
GAP_BLOCKS: Final = 4096
"""Blocks without a deposit that are kept until it is known what follows; of a longer gap the crossing comes at its end."""
UNCLEAR_MOST: Final = 20
"""Reasons kept for which blocks may mean different things to different machines: a person reads a few."""
DWELL_ASIDE_S: Final = 2.0
"""A pause of the file longer than this, over the part, would leave a blob: it is spent aside."""


_PLAIN_KINDS: Final = (TRAVEL, OTHER)
"""What is passed on with the blocks around it."""


@dataclass(slots=True)
class Stretch:
    """Blocks that are streamed without a decision between them. `modal` is the state before the first of them."""

    blocks: list[Block]
    modal: Modal
    layer_begins: bool = False
    top: float = 0.0  # the highest deposit so far, mm
    z: float = 0.0  # of the layer in work


@dataclass(slots=True)
class Crossing:
    """Between two bands. `line` and `block` (ordinal of the command, from 1) are those of the block that follows."""

    band: Band
    setpoints: dict[str, float]
    line: int
    block: int
    z: float
    middle: float
    modal: Modal
    why_here: str
    top: float  # the highest deposit so far, mm
    left: Band | None


@dataclass(slots=True)
class Reassertion:
    """The file's own block on a scheduled channel: it goes out as it stands, then the band's setpoint again.

    `value` None: behind the last deposit, where the file's value stands; it then takes effect when all is laid down, and
    not when the printer reads the block, with the last motions still to be carried out.
    """

    block: Block
    channel: str
    value: float | None
    file_value: float
    modal: Modal
    top: float


@dataclass(slots=True)
class PreWait:
    """A command of the file that would wait for heat inside the printer: waited for by us, before it goes out.

    `reassert` is the band's setpoint that comes back afterwards, or None.
    """

    block: Block
    setpoint: FileSetpoint
    over_part: bool
    reassert: float | None
    modal: Modal
    top: float


@dataclass(slots=True)
class PersonWait:
    """A command of the file that waits for a person: first a hold of ours, its line on resume."""

    block: Block
    modal: Modal
    top: float


@dataclass(slots=True)
class DwellAside:
    """A long pause of the file over the part: its line goes out while the nozzle is aside."""

    block: Block
    modal: Modal
    top: float


@dataclass(slots=True)
class AskPosition:
    """After homing and the like: where is it really?"""

    line: int
    head: str


Item = Stretch | Crossing | Reassertion | PreWait | PersonWait | DwellAside | AskPosition


@dataclass(frozen=True, slots=True)
class Facts:
    """What only a whole reading of the file can know; from the survey, given to the run."""

    first_deposit: int  # line
    last_deposit: int  # line


class Itinerary:
    """Iterate `items()` once. After an AskPosition the caller may call `located` before it asks for the next item.

    `on_block(modal, kind, line)` is told of each block, once it is known which layer it is in.
    """

    def __init__(
        self,
        blocks: Iterable[tuple[int, bytes]],
        schedule: Schedule | None,
        e_mode: EMode | None,
        facts: Facts | None = None,
        on_block: Callable[[Modal, int, int], None] | None = None,
    ) -> None:
        self._blocks = blocks
        self._schedule = schedule
        self._last_deposit = facts.last_deposit if facts is not None else None
        self._on_block = on_block
        self.modal = Modal(e_mode)
        self._start = self.modal.copy()  # state before the first pending block
        self._pending: list[Block] = []
        self._gap = 0  # index of the first pending block after the last deposit
        self._floor = 0  # a crossing may not come before this index of pending
        self._candidate: int | None = None
        self._mark: tuple[int, Modal] | None = None  # state behind so many pending blocks: where a replay may begin
        self._middle = 0.0  # of the layer in work
        self._heights = Heights()
        self._layer_z: float | None = None
        self._laid_z = 0.0
        self._layer_begins = False
        self._ordinal = 0
        self.line = 0  # of the block in hand
        self.text = b""
        self.band: Band | None = None
        self.top = 0.0
        self.started = False
        self.layer = 0  # of the deposit in hand, from 1 in the order of the file; 0 before the first
        self.ambiguous_line: int | None = None  # where the file's meaning depends on the family of firmware
        # Why machines may take blocks differently: the first line that each reason is for, and how many there are.
        self.unclear: dict[str, tuple[int, int]] = {}

    def located(self, place: dict[str, float]) -> None:
        """The printer's own word on where it is (mm, by axis X, Y, Z, as the file would call it)."""
        for axis, told in place.items():
            self.modal.place(axis, told)
            self._start.place(axis, told)

    def items(self) -> Iterator[Item]:
        """The file in order. Blocks stand in exactly one item each, as they are in the file."""
        for line, text in self._blocks:
            yield from self._take(line, text)
        yield from self._flush(len(self._pending))

    def _take(self, line: int, text: bytes) -> Iterator[Item]:
        modal, observe = self.modal, self._on_block
        self._ordinal += 1
        self.line, self.text = line, text
        kind = modal.apply(text)
        if kind == DEPOSIT:
            if modal.z != self._layer_z or modal.z0 != self._layer_z or not self.started:
                yield from self._at_height(line)
            self._lay(Block(line, text, modal.seconds, modal.net))
            if observe is not None:
                observe(modal, kind, line)
            if len(self._pending) >= STRETCH_BLOCKS:
                self._remember()
                yield from self._flush(len(self._pending))
        else:
            if observe is not None:
                observe(modal, kind, line)
            block = Block(line, text, modal.seconds)
            if kind in _PLAIN_KINDS:
                yield from self._pass(block, modal.back)
            else:
                yield from self._special(kind, block)
        if modal.e_split and self.ambiguous_line is None:
            self.ambiguous_line = line
        if modal.unclear:
            first, count = self.unclear.get(modal.unclear, (line, 0))
            if count or len(self.unclear) < UNCLEAR_MOST:
                self.unclear[modal.unclear] = (first, count + 1)
            modal.unclear = ""

    def _lay(self, deposit: Block) -> None:
        """A deposit is pending: the gap before it is decided, and the next begins behind it."""
        self._pending.append(deposit)
        self._gap, self._floor, self._candidate = len(self._pending), 0, None
        self._mark = None

    def _pass(self, block: Block, back: bool) -> Iterator[Item]:
        """A block of a gap is pending; `back`: filament is back behind it."""
        self._pending.append(block)
        self._mark_gap()
        if back:
            self._candidate = len(self._pending)
        if len(self._pending) - self._gap > GAP_BLOCKS:
            yield from self._flush(len(self._pending))

    @property
    def middle(self) -> float:
        """Of the layer in work, or of the sloping deposit in hand, mm: what says which band it is in."""
        return self._middle

    @property
    def ordinal(self) -> int:
        """Of the command in hand, from 1."""
        return self._ordinal

    # ---- height

    def _at_height(self, line: int) -> Iterator[Item]:
        """A deposit at another height than the one before: which band is it in, does a layer begin?"""
        modal = self.modal
        z0, z, heights = modal.z0, modal.z, self._heights
        if heights.nothing and modal.x == modal.x0 and modal.y == modal.y0 and modal.arc_box is None:
            middle, begins = 0.0, not self.started  # filament pushed out while rising, before the first layer
        elif heights.slopes(z0, z):
            middle, begins = (z0 + z) / 2, heights.rise(z0, z)
            self._layer_z = None
        elif self._layer_z is None or abs(z - self._layer_z) > FLAT_MM:
            middle, begins = (z + heights.below(z)) / 2, True
            heights.lay(z)
            self._layer_z = z
        else:
            middle, begins = self._middle, False
        self._middle = middle
        self.layer += begins
        band = self._schedule.band_at(middle) if self._schedule is not None else None
        if band is not None and (self.band is None or band.number != self.band.number):
            yield from self._cross(band, middle, line)
        elif begins:
            cut, _ = self._cut()
            yield from self._flush(cut)
            self._layer_begins = True
        self.started = True
        self.top = max(self.top, z, z0)
        self._laid_z = z

    def _cut(self) -> tuple[int, str]:
        """Where in the gap a crossing is best: as late as the filament is still back, so that it comes down where it goes on."""
        if self._candidate is not None and self._candidate >= self._floor:
            return self._candidate, "filament already back"
        return len(self._pending), "pulled back by us"

    def _cross(self, band: Band, middle: float, line: int) -> Iterator[Item]:
        cut, why = self._cut()
        behind = len(self._pending) - cut
        yield from self._flush(cut)
        left, self.band = self.band, band
        follows = self._pending[0].line if self._pending else line
        setpoints = dict(band.setpoints)
        if not setpoints and left is not None:
            setpoints = {c: self._start.values[c] for c in left.setpoints if c in self._start.values}
        yield Crossing(
            band,
            setpoints,
            follows,
            self._ordinal - behind,
            self.modal.z,
            middle,
            self._start.copy(),
            why,
            self.top,
            left,
        )
        self._layer_begins = True

    # ---- what is neither travel nor deposit

    def _special(self, kind: int, block: Block) -> Iterator[Item]:
        modal = self.modal
        between = self.started and (self._last_deposit is None or block.line < self._last_deposit)
        if kind == SETPOINT and modal.setpoint is not None:
            yield from self._setpoint(block, modal.setpoint, between)
        elif kind == HOME:
            yield from self._alone(block)
            yield AskPosition(block.line, modal.head)
        elif kind == PERSON:
            yield from self._flush(len(self._pending))
            yield PersonWait(block, self._start.copy(), self.top)
            self._stands_after(block)
        elif kind == DWELL and between and block.seconds > DWELL_ASIDE_S:
            yield from self._flush(len(self._pending))
            yield DwellAside(block, self._start.copy(), self.top)
            self._stands_after(block)
        else:
            yield from self._pass(block, modal.back)

    def _setpoint(self, block: Block, setpoint: FileSetpoint, between: bool) -> Iterator[Item]:
        active = setpoint.tool is None or setpoint.tool == self.modal.tool
        wanted = self.band.setpoints.get(setpoint.channel) if self.band is not None and active else None
        if setpoint.waits and active:
            yield from self._flush(len(self._pending))
            yield PreWait(block, setpoint, between, wanted if between else None, self._start.copy(), self.top)
            self._stands_after(block)
        else:
            scheduled = self._schedule is not None and setpoint.channel in self._schedule.channels
            if wanted is not None:
                yield from self._flush(len(self._pending))
                value, before = (wanted if between else None), self._start.copy()
                yield Reassertion(block, setpoint.channel, value, setpoint.value, before, self.top)
                self._stands_after(block)
            else:
                self._pending.append(block)
                self._mark_gap()
                if scheduled:
                    self._floor = len(self._pending)
        if self.modal.back:
            self._candidate = len(self._pending)

    # ---- pending blocks

    def _mark_gap(self) -> None:
        """The first block of a gap: a cut comes behind it, so that only the gap need be replayed and not the stretch."""
        if len(self._pending) == self._gap + 1:
            self._remember()

    def _remember(self) -> None:
        """The state as it is behind all that is pending: a replay may begin there."""
        self._mark = (len(self._pending), self.modal.copy())

    def _alone(self, block: Block) -> Iterator[Item]:
        """The block ends its stretch, and a crossing comes after it."""
        self._pending.append(block)
        yield from self._flush(len(self._pending))

    def _stands_after(self, block: Block) -> None:
        """The block went out apart from any stretch: the state goes on from behind it."""
        self._start.apply(block.text)

    def _flush(self, cut: int) -> Iterator[Item]:
        """The first `cut` pending blocks as a stretch; the state behind them is replayed from the nearest known one."""
        blocks, self._pending = self._pending[:cut], self._pending[cut:]
        start = self._start
        self._replay(blocks, cut)
        self._gap = max(0, self._gap - cut)
        self._floor = max(0, self._floor - cut)
        if self._candidate is not None:
            self._candidate = self._candidate - cut if self._candidate >= cut else None
        if blocks:
            begins, self._layer_begins = self._layer_begins, False
            yield Stretch(blocks, start, begins, self.top, self._laid_z)

    def _replay(self, blocks: list[Block], cut: int) -> None:
        """Brings `_start` to behind the first `cut` pending blocks."""
        start, mark = self._start, self._mark
        if mark is not None and mark[0] <= cut:
            known, self._start, self._mark = mark[0], mark[1], None
        else:
            known, self._start = 0, start.copy()
            self._mark = None if mark is None else (mark[0] - cut, mark[1])
        for block in blocks[known:]:
            self._start.apply(block.text)
