"""Whole runs take seconds, nearly all of them spent waiting: the cases of a module go side by side, some at a time.

A module names its cases in `CASES`, each a function of a `Place`; its test takes what became of one from `begun`.
"""

import secrets
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.support.whole import Place, environment

Case = Callable[[Place], None]
AT_ONCE = 4
"""Runs side by side: each needs two processes and little of either; more would make their times say nothing on two cores."""


@pytest.fixture(scope="session")
def folder() -> Iterator[Path]:
    """Not pytest's own temporary folder: a socket's path is bounded, and that one's would be too long."""
    with tempfile.TemporaryDirectory(prefix="bw-") as name, pytest.MonkeyPatch.context() as patch:
        for variable, value in environment(Path(name)).items():
            patch.setenv(variable, value)
        for variable in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"):
            patch.delenv(variable, raising=False)
        yield Path(name)


def new_place(folder: Path) -> Place:
    name = f"w-{secrets.token_hex(3)}"
    (folder / name).mkdir()
    return Place(folder / name, name)


@pytest.fixture
def place(folder: Path) -> Place:
    return new_place(folder)


@pytest.fixture(scope="module")
def begun(request: pytest.FixtureRequest, folder: Path) -> Iterator[dict[str, Future[None]]]:
    """The cases of this module that were selected, begun. A case waits for its turn in the pool."""
    items = [one for one in request.session.items if isinstance(one, pytest.Function) and one.module is request.module]
    names = [str(one.callspec.params["case"]) for one in items if "begun" in one.fixturenames]
    cases: dict[str, Case] = request.module.CASES
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {name: pool.submit(cases[name], new_place(folder)) for name in names}
        pool.shutdown(cancel_futures=True)
