"""One saved machine for all tests here, one printer and one running machine for each; and the figures at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.machine import installed
from tests.machine.workshop import Workshop, workshop

FIGURES: list[str] = []
Figure = Callable[[str], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--arch", choices=("amd64", "arm64"), default="amd64", help="of the emulated machine")


@pytest.fixture(scope="session")
def arch(request: pytest.FixtureRequest) -> str:
    return str(request.config.getoption("--arch"))


@pytest.fixture(scope="session")
def saved(arch: str) -> Path:
    return installed.service(arch)


@pytest.fixture
def shop(saved: Path, arch: str) -> Iterator[Workshop]:
    # A short folder: the names of unix sockets may have 107 bytes.
    with TemporaryDirectory(prefix="bm-") as name, workshop(Path(name), saved, installed.image(arch), arch) as made:
        yield made


@pytest.fixture
def figure(request: pytest.FixtureRequest) -> Figure:
    """Keeps a line for the end."""
    return lambda text: FIGURES.append(f"{request.node.name}: {text}")


def pytest_terminal_summary(terminalreporter: Any) -> None:
    for line in FIGURES:
        terminalreporter.write_line(line)
