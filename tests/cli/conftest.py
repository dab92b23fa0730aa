"""Each test has folders of its own."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.bench import PtyPrinter

from tests.support.shell import Shell, board


@pytest.fixture
def shell() -> Iterator[Shell]:
    """Not pytest's own temporary folder: with the test's name in it, its path would be too long for a socket."""
    with tempfile.TemporaryDirectory(prefix="bc-") as name:
        made = Shell(Path(name))
        made.write()
        yield made
        made.end()


@pytest.fixture
def printer(shell: Shell) -> Iterator[PtyPrinter]:
    """An emulated printer on a terminal, and a printer file that names it."""
    with PtyPrinter(board(), link=shell.folder / "port") as made:
        shell.write(port=str(shell.folder / "port"))
        yield made
