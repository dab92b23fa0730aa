"""Tests that spend nearly all their time waiting go side by side: the cases of a module, some at a time.

A module names its cases in `CASES`; its test takes what became of one from a fixture that these come from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest

AT_ONCE = 4
"""Each needs two processes and little of either; more would make their times say nothing on two cores."""


@contextmanager
def begun_cases(request: pytest.FixtureRequest, play: Callable[[Any], None]) -> Iterator[dict[str, Future[None]]]:
    """The cases of the asking module that were selected, begun: each is given to `play` when its turn in the pool comes."""
    items = [one for one in request.session.items if isinstance(one, pytest.Function) and one.module is request.module]
    names = [str(one.callspec.params["case"]) for one in items if request.fixturename in one.fixturenames]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {name: pool.submit(play, request.module.CASES[name]) for name in names}
        pool.shutdown(cancel_futures=True)
