"""Waiting for something that another process or the kernel brings about, with a bound."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


async def until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    """Returns as soon as `condition` holds; raises TimeoutError after `seconds`: many, since a busy machine is no fault."""
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event of ours
            await asyncio.sleep(0.002)
