"""Each whole run has a folder of its own, with its run and state folders in it."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.whole import Place, environment


@pytest.fixture
def place(monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    """Not pytest's own temporary folder: with the test's name in it, its path would be too long for a socket."""
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        folder = Path(name)
        for variable, value in environment(folder).items():
            monkeypatch.setenv(variable, value)
        for variable in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"):
            monkeypatch.delenv(variable, raising=False)
        yield Place(folder)
