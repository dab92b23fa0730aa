"""The centre of the protocol: which lines are out, what may be written now, what each reply settles.

Sans-I/O: bytes and `now` (monotonic seconds) go in, bytes and events come out; nothing here waits or reads a clock.
`state.py` tells how it works and is the law for what follows what.

Three bounds hold for what is out: `window_bytes` against the board's receive buffer (0: one line at a time), `ahead_s`
seconds of motion, and the motion clock (`motion.py`): a heat-off must not stand behind lines that wait for a long motion to
end. What makes safe passes them all, up to the receive buffer.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any, Final

from .errors import EndlessLine
from .motion import MotionClock, drains
from .probes import PROBE_S, REMINDER, Probes
from .replies import (
    OK,
    Banner,
    Busy,
    Identity,
    LineSplitter,
    Ok,
    Position,
    Refusal,
    Reply,
    Report,
    Resend,
    Unknown,
    parse,
    parted,
)
from .state import LinkInput, LinkState, after
from .wire import HISTORY_LINES, Line, Wire, framed_size

QUIET_S: Final = 0.03
"""Quiet after a refusal before lines are written again: a line at 115200 baud takes 3.5 ms, a USB bridge adds up to 16 ms."""
MARKER_QUIET_S: Final = 0.3
"""A marker that was credited and brings no answer of its own kind within this is let go: its answer was damaged."""
MARKER_LINES: Final = 200
"""Lines between two markers where replies carry no numbers: bounds how long a miscount can last (fault S4)."""
DAMAGED_BYTES: Final = 24
"""A longer unknown line is the printer's chatter rather than a damaged `ok`."""
MOST_GREETINGS: Final = 8
"""Times that a refused M110 is written again: one byte in 100 damaged leaves one greeting in 10 million refused so often."""

TEMPERATURES: Final = b"M105"
WHERE: Final = b"M114"
AT_REST: Final = b"M400"
GREETING: Final = (b"M110 N0", b"M115")


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Tags of lines that the printer has taken, in their order; each line once."""

    tags: list[Any]


@dataclass(frozen=True, slots=True)
class Rewritten:
    """Lines had to be written again, from `number` on."""

    number: int
    lines: int


@dataclass(frozen=True, slots=True)
class Broken:
    """The conversation has no common ground any more. `restarted`: the printer began anew; else `reason` tells."""

    restarted: bool
    reason: str


Event = Acknowledged | Rewritten | Broken | Reply


class Window:
    """Numbered lines to one printer. Queue with `send`, `ask_temperatures`, `urgent`; write what `data_to_send` gives."""

    def __init__(self, window_bytes: int = 0, receive_bytes: int = 127, ahead_s: float = 4.0) -> None:
        self.window_bytes = window_bytes
        self.receive_bytes = receive_bytes
        self.ahead_s = ahead_s
        self.miscounts = 0  # `ok`s that belonged to nothing
        self._splitter = LineSplitter()
        self._reset(0)

    def _reset(self, next_number: int) -> None:
        self.state = LinkState.FLOWING
        self.next_number = next_number
        self.numbered = False  # replies carry line numbers
        self._pending: deque[tuple[bytes, Any, float]] = deque()
        self._urgent: deque[tuple[bytes, Any]] = deque()
        self._wire = Wire()
        self._clock = MotionClock()
        self._now = 0.0
        self._held_until: float | None = None  # by the motion clock
        self._asked: tuple[int, float] | None = (
            None  # the last M400 written, and when; None once the line was disturbed
        )
        self._rewrite_from: int | None = None
        self._asked_for = -1  # the line that is written again first: what lies before it was read, answered or not
        self._refused_at = 0.0
        self._odd: int | None = None
        self._complaint_alone = False  # the recovery at work stands on a complaint, no Resend has come yet
        self._probes = Probes()
        self._ask_anew = False  # a request that is out already may have lost its answer
        self._certain = -1  # the last line that two answers of different lines show to have been taken
        self._told = -1  # the last line that one answer shows
        self._greetings = 0
        self._marker: Line | None = None
        self._marker_heard = False
        self._since_marker = 0
        self._temperatures_on_ok = False  # this printer puts them on every `ok`, so they mark nothing

    # ---- queueing

    def greet(self) -> None:
        """Begin anew: numbering from 0 by `N0 M110 N0`, then ask who it is (M115). Forgets all lines."""
        self._reset(0)
        self._pending.extend((block, None, 0.0) for block in GREETING)

    def send(self, block: bytes, tag: Any = None, seconds: float = 0.0) -> None:
        """Queue a block behind all others. Raises nothing: the caller keeps to `wants`."""
        self._pending.append((block, tag, seconds))

    def ask_temperatures(self) -> bool:
        """Queue a temperature request ahead of what waits; once at a time. False: one is out or queued."""
        if self._wire.asks(TEMPERATURES) or (self._pending and self._pending[0][0] == TEMPERATURES):
            return False
        self._pending.appendleft((TEMPERATURES, None, 0.0))
        return True

    def urgent(self, block: bytes, tag: Any = None) -> None:
        """Queue a block ahead of all that is not yet written, into the part of the receive buffer that is kept free."""
        self._urgent.append((block, tag))

    def drop_pending(self) -> list[Any]:
        """Take back what was queued and not yet numbered; their tags, in order."""
        tags = [tag for block, tag, _ in self._pending if block != TEMPERATURES]
        self._pending.clear()
        return tags

    @property
    def wants(self) -> bool:
        """Is there room for another queued block? A short queue, so that a hold takes back little."""
        return len(self._pending) < 4

    @property
    def idle(self) -> bool:
        """Nothing queued, nothing out."""
        return not self._wire.lines and not self._pending and not self._urgent

    @property
    def out_lines(self) -> int:
        """Lines written and not yet acknowledged."""
        return self._wire.written

    def motion_left_s(self, now: float) -> float:
        """Motion that was taken and may not be carried out yet, s, by the motion clock."""
        return self._clock.left_s(now)

    def oldest(self) -> Line | None:
        """The line whose answer is owed first."""
        return self._wire.lines[0] if self._wire.written else None

    def out(self) -> list[Line]:
        """The lines whose answers are owed, the oldest first."""
        return list(self._wire.lines)[: self._wire.written]

    # ---- writing

    def data_to_send(self, now: float) -> bytes:
        """What to write now; b"" if nothing may be."""
        self._now, self._held_until = now, None
        if self.state is LinkState.BROKEN:
            return b""
        if self.state is LinkState.REFUSED:
            if now < self._refused_at + QUIET_S:
                return b""
            self._begin_rewrite()
        if self._marker is not None and self.state is LinkState.MARKED:
            self._let_marker_go(now)
        data: list[bytes] = []
        while self._wire.written < len(self._wire.lines):
            line = self._wire.lines[self._wire.written]
            limit = self.receive_bytes if self._urgent or line.number == self._asked_for else self.window_bytes
            if not self._fits(len(line.data), limit) or not (self._urgent or self._in_time(line.block, line.seconds)):
                break
            self._write(line, data, now)
        if self._wire.written == len(self._wire.lines):
            self._write_urgent(data, now)
            self._write_pending(data, now)
        self._probe_if_due(data, now)
        return b"".join(data)

    def _fits(self, size: int, limit: int) -> bool:
        return not self._wire.written or self._wire.bytes + size <= limit

    def _in_time(self, block: bytes, seconds: float) -> bool:
        """May this go out as to the motion that it, and whatever comes after it, would stand behind?"""
        if drains(block):
            start = self._clock.drain_from(self._wire.seconds, self._now)
        elif seconds:
            if self._wire.written and self._wire.seconds + seconds > self.ahead_s:
                return False
            start = self._clock.motion_from(self._wire.moves, self._wire.seconds, self._now)
        else:
            return True
        if start <= self._now:
            return True
        self._held_until = start
        return False

    def _write(self, line: Line, data: list[bytes], now: float) -> None:
        if not self._wire.written:
            self._probes.progress_at = now
        data.append(line.data)
        self._wire.wrote(line)
        if line.block == AT_REST:
            self._asked = (line.number, now)

    def _new_line(self, block: bytes, tag: Any, seconds: float) -> Line:
        line = Line(self.next_number, block, tag, seconds)
        self.next_number += 1
        self._wire.lines.append(line)
        return line

    def _write_urgent(self, data: list[bytes], now: float) -> None:
        while self._urgent:
            block, tag = self._urgent[0]
            if not self._fits(framed_size(self.next_number, block), self.receive_bytes):
                return
            self._urgent.popleft()
            self._write(self._new_line(block, tag, 0.0), data, now)

    def _write_pending(self, data: list[bytes], now: float) -> None:
        pending = self._pending
        while pending and self.state is LinkState.FLOWING and not self._urgent:
            if self._since_marker >= MARKER_LINES and not self.numbered and pending[0][0] != TEMPERATURES:
                pending.appendleft((TEMPERATURES, None, 0.0))
            if self._wire.lines and not self._wire.lines[0].number:
                return  # the number must hold before anything relies on it
            block, tag, seconds = pending[0]
            size = framed_size(self.next_number, block)
            if not self._fits(size, self.window_bytes) or not self._in_time(block, seconds):
                return
            pending.popleft()
            line = self._new_line(block, tag, seconds)
            self._write(line, data, now)
            self._since_marker += 1
            if block == TEMPERATURES and not self.numbered:
                self.state = after(self.state, LinkInput.MARKER_OUT)
                self._marker, self._marker_heard, self._since_marker = line, False, 0

    def _begin_rewrite(self) -> None:
        self.state = after(self.state, LinkInput.QUIET)
        if self._rewrite_from is None or not self._wire.lines:
            self._probes.wanted = self._probes.wanted or self._rewrite_from is None
            self._rewrite_from = None
            return
        self._wire.unwrite_from(self._rewrite_from)
        self._asked_for, self._rewrite_from = self._rewrite_from, None

    # ---- silence

    def next_deadline(self) -> float | None:
        """When `data_to_send` should be asked again though nothing was received; None: no need."""
        if self.state is LinkState.BROKEN:
            return None
        if self.state is LinkState.REFUSED:
            return self._refused_at + QUIET_S
        if self.state is LinkState.MARKED and self._marker is not None and self._marker.credited:
            return self._probes.progress_at + MARKER_QUIET_S
        if not self._wire.written:
            return self._held_until
        due = self._probes.progress_at + PROBE_S
        return due if self._held_until is None else min(due, self._held_until)

    def _probe_if_due(self, data: list[bytes], now: float) -> None:
        probes = self._probes
        if not (probes.wanted or (self._wire.written and probes.due(now))):
            return
        probes.wanted = False
        self._asked = None
        probes.progress_at = now
        room = self.receive_bytes - self._wire.bytes - probes.bytes - len(REMINDER)
        asked = self._wire.asks(TEMPERATURES) and not self._ask_anew
        size = framed_size(self.next_number, TEMPERATURES) + 1
        if not asked and self._wire.written == len(self._wire.lines) and size <= room:
            if self._pending and self._pending[0][0] == TEMPERATURES:
                self._pending.popleft()  # the probe asks the same
            data.append(probes.request(now))
            self._write(self._new_line(TEMPERATURES, None, 0.0), data, now)
            self._ask_anew = False
        elif probe := probes.next(room, self._wire.bytes > self.receive_bytes, self._odd is not None, now):
            data.append(probe)

    def _credit_lost_requests(self, now: float) -> list[Any]:
        """Temperature requests are answered at once. Silent ones, with nothing before them, have lost their `ok`."""
        if self.state is LinkState.BROKEN or not self._wire.written:
            return []
        if not self._probes.due(now) or not self._probes.asked_in_vain:
            return []
        if self._odd is not None:  # it was refused, by a request that cannot be met
            return []
        if not self._wire.asks_only(TEMPERATURES):
            return []
        self._probes.begin_anew()
        return self._credit(self._wire.lines[-1].number)

    def tick(self, now: float) -> list[Event]:
        """Time has passed. Events as of `receive`; call it before `data_to_send` when a deadline is due."""
        self._now = now
        tags = self._credit_lost_requests(now)
        return [Acknowledged(tags)] if tags else []

    # ---- receiving

    def receive(self, data: bytes, now: float) -> list[Event]:
        """Bytes from the printer → events in order; replies that settle nothing here come out as they are."""
        self._probes.heard(now)
        self._now = now
        events: list[Event] = []
        try:
            lines = self._splitter.feed(data)
        except EndlessLine as why:
            return self._break(events, False, str(why))
        tags: list[Any] = []
        for raw in lines:
            reply = OK if raw == b"ok" else parse(raw)
            if type(reply) is Unknown and (halves := parted(raw)) is not None:
                for half in halves:
                    tags = self._reply(half, raw, tags, now, events)
            else:
                tags = self._reply(reply, raw, tags, now, events)
        if tags:
            events.append(Acknowledged(tags))
        return events

    def _reply(self, reply: Reply, raw: bytes, tags: list[Any], now: float, events: list[Event]) -> list[Any]:
        """One reply. `tags`: acknowledged and not yet told, which those of several bare `ok`s in a row are at once."""
        if type(reply) is Unknown:
            tags += self._damaged(raw, now)
        if type(reply) is Ok:
            tags += self._ok(reply, now)
            if reply.readings is None and reply.position is None and reply.identity is None:
                return tags
        if tags and type(reply) is not Ok:
            events.append(Acknowledged(tags))
            tags = []
        self._other(reply, now, events)
        if tags:
            events.append(Acknowledged(tags))
        return []

    def _other(self, reply: Reply, now: float, events: list[Event]) -> None:
        match reply:
            case Resend():
                self._resend(reply.line, now, events)
            case Refusal():
                self._refusal(reply, now, events)
                events.append(reply)
            case Banner():
                self._break(events, True, "the printer has restarted")
            case Busy():
                self._probes.busy(now)
                events.append(reply)
            case Ok():
                if reply.identity is not None:
                    events.append(reply.identity)
                if reply.readings is not None:
                    events.append(Report(reply.readings))
                if reply.position is not None:
                    events.append(reply.position)
            case Identity():
                if self.next_number > 1:
                    self._certain = max(self._certain, 1)  # the greeting's second line asked for it
                events.append(reply)
            case Report() | Position():
                self._answered(reply, now)
                events.append(reply)
            case _:
                events.append(reply)

    def _ok(self, reply: Ok, now: float) -> list[Any]:
        if self.state is LinkState.BROKEN:
            return []  # it answers lines of another count
        self._probes.answered(now)
        if reply.line is not None:
            self.numbered = True
            self._witness(reply.line)
            return self._credit(reply.line) if self._wire.holds(reply.line) else []
        if reply.readings is not None and self._wire.written and self._wire.lines[0].block in GREETING:
            self._temperatures_on_ok = True
        if (reply.readings is not None and not self._temperatures_on_ok) or reply.position is not None:
            return self._marker_ok(WHERE if reply.position is not None else TEMPERATURES)
        if self.state is LinkState.REFUSED or self.numbered:
            # It stands behind a Resend and belongs to no line; a printer that numbers its `ok` numbers what counts.
            return []
        if not self._wire.written:
            self.miscounts += 1
            return []
        tags = self._credit(self._wire.lines[0].number)
        if self.state is LinkState.MARKED and self._marker is not None and self._marker.credited and self._marker_heard:
            self._end_marker()
        return tags

    def _marker_ok(self, block: bytes) -> list[Any]:
        """An `ok` that shows what it answers: everything up to that line has been taken."""
        for line in list(self._wire.lines)[: self._wire.written]:
            if line.block == block:
                if line is self._marker:
                    self._end_marker()
                self._witness(line.number)
                return self._credit(line.number)
        if block == TEMPERATURES and self._marker is not None:  # credited already, by an `ok` too many
            self._witness(self._marker.number)
            self._end_marker()
        return []

    def _witness(self, number: int) -> None:
        """An answer names a line. One may be damaged or doubled; what two of them show is certain."""
        if number < self.next_number:
            self._certain = max(self._certain, min(number, self._told))
            self._told = number

    def _damaged(self, raw: bytes, now: float) -> list[Any]:
        """A line that is not understood, while answers are owed, may be one of them."""
        if self.state is LinkState.BROKEN or not self._wire.written:
            return []
        if len(raw) > DAMAGED_BYTES and not self._wire.asks(TEMPERATURES):
            return []
        self._probes.bytes = 0  # what answers has read what it was asked with
        looks_like_ok = b"o" in raw[:2] or b"k" in raw[:2]
        if looks_like_ok and self._wire.asks_only(TEMPERATURES):
            self._end_marker()
            return self._credit(self._wire.lines[-1].number)
        self._probes.damaged(now)
        return []

    def _answered(self, reply: Report | Position, now: float) -> None:
        if self.state is LinkState.MARKED and isinstance(reply, Report):
            self._marker_heard = True
            if self._marker is not None and self._marker.credited:
                self._end_marker()

    def _end_marker(self) -> None:
        self.state = after(self.state, LinkInput.MARKER_ANSWERED)
        self._marker = None

    def _let_marker_go(self, now: float) -> None:
        marker = self._marker
        if marker is not None and marker.credited and now >= self._probes.progress_at + MARKER_QUIET_S:
            self._end_marker()

    def _credit(self, number: int) -> list[Any]:
        """Lines up to `number` have been taken. Their tags, each once."""
        wire = self._wire
        if wire.written:
            number = min(number, wire.lines[wire.written - 1].number)
            tags = self._credit_below(number + 1)
        else:
            tags = []
        if self._rewrite_from is not None and self.state is LinkState.REFUSED:
            first = self._wire.lines[0].number if self._wire.lines else self.next_number
            if first > self._rewrite_from:
                self._rewrite_from = None
                self.state = after(self.state, LinkInput.TAKEN)
        return tags

    def _credit_below(self, number: int) -> list[Any]:
        """Lines before `number` have been taken, also those that were about to be written again."""
        tags: list[Any] = []
        self._odd = None
        for line in self._wire.taken_below(number):
            if not line.credited:
                line.credited = True
                tags.append(line.tag)
                self._reckon(line)
        return tags

    def _reckon(self, line: Line) -> None:
        """What a line that was taken tells the motion clock."""
        if line.drains:
            shows = self._asked is not None and self._asked[0] == line.number
            self._clock.drained(self._asked[1] if self._asked is not None else self._now, self._now, shows)
        elif line.seconds:
            self._clock.took(line.seconds, self._now)

    # ---- refusals

    def _refusal(self, refusal: Refusal, now: float, events: list[Event]) -> None:
        """A complaint that names the last line taken is as good as the Resend behind it, should that be damaged."""
        if refusal.last_line is None or self.state is LinkState.BROKEN:
            return
        wanted = refusal.last_line + 1
        if self._oldest_kept(wanted) <= wanted <= self._wire.last_written(self.next_number) + 1:
            odd, alone = self._odd, self.state is not LinkState.REFUSED
            self._resend(wanted, now, events)
            self._odd, self._complaint_alone = odd, alone

    def _resend(self, number: int, now: float, events: list[Event]) -> None:
        if self.state is LinkState.BROKEN:
            return
        self._probes.refused(now)
        last = self._wire.last_written(self.next_number)
        if number > last + 1 and last <= 1 and self._certain < 0 and self._greetings < MOST_GREETINGS:
            # The count of a conversation before this one: M110 itself was refused. Taken twice it does no harm.
            self._greetings += 1
            number = 0
        if number == last + 1:
            self._has_all(last, now, events)
        elif self._oldest_kept(number) <= number <= last:
            self._odd = None
            self._wire.take_back(number)  # not acknowledged a second time
            if self.state is not LinkState.REFUSED or self._rewrite_from is None or number < self._rewrite_from:
                events.append(Rewritten(number, last - number + 1))
            self._refuse(now, number)
        elif last + 1 < number <= self.next_number and (self._odd == number or self._wire.credited_below(number)):
            # Too many lines were taken back, by a damaged digit: it has all below this one.
            if tags := self._credit_below(number):
                events.append(Acknowledged(tags))
            self._refuse(now, number)
        elif self._odd == number:
            what = f"the printer asks for line {number}, which is not among the last {HISTORY_LINES} before {last + 1}"
            self._break(events, number <= 1, what)
        else:
            self._odd = number  # a damaged digit looks the same: ask once more
            if self._complaint_alone:
                self._rewrite_from = None  # the complaint before it says otherwise: no guess
            self._refuse(now, None)
        self._complaint_alone = False

    def _oldest_kept(self, number: int) -> int:
        """The oldest line that may be asked for: none that is certain, as then it would be carried out twice.

        Nor M110 once lines stand behind the greeting: it would set the count back, and all of them would be taken anew.
        """
        kept = self._wire.oldest_kept()
        behind = self._wire.last_written(self.next_number) >= len(GREETING)
        return max(number + 1 if kept is None else kept, self._certain + 1, 1 if behind else 0)

    def _has_all(self, last: int, now: float, events: list[Event]) -> None:
        """It wants the line behind all that was written: the answer to a reminder, or to a line written twice."""
        self._odd = None
        slow = self._wire.first_that_drains()
        if self._probes.drew_a_word and (tags := self._credit(last if slow is None else slow.number - 1)):
            events.append(Acknowledged(tags))
            self._since_marker = MARKER_LINES  # it may have taken some without having said so yet: count anew soon
        self._refuse(now, last + 1)
        # What it has, its `ok`s do not tell any more: a request's answer does. A line that waits for something is read and
        # perhaps not carried out (a person, motion), so it is not counted by this; a request behind it tells.
        self._probes.wanted = bool(self._wire.lines) and slow is None
        self._ask_anew = slow is not None

    def _refuse(self, now: float, number: int | None) -> None:
        if self.state is LinkState.REFUSED and self._rewrite_from is not None:
            # One recovery for all refusals of what was on its way; one with a damaged number must not end it.
            number = self._rewrite_from if number is None else min(number, self._rewrite_from)
        self.state = after(self.state, LinkInput.REFUSAL)
        self._marker = self._asked = None
        self._refused_at = now
        self._rewrite_from = number

    def _break(self, events: list[Event], restarted: bool, reason: str) -> list[Event]:
        self.state = after(self.state, LinkInput.NO_COMMON_GROUND)
        events.append(Broken(restarted, reason))
        return events
