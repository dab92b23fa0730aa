"""An event loop whose clock jumps to the next thing due: hours of printing in seconds, with nothing left out.

For what lives in memory alone. A jump may overtake the kernel, so no descriptor may be waited for by the clock, and what
another thread does takes no time here.
"""

from __future__ import annotations

import asyncio
import heapq
import selectors
from collections.abc import Callable, Coroutine
from contextvars import Context
from itertools import count
from typing import Any, Final, TypeVar

T = TypeVar("T")

TURNS: Final = 32
"""Turns of the loop between two looks at the descriptors, where nothing but a signal comes in: a tenth of a second at most."""

SAME_S: Final = 1e-9
"""Rounding of a difference of two clock times, at most, up to some weeks."""


class _Jumping(selectors.DefaultSelector):
    """Where the loop would sleep, time passes instead."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = 0.0
        self.due: Callable[[], float | None] = lambda: None
        self._turns = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        found: list[tuple[selectors.SelectorKey, int]] = []
        self._turns += 1
        if timeout is None or self._turns >= TURNS:
            self._turns = 0
            found = super().select(timeout if timeout is None else 0.0)
        if timeout and timeout > 0.0 and not found:
            self.clock = self._landing(self.clock + timeout)
        return found

    def _landing(self, moment: float) -> float:
        """The very moment that is due. A sum of differences would depend, in its last bit, on who else was due on the way."""
        due = self.due()
        return due if due is not None and abs(due - moment) < SAME_S else moment


class _Timer(asyncio.TimerHandle):
    """Of two that are due at one moment the older goes first. Asyncio leaves that to the shape of its heap, and so to others."""

    __slots__ = ("_order",)
    _numbers = count()

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        self._order = next(self._numbers)

    def __lt__(self, other: Any) -> bool:
        return (self.when(), self._order) < (other.when(), other._order)


class VirtualLoop(asyncio.SelectorEventLoop):
    """`time()` begins at 0, in s."""

    def __init__(self) -> None:
        self._jumping = _Jumping()
        super().__init__(self._jumping)
        self._jumping.due = lambda: self._scheduled[0].when() if self._scheduled else None  # type: ignore[attr-defined]

    def time(self) -> float:
        return self._jumping.clock

    def call_at(  # type: ignore[override]
        self, when: float, callback: Callable[..., Any], *args: Any, context: Context | None = None
    ) -> asyncio.TimerHandle:
        """As asyncio's own, but for the kind of timer."""
        timer = _Timer(when, callback, args, self, context)
        heapq.heappush(self._scheduled, timer)  # type: ignore[attr-defined]
        timer._scheduled = True  # type: ignore[attr-defined]
        return timer

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
