"""The local socket with real clients: one answer each, a stalled viewer, a dead predecessor, a live one."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from banderole.link import client
from banderole.link.local_socket import CLIENTS, REQUEST_BYTES, LocalServer, NameInUse
from banderole.link.watcher_queue import WatcherQueue

from tests.support.waiting import until


class Run:
    """What stands behind the socket."""

    def __init__(self) -> None:
        self.got: list[tuple[dict[str, Any], dict[str, Any]]] = []
        self.read: list[bytes] = []
        self.band = 1

    def handle(self, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        if request["command"] == "resume":
            return {"accepted": False, "state": "Running", "reason": "resume leaves Held; this is Running", "exit": 3}
        if request["command"] == "explode":
            raise ZeroDivisionError
        self.got.append((request, who))
        self.read += [os.read(file, 100) for file in who["files"]]
        return {"accepted": True, "state": "Holding", "reason": "", "exit": 0}

    def status(self) -> dict[str, Any]:
        return {"state": "Running", "band": self.band}

    def bands(self) -> list[dict[str, Any]]:
        return [{"band": 1, "state": "done" if self.band > 1 else "at work"}]


@pytest.fixture(autouse=True)
def folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path / "banderole"


@pytest.fixture
def run() -> Run:
    return Run()


@pytest.fixture
async def server(run: Run) -> AsyncIterator[LocalServer]:
    made = LocalServer("bench-a", run.handle, run.status, run.bands)
    await made.start()
    yield made
    await made.close()


def connect(folder: Path) -> socket.socket:
    link = socket.socket(socket.AF_UNIX)
    link.settimeout(5)
    link.connect(str(folder / "bench-a.sock"))
    return link


def read_all(link: socket.socket) -> bytes:
    got = b""
    while data := link.recv(65536):
        got += data
    return got


async def test_a_command_is_answered_and_the_kernel_says_who(server: LocalServer, run: Run, folder: Path) -> None:
    reply = await asyncio.to_thread(client.ask, "bench-a", {"command": "hold", "at": "band:3"})
    assert reply == {"accepted": True, "state": "Holding", "reason": "", "exit": 0}
    request, who = run.got[0]
    assert request == {"command": "hold", "at": "band:3"}
    assert who == {"via": "local", "uid": os.getuid(), "pid": os.getpid(), "files": []}
    assert stat.S_IMODE((folder / "bench-a.sock").stat().st_mode) == 0o660


async def test_refused_by_the_run_and_a_fault_of_ours(
    server: LocalServer, run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    refused = await asyncio.to_thread(client.ask, "bench-a", {"command": "resume"})
    assert (refused["accepted"], refused["exit"]) == (False, 3)
    fault = await asyncio.to_thread(client.ask, "bench-a", {"command": "explode"})
    assert (fault["accepted"], fault["exit"]) == (False, 70)
    assert "ZeroDivisionError" in caplog.text
    status = await asyncio.to_thread(client.ask, "bench-a", {"command": "status"})
    assert status == {"status": {"state": "Running", "band": 1}, "bands": [{"band": 1, "state": "at work"}]}


async def test_open_files_travel_and_are_closed_after(server: LocalServer, run: Run, tmp_path: Path) -> None:
    (tmp_path / "tower.gcode").write_bytes(b"G28\n")
    before = len(os.listdir("/proc/self/fd"))
    file = os.open(tmp_path / "tower.gcode", os.O_RDONLY)
    reply = await asyncio.to_thread(client.ask, "bench-a", {"command": "start"}, 5.0, (file,))
    os.close(file)
    assert reply["accepted"]
    assert run.read == [b"G28\n"]
    await until(lambda: len(os.listdir("/proc/self/fd")) == before)


@pytest.mark.parametrize(
    "garbage",
    [b"hold\n", b"[1]\n", b'{"command": 7}\n', b"{}\n", b"\xff\xfe\n", b"[" * 8000 + b"\n", b"x" * (REQUEST_BYTES + 9)],
)
async def test_garbage_gets_one_clear_refusal(server: LocalServer, run: Run, folder: Path, garbage: bytes) -> None:
    link = connect(folder)
    link.sendall(garbage + b'\n{"command": "abort"}\n')
    lines = (await asyncio.to_thread(read_all, link)).splitlines()
    link.close()
    assert len(lines) == 1
    assert json.loads(lines[0])["accepted"] is False
    assert not run.got, "something after garbage was obeyed"


async def test_a_viewer_sees_status_then_events(server: LocalServer, run: Run) -> None:
    seen: list[dict[str, Any]] = []

    def view() -> None:
        for line in client.watch("bench-a"):
            seen.append(line)

    viewer = threading.Thread(target=view)
    viewer.start()
    await until(lambda: len(seen) == 1)
    run.band = 2
    server.broadcast({"seq": 1, "kind": "band_entered"})
    server.publish_bands(run.bands())
    await until(lambda: len(seen) == 4)
    await server.close()
    await asyncio.to_thread(viewer.join)
    assert seen == [
        {"status": {"state": "Running", "band": 1}, "bands": [{"band": 1, "state": "at work"}]},
        {"event": {"seq": 1, "kind": "band_entered"}},
        {"status": {"state": "Running", "band": 2}},
        {"bands": [{"band": 1, "state": "done"}]},
    ]


async def test_a_stalled_viewer_slows_nobody_and_is_dropped(server: LocalServer, run: Run, folder: Path) -> None:
    stalled = connect(folder)
    stalled.sendall(b'{"command": "watch"}\n')
    await asyncio.to_thread(stalled.recv, 1)  # it is a viewer now, and reads no more
    note = "x" * 500
    loop = asyncio.get_running_loop()
    worst = 0.0
    for seq in range(3000):
        begun = loop.time()
        server.broadcast({"seq": seq, "note": note})
        worst = max(worst, loop.time() - begun)
        if seq % 500 == 0:
            reply = await asyncio.to_thread(client.ask, "bench-a", {"command": "hold"})
            assert reply["accepted"]
    assert worst < 0.1
    lines = (await asyncio.to_thread(read_all, stalled)).split(b"\n")  # what the kernel held, then the end
    stalled.close()
    events = [json.loads(line)["event"]["seq"] for line in lines[1:-1] if b"event" in line]
    assert events == list(range(len(events)))
    assert 0 < len(events) < 3000


async def test_many_clients_at_once_and_no_more_than_that(server: LocalServer, folder: Path) -> None:
    # In a thread: past the listen backlog a connect waits until the loop has taken one.
    links = [await asyncio.to_thread(connect, folder) for _ in range(CLIENTS)]
    for link in links:
        link.sendall(b'{"command": "status"}\n')
    for link in links:
        assert b"Running" in await asyncio.to_thread(link.recv, 1000)
    extra = connect(folder)
    assert b"clients are connected" in await asyncio.to_thread(read_all, extra)
    extra.close()
    links.pop().close()
    await asyncio.sleep(0.01)
    assert (await asyncio.to_thread(client.ask, "bench-a", {"command": "abort"}))["accepted"]
    for link in links:
        link.close()


async def test_a_live_name_is_refused_and_a_dead_ones_socket_replaced(folder: Path, run: Run) -> None:
    code = (
        "import asyncio\nfrom banderole.link.local_socket import LocalServer\n"
        "async def main():\n s = LocalServer('bench-a', lambda r, w: {}, dict); await s.start()\n"
        " print(1, flush=True); await asyncio.sleep(60)\nasyncio.run(main())"
    )
    other = await asyncio.create_subprocess_exec(sys.executable, "-c", code, stdout=subprocess.PIPE)
    assert other.stdout is not None
    await other.stdout.readline()
    ours = LocalServer("bench-a", run.handle, run.status, run.bands)
    with pytest.raises(NameInUse, match="going already"):
        await ours.start()
    assert await asyncio.to_thread(client.ask, "bench-a", {"command": "status"}) == {"status": {}, "bands": []}
    other.kill()
    await other.wait()
    assert (folder / "bench-a.sock").exists()
    with pytest.raises(client.NobodyThere, match="nobody answers"):
        await asyncio.to_thread(client.ask, "bench-a", {"command": "status"})
    await ours.start()
    assert (await asyncio.to_thread(client.ask, "bench-a", {"command": "status"}))["status"]["band"] == 1
    await ours.close()
    assert not (folder / "bench-a.sock").exists()


def test_nobody_there_says_where_it_looked() -> None:
    with pytest.raises(client.NobodyThere, match=r"/run/banderole/bench-a\.sock"):
        client.ask("bench-a", {"command": "status"})
    with pytest.raises(client.NobodyThere, match="no printer name"):
        next(client.watch("../bench-a"))


def test_somebody_who_does_not_answer_is_nobody(folder: Path) -> None:
    folder.mkdir()
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(folder / "bench-a.sock"))
    listener.listen()
    with pytest.raises(client.NobodyThere, match="did not answer"):
        client.ask("bench-a", {"command": "status"}, timeout=0.05)
    listener.close()


def test_the_queue_keeps_events_and_only_the_newest_status() -> None:
    queue = WatcherQueue(limit=100)
    queue.status(b"s1\n")
    assert queue.head() == b"s1\n"
    queue.sent(1)  # begun: it is finished, whatever comes
    for line in (b"e1\n", b"e2\n"):
        queue.event(line)
        queue.status(b"after " + line)
    out = b""
    while data := queue.head():
        out += data[:2]
        queue.sent(2)
    assert out == b"1\ne1\ne2\nafter e2\n"
    assert not queue.overgrown
    for _ in range(26):
        queue.event(b"abc\n")
    assert queue.overgrown
