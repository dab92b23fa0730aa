"""An event loop whose clock jumps to the next thing due: hours of printing in seconds, with nothing left out.

For what lives in memory alone. A jump may overtake the kernel, so no descriptor may be waited for by the clock, and what
another thread does takes no time here.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

T = TypeVar("T")

TURNS: Final = 32
"""Turns of the loop between two looks at the descriptors, where nothing but a signal comes in: a tenth of a second at most."""


class _Jumping(selectors.DefaultSelector):
    """Where the loop would sleep, time passes instead."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = 0.0
        self._turns = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        found: list[tuple[selectors.SelectorKey, int]] = []
        self._turns += 1
        if timeout is None or self._turns >= TURNS:
            self._turns = 0
            found = super().select(timeout if timeout is None else 0.0)
        if timeout and timeout > 0.0 and not found:
            self.clock += timeout
        return found


class VirtualLoop(asyncio.SelectorEventLoop):
    """`time()` begins at 0, in s."""

    def __init__(self) -> None:
        self._jumping = _Jumping()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.clock

    def skip_to(self, moment: float) -> bool:
        """Let time pass from inside a callback, up to a moment before which nobody else is due; False where somebody is.

        A timer and a turn of the loop for each line of a file would be a third of a rehearsal. Ready and scheduled
        handles are what asyncio's own loop has, in every Python since 3.4.
        """
        if self._ready or (self._scheduled and self._scheduled[0].when() <= moment):  # type: ignore[attr-defined]
            return False
        self._jumping.clock = max(self._jumping.clock, moment)
        return True


def run_virtually(made: Coroutine[Any, Any, T], loop: VirtualLoop) -> T:
    """As asyncio.run, on that loop, which it closes; only what goes by the loop's clock is virtual."""
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        return runner.run(made)
