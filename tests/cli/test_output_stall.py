"""Output that is closed or stalled costs output, never time, and never the end of a program."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.cli.live import LiveView
from banderole.cli.output import Output

from tests.support.going import environment
from tests.support.pictures import bands, status

PIPE_BYTES = 4096  # the least a pipe can be made (fcntl(2), F_SETPIPE_SZ), so that it is full soon


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    yield read, write
    for end in (read, write):
        try:
            os.close(end)
        except OSError:
            pass  # the test closed it


def test_everything_arrives_in_order(pipe: tuple[int, int]) -> None:
    out = Output(pipe[1])
    for number in range(100):
        out.write(f"{number}\n")
    out.finish()
    assert os.read(pipe[0], 65536).decode() == "".join(f"{number}\n" for number in range(100))
    assert out.idle


def test_a_stalled_reader_costs_pieces_not_time(pipe: tuple[int, int]) -> None:
    out = Output(pipe[1], most=10)
    began = time.monotonic()
    for _ in range(200):
        out.write("x" * 1000)
    out.finish(0.05)
    assert time.monotonic() - began < 0.5
    assert out.left_out > 150
    assert not out.idle
    os.set_blocking(pipe[0], False)
    until = time.monotonic() + 5
    while not out.idle and time.monotonic() < until:  # what was kept still arrives once somebody reads
        try:
            os.read(pipe[0], 65536)
        except BlockingIOError:
            time.sleep(0.002)
    assert out.idle


def test_a_reader_that_has_gone_costs_nothing(pipe: tuple[int, int]) -> None:
    out = Output(pipe[1])
    os.close(pipe[0])
    for _ in range(20000):
        assert out.write("line\n") == 5
    out.finish()
    assert out.left_out <= 20000


def test_a_picture_is_left_out_while_the_terminal_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    master, slave = pty.openpty()
    view = LiveView(output=Output(slave))
    for height in range(300):  # each picture has 2 kB; a terminal's buffer holds two of them
        view.show(status(height=height / 10), bands())
    assert view._out._pieces.qsize() < 10
    os.close(master)
    view.close()
    os.close(slave)


def test_json_lines_are_the_events_and_nothing_else(pipe: tuple[int, int]) -> None:
    view = LiveView(json=True, output=Output(pipe[1]))
    view.show(status(), bands())
    view.event({"kind": "settled", "seq": 1, "value": float("nan")})
    view.note("of the broker")
    view.event({"kind": "band_entered", "seq": 2})
    view.close()
    lines = os.read(pipe[0], 65536).decode().splitlines()
    assert [json.loads(line) for line in lines] == [
        {"kind": "settled", "seq": 1, "value": None},
        {"kind": "band_entered", "seq": 2},
    ]


def test_plain_lines_say_each_event_and_each_tenth_then_the_table(pipe: tuple[int, int]) -> None:
    view = LiveView(output=Output(pipe[1]))
    for hundredth in range(101):
        view.show(status(fraction=hundredth / 100), bands())
    view.event({"kind": "resumed", "at": "2026-11-25T08:16:12.345Z"})
    view.close()
    view.close()
    text = os.read(pipe[0], 65536).decode()
    assert "\x1b" not in text
    assert sum(" left" in line for line in text.splitlines()) == 11
    assert text.count("As run") == 1
    assert text.index(":12 back at the part") < text.index("As run")


PROGRAM = """
    import sys
    from banderole.cli.live import LiveView
    view = LiveView(json=True)
    for number in range(100000):
        view.event({"kind": "settled", "seq": number, "filler": "x" * 200})
    view.close()
    print("to the end", file=sys.stderr)
"""


@pytest.mark.slow
@pytest.mark.parametrize("way", ["stalled", "gone", "none"])
def test_a_program_ends_by_itself_whatever_its_output(way: str, tmp_path: Path) -> None:
    """Also where a thread still hangs in a write when the interpreter ends."""
    program = textwrap.dedent(PROGRAM)
    words = [sys.executable, "-c", program]
    if way == "none":
        words = ["sh", "-c", 'exec "$@" >&-', "sh", *words]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(tmp_path))
    assert process.stdout is not None
    assert process.stderr is not None
    if way == "gone":
        process.stdout.close()
    assert process.stderr.read() == b"to the end\n"
    assert process.wait(5) == 0
    process.stderr.close()
    process.stdout.close()
