"""Whole runs take seconds, nearly all of them spent waiting: the cases of a module go side by side."""

import secrets
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from tests.support.side_by_side import begun_cases
from tests.support.whole import Place, environment


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
    """The cases of the module, each a function of a `Place`."""
    with begun_cases(request, lambda case: case(new_place(folder))) as futures:
        yield futures
