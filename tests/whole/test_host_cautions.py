"""What the computer lacks, in a run and in a daemon of their own processes: told once to each, and nothing ends by it."""

from __future__ import annotations

import signal
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from banderole.bench import PtyPrinter
from banderole.link import client

from tests.support.serving import START, folders_of
from tests.support.shell import NAME, Shell, board, until

pytestmark = pytest.mark.slow

FAULT = "weak supply"
PATIENCE_S = 60.0
"""For another process: a busy machine is no fault."""
TOLD = {"kind": "caution", "alarm": "under_voltage", "text": "planted", "value": None, "limit": None}


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        made = Shell(Path(name))
        with folders_of(made), PtyPrinter(board(), link=made.folder / "port"):
            made.write(port=str(made.folder / "port"))
            yield made
            made.end()


def told(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [event for event in events if event["kind"] == "caution"]


def test_a_daemon_tells_it_while_idle_and_each_run_at_its_start(shell: Shell) -> None:
    stream: list[dict[str, Any]] = []

    def look_on() -> None:
        for line in client.watch(NAME):
            stream.append(line)

    def events() -> list[dict[str, Any]]:
        return [line["event"] for line in list(stream) if "event" in line]

    process = shell.start("serve", "--printer", "printer.toml", fault=FAULT)
    until(lambda: shell.do("status", "--to", NAME).code == 0, PATIENCE_S, "the daemon")
    threading.Thread(target=look_on, daemon=True).start()
    until(lambda: bool(stream), PATIENCE_S, "the viewer")
    process.send_signal(signal.SIGUSR1)
    until(lambda: bool(events()), PATIENCE_S, "the caution")
    (idle,) = told(events())
    assert idle.items() >= ({**TOLD, "run": None}).items()
    assert "caution under_voltage: planted" in shell.do("status", "--to", NAME).out
    assert shell.do(*START, "--bed-clear").code == 0
    until(lambda: bool(told(events())[1:]), PATIENCE_S, "the caution of the run")
    run = [event for event in events() if event["run"] is not None]
    assert run[0]["kind"] == "run_started"
    assert run[1].items() >= TOLD.items()
    until(lambda: any(event["kind"] == "band_entered" for event in events()), PATIENCE_S, "a band")
    assert len(told(events())) == 2
    assert process.poll() is None


def test_a_run_tells_it_when_it_comes_and_goes_on(shell: Shell) -> None:
    run = shell.run("--bed-clear", fault=FAULT)
    run.wait_for("setpoint_confirmed", PATIENCE_S)
    assert told(run.events()) == []
    run.process.send_signal(signal.SIGUSR1)
    run.wait_for("caution", PATIENCE_S)
    assert run.end(PATIENCE_S) == 0
    (one,) = told(run.events())
    assert one.items() >= TOLD.items()
    assert run.events()[-1]["state"] == "Complete"
