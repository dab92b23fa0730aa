"""A serving daemon as the broker sees it: idle, at work, commanded from elsewhere, gone."""

from __future__ import annotations

import asyncio
import signal
import tempfile
from pathlib import Path

import pytest
from banderole.bench import PtyPrinter

from tests.support.mosquitto import needs_mosquitto, running
from tests.support.mqtt_peer import peer
from tests.support.serving import Served, folders_of
from tests.support.shell import NAME, Shell, board, received
from tests.support.waiting import until

pytestmark = [pytest.mark.slow, needs_mosquitto]

BASE = f"yard/{NAME}"


async def test_idle_at_work_and_gone() -> None:
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        shell = Shell(Path(name))
        (shell.folder / "broker").mkdir()
        with folders_of(shell), PtyPrinter(board(), link=shell.folder / "port") as printer:
            async with running(shell.folder / "broker") as mosquitto:
                shell.write(port=str(shell.folder / "port"))
                with (shell.folder / "printer.toml").open("a") as file:
                    file.write(f'[broker]\nurl = "{mosquitto.url}"\nroot = "yard"\n')
                served = await asyncio.to_thread(Served, shell)
                try:
                    await _seen(mosquitto.port, served, printer)
                finally:
                    shell.end()


async def _seen(port: int, served: Served, printer: PtyPrinter) -> None:
    async with peer(port, f"{BASE}/#") as viewer:

        def last(topic: str) -> object:
            return (viewer.bodies(f"{BASE}/{topic}") or [None])[-1]

        def state() -> object:
            run = last("run")
            return run.get("state") if isinstance(run, dict) else None

        await until(lambda: state() == "Idle" and last("bands") == [] and last("alarm") == [])
        run, presence = last("run"), last("presence")
        assert isinstance(run, dict)
        assert isinstance(presence, dict)
        assert (run["run"], run["file"], run["measured"]) == (None, None, {})
        assert presence["online"] is True
        await viewer.send(f"{BASE}/command", {"v": 1, "id": "a", "command": "start", "file": "/etc/passwd"})
        await viewer.send(f"{BASE}/command", {"v": 1, "id": "b", "command": "hold"})
        await until(lambda: len(viewer.on(f"{BASE}/reply")) == 2)
        started, held = viewer.bodies(f"{BASE}/reply")
        assert (started["accepted"], held["accepted"]) == (False, False)
        assert "not carried over the broker" in started["reason"]
        assert "hold is refused in Idle" in held["reason"]
        assert received(printer) == []

        def told() -> list[str]:
            return [event["kind"] for event in viewer.bodies(f"{BASE}/event") if event["run"] == begun.out.split()[3]]

        begun = await asyncio.to_thread(served.start)
        assert begun.code == 0, begun.err
        await until(lambda: state() == "Running")
        await viewer.send(f"{BASE}/command", {"v": 1, "id": "c", "run": begun.out.split()[3], "command": "abort"})
        await until(lambda: state() == "Aborted", 20)
        await until(lambda: "run_ended" in told())
        assert told()[0] == "run_started"
        await viewer.send(f"{BASE}/command", {"v": 1, "id": "d", "run": begun.out.split()[3], "command": "hold"})
        await until(lambda: len(viewer.on(f"{BASE}/reply")) == 4)
        assert "another run's" in viewer.bodies(f"{BASE}/reply")[-1]["reason"], "a run that is over is not under way"

        served.process.send_signal(signal.SIGINT)
        assert await asyncio.to_thread(served.process.wait, 10) == 0
        await until(lambda: (viewer.bodies(f"{BASE}/presence")[-1])["online"] is False)
