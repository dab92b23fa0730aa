"""A service manager's end of the line: the datagrams that a daemon sends it (sd_notify(3)), each with its time."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self


class Manager:
    """Listens at a path, or at an abstract name (`@…`)."""

    def __init__(self, address: str | Path) -> None:
        self.address = str(address)
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind("\0" + self.address[1:] if self.address[0] == "@" else self.address)
        self._heard: list[tuple[float, str]] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while data := self._line.recv(65536):
            self._heard += [(time.monotonic(), line) for line in data.decode().split("\n")]

    def heard(self, name: str = "") -> list[str]:
        """Values of one assignment, or all assignments, in order."""
        lines = [line for _, line in list(self._heard)]
        return [line.partition("=")[2] for line in lines if line.partition("=")[0] == name] if name else lines

    def fed_since(self, moment: float) -> int:
        """How often the watchdog was fed after that moment of the monotonic clock."""
        return sum(1 for at, line in list(self._heard) if line == "WATCHDOG=1" and at > moment)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self._line.shutdown(socket.SHUT_RD)  # wakes the listener with an empty datagram
        self._thread.join(1)
        self._line.close()
