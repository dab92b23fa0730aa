"""What one viewer has not read yet: events in order, and of statuses and bands only the newest."""

from __future__ import annotations

from collections import deque

EVENT_BYTES = 262144  # some 1,000 events of 250 bytes: a viewer that far behind is not looking


class WatcherQueue:
    """Lines for one peer. A new status replaces one that has not begun to go out; events are never left out."""

    def __init__(self, limit: int = EVENT_BYTES) -> None:
        self._limit = limit
        self._lines: deque[tuple[str, bytes]] = deque()  # (which of the replaceable ones, "" for an event; line)
        self._begun = b""
        self._bytes = 0

    def event(self, line: bytes) -> None:
        self._append("", line)

    def status(self, line: bytes) -> None:
        self._newest("status", line)

    def bands(self, line: bytes) -> None:
        self._newest("bands", line)

    def _newest(self, kind: str, line: bytes) -> None:
        """The old one goes: at most one of each kind waits, after the events that led to it."""
        old = next((entry for entry in self._lines if entry[0] == kind), None)
        if old is not None:
            self._lines.remove(old)
            self._bytes -= len(old[1])
        self._append(kind, line)

    def _append(self, kind: str, line: bytes) -> None:
        self._lines.append((kind, line))
        self._bytes += len(line)

    @property
    def overgrown(self) -> bool:
        """More waits than may: time to let this peer go."""
        return self._bytes > self._limit

    def head(self) -> bytes:
        """What goes out next, b"" for nothing; a line once begun is finished before anything else."""
        if not self._begun and self._lines:
            _, self._begun = self._lines.popleft()
            self._bytes -= len(self._begun)
        return self._begun

    def sent(self, count: int) -> None:
        self._begun = self._begun[count:]
