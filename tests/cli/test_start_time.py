"""`estop` typed in alarm must not wait for a library."""

from __future__ import annotations

import resource
import subprocess
import sys

import pytest

from tests.support.shell import COMMAND, Shell

MOST_S = 0.25
TRIES = 5
HEAVY = ("pydantic", "rich", "aiomqtt", "serial", "asyncio", "sqlite3")


def least(command: list[str], shell: Shell) -> float:
    """Processor time of one, s; the least of several: what else the machine does only ever adds to it."""
    taken = []
    for _ in range(TRIES):
        began = children_s()
        subprocess.run(command, env=shell.environment, capture_output=True, check=False)
        taken.append(children_s() - began)
    return min(taken)


def children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@pytest.mark.slow
@pytest.mark.parametrize("order", ["hold", "estop", "abort"])
def test_a_control_command_starts_fast(order: str, shell: Shell) -> None:
    bare = least([sys.executable, "-c", "pass"], shell)
    assert least([*COMMAND, order, "--to", "nobody"], shell) - bare < MOST_S


@pytest.mark.slow
@pytest.mark.parametrize("words", [("hold", "--to", "nobody"), ("status", "--to", "nobody"), ("estop", "--help")])
def test_a_control_command_imports_nothing_heavy(words: tuple[str, ...], shell: Shell) -> None:
    done = subprocess.run(
        [sys.executable, "-X", "importtime", *COMMAND[1:], *words],
        env=shell.environment,
        capture_output=True,
        check=False,
    )
    imported = {line.rpartition(b"|")[2].strip().decode().partition(".")[0] for line in done.stderr.splitlines()}
    assert "typer" in imported
    assert imported.isdisjoint(HEAVY)
