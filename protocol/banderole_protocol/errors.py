"""Errors of the line protocol, sorted by who is to blame.

`TheirError`: the peer broke the convention. `OurError`: the caller asked for something that must never be sent.
`LinkLost`: nobody is to blame that can be named; the line is gone. Each carries what it is about, so that a
message can say what, where and what to do without looking elsewhere.
"""

from __future__ import annotations

# Bytes of an offending line kept in an error: enough to recognise it, little enough for one terminal row.
EXCERPT = 60


class ProtocolError(Exception):
    """Base of everything the protocol raises on purpose."""


class TheirError(ProtocolError):
    """The other side sent something the convention does not allow."""


class DamagedLine(TheirError):
    """A framed line whose number, checksum or shape is wrong."""

    def __init__(self, reason: str, line: bytes) -> None:
        super().__init__(f"{reason}: {line[:EXCERPT]!r}")
        self.reason = reason
        self.line = line[:EXCERPT]


class EndlessLine(TheirError):
    """More bytes without a line end than any reply has: not a printer, or the wrong baud rate."""

    def __init__(self, length: int, limit: int, head: bytes) -> None:
        super().__init__(
            f"{length} bytes without a line end (at most {limit} are taken), beginning {head[:EXCERPT]!r}; "
            "check the baud rate and what is plugged in"
        )
        self.length = length
        self.limit = limit
        self.head = head[:EXCERPT]


class Halted(TheirError):
    """The firmware says that it has stopped for good; `text` is its own wording."""

    def __init__(self, text: str) -> None:
        super().__init__(f"the printer has halted: {text}; find the cause, then switch it off and on")
        self.text = text


class OurError(ProtocolError):
    """A fault of the caller: nothing was sent."""


class LinkLost(ProtocolError):
    """The line is gone or silent; what the printer does now is not known."""
