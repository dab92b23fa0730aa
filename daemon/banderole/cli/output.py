"""Standard output that can never hold a run up: written by a thread of its own, through a bounded queue."""

from __future__ import annotations

import io
import os
import queue
import sys
import threading
from typing import Final

MOST_PIECES: Final = 5000
"""Pieces waiting for a reader that does not read; what comes then is left out. A run has some hundred events."""
LAST_S: Final = 2.0
"""What a reader has at the end to take the rest."""


class Output(io.TextIOBase):
    """A text stream over a descriptor. A closed or stalled reader costs output, never time."""

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = sys.stdout.fileno() if descriptor is None else descriptor
        self._pieces: queue.Queue[bytes | None] = queue.Queue(MOST_PIECES)
        self._thread = threading.Thread(target=self._write_all, name="output", daemon=True)
        self._thread.start()

    def _write_all(self) -> None:
        while (piece := self._pieces.get()) is not None:
            try:
                while piece:
                    piece = piece[os.write(self._descriptor, piece) :]
            except OSError:
                return  # nobody reads any more: the run goes on, and `watch` finds it

    def write(self, text: str) -> int:
        try:
            self._pieces.put_nowait(text.encode("utf-8", "replace"))
        except queue.Full:
            pass  # the reader stands still
        return len(text)

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return os.isatty(self._descriptor)

    def fileno(self) -> int:
        return self._descriptor

    def finish(self) -> None:
        """Gives the reader a moment to take what is left."""
        try:
            self._pieces.put(None, timeout=LAST_S)
        except queue.Full:
            return
        self._thread.join(LAST_S)
