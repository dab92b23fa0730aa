"""What waits for the broker: bounded, coalescing, in the order of its worth. Pure; time is an input.

Of what is retained (run, bands, alarm) only the newest waits. Events wait all, in order, until the broker has
acknowledged them; those that met an outage go out marked late. Readings and replies are dropped when they are old.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

from banderole.link.encoding import to_json

RUN_S = 1.0  # s between two of the same retained topic, edges apart: the contract's "at most once a second"
EVENTS = 5000  # a run has some hundreds; a line that resends for hours some thousands
EVENT_BYTES = 4 << 20  # what an outage may cost a small board in memory
REPLIES = 64  # to a flood of refused commands nobody reads more
READINGS = 8  # the newest: 5 s of them at the usual rate
THERMAL_S = 5  # whole seconds after which a reading tells nothing about now (message expiry, MQTT 5.0 §3.3.2.3.3)
_EDGES = ("state", "phase", "run", "band", "hold", "heat_proven_off", "nonce")


@dataclass(frozen=True, slots=True, eq=False)
class Outgoing:
    """One message to publish. `topic` is below <root>/<printer>/ unless `full`; identity, not content, counts."""

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False
    expiry_s: int | None = None
    correlation: bytes | None = None
    full: bool = False


@dataclass(slots=True)
class _Slot:
    """A retained topic: its newest payload, and whether the broker has it."""

    topic: str
    every_s: float
    payload: bytes | None = None
    fresh: bool = False
    edge: bool = False
    sent_at: float | None = None

    def put(self, payload: bytes, edge: bool) -> None:
        if payload != self.payload:
            self.payload, self.fresh = payload, True
            self.edge = self.edge or edge

    def due_at(self) -> float | None:
        """Monotonic seconds from which it may go out; None while nothing is new."""
        if not self.fresh:
            return None
        return 0.0 if self.edge or self.sent_at is None else self.sent_at + self.every_s


@dataclass(slots=True)
class _Event:
    body: bytes
    late: bool
    missed: int = 0  # events left out just before this one, when the backlog outgrew its bound


class Outbox:
    """Fed at any time, also while there is no broker; emptied by one sender that asks, sends, and says done."""

    def __init__(self) -> None:
        self._alarm = _Slot("alarm", 0.0)
        self._run = _Slot("run", RUN_S)
        self._bands = _Slot("bands", RUN_S)
        self._events: deque[_Event] = deque()
        self._event_bytes = 0
        self._replies: deque[Outgoing] = deque(maxlen=REPLIES)
        self._readings: deque[tuple[float, bytes]] = deque(maxlen=READINGS)
        self._edges: tuple[Any, ...] | None = None
        self._seq = 0
        self._sending: tuple[Outgoing, _Slot | _Event | None] | None = None
        self._connected = False

    def run(self, status: dict[str, Any]) -> None:
        alarms = [(alarm.get("alarm"), alarm.get("state")) for alarm in status.get("alarms", ())]
        edges = (*(status.get(key) for key in _EDGES), alarms)
        self._run.put(to_json(status), edges != self._edges)
        self._edges = edges

    def bands(self, bands: list[dict[str, Any]]) -> None:
        self._bands.put(to_json(bands), False)

    def alarm(self, alarms: list[dict[str, Any]]) -> None:
        self._alarm.put(to_json(alarms), True)

    def event(self, event: dict[str, Any]) -> None:
        """Numbered by the run; one without a number gets the next."""
        self._seq = event.get("seq", self._seq + 1)
        body = to_json({"seq": self._seq, **event})
        self._events.append(_Event(body, late=not self._connected))
        self._event_bytes += len(body)
        while len(self._events) > EVENTS or (self._event_bytes > EVENT_BYTES and len(self._events) > 1):
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        """A gap is told, never hidden: the event after it says how many are missing."""
        oldest = self._events.popleft()
        self._event_bytes -= len(oldest.body)
        self._events[0].missed = oldest.missed + 1

    def thermal(self, reading: dict[str, Any], now: float) -> None:
        if self._connected:  # a reading of an outage would only be told when it is old
            self._readings.append((now, to_json(reading)))

    def reply(self, topic: str, reply: dict[str, Any], correlation: bytes | None) -> None:
        """The oldest goes where too many wait."""
        self._replies.append(Outgoing(topic, to_json(reply), correlation=correlation, full=True))

    def connected(self) -> None:
        """A new connection: the broker may have lost what it kept, so everything retained goes out again."""
        self._connected = True
        for slot in (self._alarm, self._run, self._bands):
            slot.fresh = slot.payload is not None
            slot.sent_at = None

    def lost(self) -> None:
        """The connection is gone: what was not acknowledged follows late. Whoever waits for a reply has gone too."""
        self._connected, self._sending = False, None
        self._replies.clear()
        self._readings.clear()
        for event in self._events:
            event.late = True

    def take(self, now: float) -> Outgoing | None:
        """What goes out next, or None for nothing now. It stays here until `done`."""
        found = self._next(now)
        self._sending = found
        return None if found is None else found[0]

    def _next(self, now: float) -> tuple[Outgoing, _Slot | _Event | None] | None:
        if self._replies:
            return self._replies.popleft(), None
        for slot in (self._alarm, self._run):
            if (due := slot.due_at()) is not None and due <= now:
                return self._from_slot(slot, now)
        if self._events:
            event = self._events[0]
            return Outgoing("event", _marked(event)), event
        if (due := self._bands.due_at()) is not None and due <= now:
            return self._from_slot(self._bands, now)
        while self._readings:
            at, body = self._readings.popleft()
            if now - at < THERMAL_S:
                return Outgoing("thermal", body, qos=0, expiry_s=THERMAL_S), None
        return None

    def _from_slot(self, slot: _Slot, now: float) -> tuple[Outgoing, _Slot]:
        assert slot.payload is not None
        slot.sent_at, slot.edge = now, False
        return Outgoing(slot.topic, slot.payload, retain=True), slot

    def done(self, outgoing: Outgoing) -> None:
        """The broker has it. What has been replaced or left out meanwhile is none the worse."""
        if self._sending is None or self._sending[0] is not outgoing:
            return
        source, self._sending = self._sending[1], None
        match source:
            case _Slot():
                source.fresh = source.payload is not outgoing.payload
            case _Event() if self._events and self._events[0] is source:
                self._events.popleft()
                self._event_bytes -= len(source.body)

    def hurry(self) -> None:
        """The program ends: what is new goes out now, whatever was sent a moment ago."""
        self._run.edge = self._bands.edge = True

    def next_due(self, now: float) -> float | None:
        """Seconds until something that waits for its time may go out; None where nothing does."""
        times = [due - now for slot in (self._run, self._bands) if (due := slot.due_at()) is not None]
        return max(0.0, min(times)) if times else None

    @property
    def backlog(self) -> int:
        """Events the broker has not acknowledged."""
        return len(self._events)


def _marked(event: _Event) -> bytes:
    marks = {**({"late": True} if event.late else {}), **({"missed": event.missed} if event.missed else {})}
    return event.body if not marks else event.body[:-1] + b"," + to_json(marks)[1:]
