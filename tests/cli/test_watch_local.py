"""`watch` against a real socket: in a pipe, as JSON, in a terminal, and when the run ends or is gone."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from fcntl import ioctl
from pathlib import Path
from subprocess import Popen
from termios import TIOCSWINSZ

import pytest

from tests.support.going import Going, start
from tests.support.pictures import bands, status

pytestmark = pytest.mark.slow

SETTLED = {
    "kind": "settled", "seq": 7, "at": "2026-11-25T08:16:12.345Z", "setpoints": {"nozzle": 236}, "taken_s": 14.1,
    "predicted_s": 13.0,
}  # fmt: skip
ENDED = {
    "kind": "run_ended", "seq": 8, "at": "2026-11-25T09:00:00.000Z", "state": "Complete", "reason": "the end of the file",
}  # fmt: skip


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="bc-") as name:
        monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
        monkeypatch.setenv("XDG_RUNTIME_DIR", name)
        yield Path(name)


@pytest.fixture
def going(folder: Path) -> Iterator[Going]:
    with Going(status(), bands()).at("bench-a") as run:
        yield run


def soon(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "did not come about"
        time.sleep(0.005)


def ended(process: Popen[bytes]) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=10)
    return process.returncode, (out or b"").decode(), (err or b"").decode()


def test_in_a_pipe_plain_lines_and_the_table_at_the_end(folder: Path, going: Going) -> None:
    process = start(folder, "watch")
    soon(lambda: going.viewers == 1)
    going.tell(SETTLED)
    going.tell(ENDED)
    going.status = status(state="Complete")
    time.sleep(0.1)
    going.end()
    code, out, err = ended(process)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "bench-a: Running, laying down band 3"
    assert "08:16:12 settled at nozzle 236 °C after 14 s, 13 s expected" in lines
    assert "09:00:00 complete: the end of the file" in lines
    assert lines[lines.index("As run, the top band first") + 3].split()[0] == "6"
    assert "\x1b" not in out


def test_json_is_the_stream_as_it_comes(folder: Path, going: Going) -> None:
    process = start(folder, "watch", "--json")
    soon(lambda: going.viewers == 1)
    going.tell(ENDED)
    time.sleep(0.1)
    going.end()
    code, out, _ = ended(process)
    assert code == 0
    entries = [json.loads(line) for line in out.splitlines()]
    assert entries[0] == {"status": status(), "bands": bands()}
    assert {"event": ENDED} in entries


def test_gone_without_a_last_word_is_6(folder: Path, going: Going) -> None:
    process = start(folder, "watch")
    soon(lambda: going.viewers == 1)
    going.end()
    code, _, err = ended(process)
    assert (code, err) == (6, "bench-a: gone without saying how the run ended; look at the printer\n")


def test_leaving_by_interrupt_is_no_error_and_changes_nothing(folder: Path, going: Going) -> None:
    process = start(folder, "watch")
    soon(lambda: going.viewers == 1)
    time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    code, _, err = ended(process)
    assert (code, err) == (0, "")
    assert going.asked == []


@pytest.mark.parametrize("more", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=["colour", "no colour", "dumb"])
def test_in_a_terminal(folder: Path, going: Going, more: dict[str, str]) -> None:
    master, slave = pty.openpty()
    ioctl(slave, TIOCSWINSZ, struct.pack("4H", 24, 80, 0, 0))
    process = start(
        folder, "watch", stdin=slave, stdout=slave, env={"TERM": "xterm-256color", "LANG": "C.UTF-8", **more}
    )
    os.close(slave)
    soon(lambda: going.viewers == 1)
    going.tell(SETTLED)
    seen = b""
    until = time.monotonic() + 5
    while b"settled at nozzle" not in seen and time.monotonic() < until:
        if select.select([master], [], [], 0.1)[0]:
            seen += os.read(master, 65536)
    going.tell(ENDED)
    time.sleep(0.1)
    going.end()
    try:
        while data := os.read(master, 65536):
            seen += data
    except OSError:
        pass  # EIO: the command has closed its end (pty(7))
    os.close(master)
    assert ended(process)[0] == 0
    text = seen.decode()
    assert "complete: the end of the file" in text
    assert "As run, the top band first" in text
    if more.get("TERM") == "dumb":
        assert "\x1b" not in text
        return
    assert "236 °C" in text
    assert "◂" in text
    assert text.count("\x1b[?25h") == 1, "the cursor is shown again"
    coloured = [code for code in ("\x1b[33m", "\x1b[1;31m", "\x1b[31m") if code in text]
    assert coloured == ([] if "NO_COLOR" in more else ["\x1b[33m"])  # the caution of band 2
