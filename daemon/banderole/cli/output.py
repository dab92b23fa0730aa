"""Standard output that can never hold a run up: written by a thread of its own, through a bounded queue.

The descriptor is written straight, past Python's own buffers: a thread that hangs in a stalled terminal must hold no
lock that the interpreter wants when it ends.
"""

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
    """A text stream over a descriptor (stdout's, if none is given). A closed or stalled reader costs output, never time.

    `left_out` counts the pieces that a stalled reader has cost so far.
    """

    def __init__(self, descriptor: int | None = None, most: int = MOST_PIECES) -> None:
        self._descriptor = _stdout() if descriptor is None else descriptor
        self._encoding = (sys.stdout.encoding if sys.stdout is not None and descriptor is None else None) or "utf-8"
        self._pieces: queue.Queue[bytes | None] = queue.Queue(most)
        self._gone = self._descriptor < 0
        self.left_out = 0
        self._thread = threading.Thread(target=self._write_all, name="output", daemon=True)
        self._thread.start()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding

    @property
    def idle(self) -> bool:
        """Everything so far has been taken. A picture that is painted only then is never torn or late."""
        return self._pieces.unfinished_tasks == 0

    def _write_all(self) -> None:
        while (piece := self._pieces.get()) is not None:
            try:
                while piece and not self._gone:
                    piece = piece[os.write(self._descriptor, piece) :]
            except OSError:
                self._gone = True  # nobody reads any more: the run goes on, and `watch` finds it
            self._pieces.task_done()
        self._pieces.task_done()

    def write(self, text: str) -> int:
        """Returns at once, with the length of `text` whatever becomes of it."""
        if self._gone or not text:
            return len(text)
        try:
            self._pieces.put_nowait(text.encode(self._encoding, "replace"))
        except queue.Full:
            self.left_out += 1
        return len(text)

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._descriptor >= 0 and os.isatty(self._descriptor)

    def fileno(self) -> int:
        return self._descriptor

    def finish(self, seconds: float = LAST_S) -> None:
        """Gives the reader a moment to take what is left."""
        try:
            self._pieces.put(None, timeout=seconds)
        except queue.Full:
            return
        self._thread.join(seconds)


def _stdout() -> int:
    """Its descriptor, stdout flushed before; -1 where there is none. (Started with `>&-`, 1 may be the printer's by now.)"""
    if sys.stdout is None:
        return -1
    try:
        sys.stdout.flush()
        return sys.stdout.fileno()
    except (OSError, ValueError):
        return -1
