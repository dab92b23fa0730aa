"""Each test has folders of its own."""

from collections.abc import Iterator

import pytest
from banderole.bench import PtyPrinter

from tests.support.shell import Shell, board, new_shell


@pytest.fixture
def shell() -> Iterator[Shell]:
    with new_shell() as made:
        yield made


@pytest.fixture
def printer(shell: Shell) -> Iterator[PtyPrinter]:
    """An emulated printer on a terminal, and a printer file that names it."""
    with PtyPrinter(board(), link=shell.folder / "port") as made:
        shell.write(port=str(shell.folder / "port"))
        yield made
