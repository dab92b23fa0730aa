"""An event loop whose clock jumps to the next thing due: hours of printing in seconds, with nothing left out."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _Jumping(selectors.DefaultSelector):
    """Where the loop would sleep, time passes instead."""

    def __init__(self) -> None:
        super().__init__()
        self.clock = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        found = super().select(timeout if timeout is None else 0.0)
        if not found and timeout is not None and timeout > 0.0:
            self.clock += timeout
        return found


class VirtualLoop(asyncio.SelectorEventLoop):
    """`time()` begins at 0."""

    def __init__(self) -> None:
        self._jumping = _Jumping()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.clock


def run_virtually(made: Coroutine[Any, Any, T], loop: VirtualLoop) -> T:
    """As asyncio.run, on that loop; only what goes by the loop's clock is virtual."""
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        return runner.run(made)
