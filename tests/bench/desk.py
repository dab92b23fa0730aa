"""A host at the emulated printer in virtual time: it numbers, frames and reads by itself, with none of the project's code."""

from __future__ import annotations

from collections.abc import Callable

from banderole.bench import EmulatedPrinter, Manners


def framed(number: int, block: str) -> bytes:
    """`N7 G1 X2*85`: XOR of all before the star (public RepRap wiki, page "G-code")."""
    body = f"N{number} {block}".encode()
    check = 0
    for byte in body:
        check ^= byte
    return body + b"*%d\n" % check


class Desk:
    """Talks to one board. `now` moves only when it is told to."""

    def __init__(self, manners: Manners | None = None) -> None:
        self.printer = EmulatedPrinter(manners)
        self.now = 0.0
        self.number = 0
        self.heard: list[str] = []
        self._rest = ""

    def write(self, data: bytes) -> None:
        self.printer.receive(data, self.now)

    def send(self, *blocks: str) -> None:
        """Numbered lines, all at once."""
        for block in blocks:
            self.number += 1
            self.write(framed(self.number, block))

    def live(self, seconds: float) -> list[str]:
        """What is said in so many seconds."""
        end, before = self.now + seconds, len(self.heard)
        while True:
            at = self.printer.next_event(self.now)
            self.now = end if at is None or at > end else at
            self._take()
            if self.now >= end and (at is None or at > end):
                return self.heard[before:]

    def until(self, condition: Callable[[], bool], patience: float = 3600.0) -> None:
        """Lives event by event until the condition holds."""
        end = self.now + patience
        while not condition():
            at = self.printer.next_event(self.now)
            if at is None or at > end:
                raise TimeoutError(f"waits in vain; heard {self.heard[-5:]}")
            self.now = at
            self._take()

    def do(self, *blocks: str) -> list[str]:
        """One line after the other, each when the one before is acknowledged; what was said meanwhile."""
        before = len(self.heard)
        for block in blocks:
            oks = self.oks()
            self.send(block)
            self.until(lambda oks=oks: self.oks() > oks)  # type: ignore[misc]
        return self.heard[before:]

    def oks(self) -> int:
        return sum(line.startswith("ok") for line in self.heard)

    def executed(self) -> list[str]:
        return [command.text for command in self.printer.log.commands]

    def events(self) -> list[str]:
        return self.printer.log.kinds()

    def _take(self) -> None:
        text = self._rest + self.printer.advance(self.now).decode("latin-1")
        *lines, self._rest = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        self.heard += lines
