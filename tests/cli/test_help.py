"""Each command tells how it is used, with one example that can be typed as it stands."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys

import pytest

from tests.support.shell import Shell

COMMANDS = (
    "abort", "demo", "estop", "hold", "identify", "make-safe", "ports", "report", "reset", "resume", "run", "runs",
    "serve", "setup", "start", "status", "stop", "survey", "watch",
)  # fmt: skip
# The parser of the commands, asked in a process of its own: it imports what warns of being old.
PARSE = """
import json, sys, typer.main
from banderole.cli.main import app
group = typer.main.get_command(app)
examples = json.loads(sys.argv[1])
for name in examples or []:
    group.commands[name].make_context(name, examples[name])  # raises for an unknown option, a missing argument
print(json.dumps(sorted(group.commands)))
"""


def parsed(examples: dict[str, list[str]]) -> list[str]:
    done = subprocess.run([sys.executable, "-c", PARSE, json.dumps(examples)], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    names: list[str] = json.loads(done.stdout)
    return names


def example_in(help_text: str) -> list[str]:
    found = re.findall(r"Example: (banderole .*?)(?:\n\s*\n|\Z)", help_text, re.DOTALL)
    assert len(found) == 1, help_text
    return shlex.split(re.sub(r"(?<=\w)-\n\s*", "-", found[0]))  # help is wrapped behind hyphens too


def test_every_command_is_in_this_test() -> None:
    assert set(parsed({})) >= set(COMMANDS)


@pytest.mark.slow
def test_the_example_in_each_help_can_be_typed(shell: Shell) -> None:
    examples = {}
    for name in parsed({}):
        done = shell.do(name, "--help")
        assert (done.code, done.err) == (0, ""), name
        words = example_in(done.out)
        assert words[:2] == ["banderole", name]
        examples[name] = words[2:]
    parsed(examples)


@pytest.mark.slow
def test_a_bare_command_that_wants_something_shows_how_and_fails(shell: Shell) -> None:
    for words in ((), ("run",), ("survey",), ("identify",)):
        done = shell.do(*words)
        assert done.code == 2, words
        assert "Usage: banderole" in done.out + done.err
