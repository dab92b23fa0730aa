"""Control commands as processes, against a real local socket: what is asked, what is said, with which exit code."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.going import Going, command, environment, start
from tests.support.pictures import TRIP, status

pytestmark = pytest.mark.slow


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Short: a socket's path has 107 bytes at most, and pytest's own folders bear the test's name."""
    with tempfile.TemporaryDirectory(prefix="bc-") as name:
        monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
        monkeypatch.setenv("XDG_RUNTIME_DIR", name)
        yield Path(name)


@pytest.fixture
def going(folder: Path) -> Iterator[Going]:
    with Going(status()).at("bench-a") as run:
        yield run


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (("hold",), {"command": "hold", "at": "now"}),
        (("hold", "--at", "layer"), {"command": "hold", "at": "layer"}),
        (("hold", "--at", "band:3", "--to", "bench-a"), {"command": "hold", "at": "band:3"}),
        (("hold", "--withdraw"), {"command": "hold", "withdraw": True}),
        (("resume",), {"command": "resume"}),
        (("stop",), {"command": "stop"}),
        (("abort",), {"command": "abort"}),
        (("estop",), {"command": "estop"}),
        (("reset",), {"command": "reset"}),
    ],
)  # fmt: skip
def test_what_is_typed_is_what_is_asked(
    words: tuple[str, ...], asked: dict[str, object], folder: Path, going: Going
) -> None:
    assert command(folder, *words) == (0, f"{words[0]}: accepted; will be done\n", "")
    assert going.asked == [asked]


def test_a_refusal_is_one_line_and_3(folder: Path, going: Going) -> None:
    going.refusals["resume"] = "resume leaves Held;\nthis is \x1b[31mRunning"
    assert command(folder, "resume") == (3, "", "resume: refused; resume leaves Held;?this is ?[31mRunning\n")
    code, out, err = command(folder, "resume", "--json")
    assert (code, err) == (3, "")
    assert json.loads(out)["accepted"] is False


def test_nobody_there_is_6(folder: Path) -> None:
    code, out, err = command(folder, "abort", "--to", "bench-b")
    assert (code, out) == (6, "")
    assert err.startswith("bench-b: nobody answers")
    assert err.count("\n") == 1


def test_a_name_left_out_must_be_plain(folder: Path, going: Going) -> None:
    with Going(status()).at("bench-b"):
        code, _, err = command(folder, "hold")
        assert (code, err) == (2, "which printer? there are bench-a, bench-b: say --to NAME\n")
        assert command(folder, "hold", "--to", "bench-b")[0] == 0
    assert going.asked == []


def test_no_run_at_all(folder: Path) -> None:
    code, out, err = command(folder, "hold")
    assert (code, out) == (6, "")
    assert err.startswith("no run or daemon is going here")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hold", "--at", "banana"), "'banana': say now, layer or band:N"),
        (("hold", "--at", "band:0"), "'band:0': say now, layer or band:N"),
        (("hold", "--to", "Bench A"), "is no printer name"),
        (("hold", "--broker", "mqtt://localhost"), "say --to NAME with --broker"),
        (("hold", "--broker", "http://localhost", "--to", "bench-a"), "names no broker"),
        (("hold", "--at"), "Option '--at' requires an argument. (`banderole"),
        (("hold", "--nowhere"), "(`banderole hold --help` shows how)"),
        (("hodl",), "No such command 'hodl'. Did you mean 'hold'? (`banderole --help` shows how)"),
    ],
)
def test_usage_is_one_line_and_2_and_nothing_is_asked(
    words: tuple[str, ...], said: str, folder: Path, going: Going
) -> None:
    code, out, err = command(folder, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1
    assert going.asked == []


def test_status_in_lines_and_as_json(folder: Path, going: Going) -> None:
    going.status = status(alarms=[TRIP])
    code, out, err = command(folder, "status")
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == "bench-a: Running, laying down band 3"
    assert "TRIP heat_rise, the first cause: the nozzle rises too slowly (181.2, limit 190)" in out
    assert json.loads(command(folder, "status", "--json")[1]) == going.status


def test_the_answer_counts_even_if_nobody_reads_it(folder: Path, going: Going) -> None:
    for words in (("hold",), ("hold", "--json"), ("status",)):
        process = start(folder, *words)
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == b""
        process.stderr.close()
        assert process.wait(10) == 0
    going.refusals["resume"] = "not held"
    process = start(folder, "resume", "--json")
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(10) == 3
    process = start(folder, "hold", stdout=None, stderr=subprocess.PIPE, preexec_fn=_without_output)
    assert process.communicate(timeout=10)[1] == b""
    assert process.returncode == 0
    assert [one["command"] for one in going.asked] == ["hold", "hold", "resume", "hold"]


def _without_output() -> None:
    import os

    os.close(1)


def test_our_own_fault_is_70_in_one_line_and_a_traceback_only_where_asked_for(folder: Path) -> None:
    (folder / "banderole").mkdir()
    program = (
        "from banderole.cli import control, main\n"
        "def broken(*_): raise ZeroDivisionError('a\\nb')\n"
        "control.client.ask = broken\n"
        "import sys; sys.argv[1:] = ['abort', '--to', 'bench-a']\n"
        "main.main()\n"
    )
    for more, tail in (({}, ""), ({"BANDEROLE_DEBUG": "1"}, "ZeroDivisionError: a\nb\n")):
        done = subprocess.run(
            [sys.executable, "-c", program], env=environment(folder, **more), capture_output=True, text=True
        )
        assert done.returncode == 70
        first, _, rest = done.stderr.partition("\n")
        assert first == "our own fault: ZeroDivisionError: a b"
        assert rest.endswith(tail)
        assert ("Traceback" in rest) is bool(tail)


def test_the_shell_completes_commands_and_names(folder: Path, going: Going) -> None:
    def completed(typed: str) -> list[str]:
        word = len(typed.split()) - (not typed.endswith(" "))
        words = {"COMP_WORDS": typed, "COMP_CWORD": str(word), "_BANDEROLE_COMPLETE": "complete_bash"}
        return command(folder, env=words)[1].split()

    assert {"hold", "status", "estop", "watch"} <= set(completed("banderole "))
    assert completed("banderole hold --to ") == ["bench-a"]
