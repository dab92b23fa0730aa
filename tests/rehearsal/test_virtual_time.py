"""The loop whose clock jumps: order, and what may let time pass from inside."""

from __future__ import annotations

import asyncio
import time

import pytest
from banderole.rehearsal import VirtualLoop, run_virtually


def test_a_day_passes_in_no_time_and_in_order() -> None:
    seen: list[tuple[str, float]] = []

    async def day() -> None:
        loop = asyncio.get_running_loop()
        for name, at in (("c", 86400.0), ("a", 60.0), ("b", 3600.0)):
            loop.call_at(at, lambda name=name: seen.append((name, loop.time())))
        await asyncio.sleep(90_000.0)

    began = time.monotonic()
    run_virtually(day(), VirtualLoop())
    assert time.monotonic() - began < 2.0
    assert seen == [("a", 60.0), ("b", 3600.0), ("c", 86400.0)]


@pytest.mark.parametrize("others", [(), (0.3, 0.7, 1.1), (0.1 + 0.2,)])
def test_what_is_due_comes_at_its_very_moment_and_in_the_order_it_was_asked_for(others: tuple[float, ...]) -> None:
    """Whoever else is due on the way: neither the last bit of the clock nor the order of equals may depend on it."""
    seen: list[tuple[int, float]] = []

    async def play() -> None:
        loop = asyncio.get_running_loop()
        for number in range(12):
            loop.call_at(1.7, lambda number=number: seen.append((number, loop.time())))
        for at in others:
            loop.call_at(at, lambda: None)
        await asyncio.sleep(5.0)

    run_virtually(play(), VirtualLoop())
    assert seen == [(number, 1.7) for number in range(12)]


@pytest.mark.parametrize(("wanted", "may"), [(4.0, True), (5.0, False), (6.0, False)])
def test_time_is_let_pass_only_where_nobody_is_due_before(wanted: float, may: bool) -> None:
    loop = VirtualLoop()
    found: list[tuple[bool, float]] = []

    async def play() -> None:
        loop.call_at(5.0, lambda: None)
        loop.call_at(1.0, lambda: found.append((loop.skip_to(wanted), loop.time())))
        await asyncio.sleep(10.0)

    run_virtually(play(), loop)
    assert found == [(may, wanted if may else 1.0)]


def test_time_never_goes_back_and_what_is_ready_comes_first() -> None:
    loop = VirtualLoop()
    found: list[tuple[bool, float]] = []

    def look() -> None:
        found.append((loop.skip_to(2.0), loop.time()))
        loop.call_soon(lambda: None)
        found.append((loop.skip_to(3.5), loop.time()))

    async def play() -> None:
        loop.call_at(3.0, look)
        await asyncio.sleep(10.0)

    run_virtually(play(), loop)
    assert found == [(True, 3.0), (False, 3.0)]
