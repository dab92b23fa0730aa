"""What is said before anything can heat: to whoever reads it, in one breath, and each of it with its source in README."""

from __future__ import annotations

import os
import pty
import re
import subprocess
from pathlib import Path

import pytest
from banderole.cli.say import CAUTION

from tests.support.shell import COMMAND, RUN, Shell

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SAFETY = README.partition("\n## Safety\n")[2].partition("\n## ")[0]
SAID = (
    "unattended",
    "no safety device",
    "thermal protection",
    "smoke alarm",
    "mains",
    "entilate",
    "maker's",
    "local codes",
)
"""Each must be among what is said at a start, and in README."""


@pytest.fixture
def shell(tmp_path: Path) -> Shell:
    made = Shell(tmp_path)
    made.write(port=str(tmp_path / "unplugged"))
    return made


@pytest.mark.parametrize("word", SAID)
def test_each_caution_is_said_at_a_start_and_explained_in_the_readme(word: str) -> None:
    assert word in CAUTION
    assert word in SAFETY


def test_each_caution_of_the_readme_has_its_source() -> None:
    rows = [line.strip("|").split("|") for line in SAFETY.splitlines() if line.startswith("| ")][1:]
    assert len(rows) >= 8
    for caution, source in rows:
        assert caution.strip()
        assert re.search(r"common practice, no source|from memory|doi|CPSC|Callister", source), caution


def test_it_is_short() -> None:
    assert len(CAUTION) <= 240, "two lines or three of a terminal: what is longer is not read"


def on_a_terminal(shell: Shell, *words: str) -> str:
    """stderr of a command that is typed at a terminal."""
    ours, theirs = pty.openpty()
    try:
        subprocess.run(
            [*COMMAND, *words], cwd=shell.folder, env=shell.environment, stdin=theirs, stdout=subprocess.DEVNULL,
            stderr=theirs, timeout=30, check=False,
        )  # fmt: skip
        return os.read(ours, 65536).decode().replace("\r\n", "\n")
    finally:
        os.close(ours)
        os.close(theirs)


def test_run_says_it_and_start_to_a_person(shell: Shell) -> None:
    assert CAUTION in shell.do(*RUN).out
    start = ("start", "tower.gcode", "--schedule", "schedule.toml", "--to", "bench-z")
    assert CAUTION in on_a_terminal(shell, *start)
    assert CAUTION not in on_a_terminal(shell, *start, "--json")


def test_a_script_is_told_nothing_that_it_would_take_for_an_error_or_an_event(shell: Shell) -> None:
    start = shell.do("start", "tower.gcode", "--schedule", "schedule.toml", "--to", "bench-z")
    assert CAUTION not in start.out + start.err
    run = shell.do(*RUN, "--json")
    assert CAUTION not in run.out + run.err
