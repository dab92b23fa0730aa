"""Control and viewing over a real broker, from the client's end; TLS; and who does not answer."""

from __future__ import annotations

import asyncio
import gc
import shutil
import socket
import subprocess
import sys
import textwrap
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from banderole.link.backoff import Backoff
from banderole.link.broker import Broker
from banderole.link.broker_client import Credentials, NobodyThere, ask, read_status, watch

from tests.support.mosquitto import Mosquitto, free_port, needs_mosquitto, running
from tests.support.outlet import STATUS, Run, Settings, make
from tests.support.waiting import until

pytestmark = [needs_mosquitto, pytest.mark.slow]

NOBODY = Credentials()


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    async with running(tmp_path) as made:
        yield made


@pytest.fixture
def run() -> Run:
    return Run()


@pytest.fixture
async def broker(mosquitto: Mosquitto, run: Run) -> AsyncIterator[Broker]:
    made = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    yield made
    await made.close()
    await task


async def asked(url: str, request: dict[str, Any], printer: str = "bench-a", timeout: float = 5.0) -> dict[str, Any]:  # noqa: ASYNC109
    return await asyncio.to_thread(ask, url, "yard", printer, request, NOBODY, timeout)


async def test_a_hold_over_the_broker(broker: Broker, mosquitto: Mosquitto, run: Run) -> None:
    reply = await asked(mosquitto.url, {"command": "hold", "at": "band:4", "run": "r1"})
    assert (reply["accepted"], reply["state"], reply["exit"]) == (True, "Holding", 0)
    assert run.got[0][0] == {"command": "hold", "at": "band:4"}
    refused = await asked(mosquitto.url, {"command": "resume"})
    assert (refused["accepted"], refused["exit"]) == (False, 3)
    assert "local socket" in refused["reason"]
    assert (await asked(mosquitto.web_url, {"command": "abort"}))["accepted"]


async def test_nobody_says_what_the_broker_knows(mosquitto: Mosquitto, run: Run) -> None:
    with pytest.raises(NobodyThere, match="no daemon of that name"):
        await asked(mosquitto.url, {"command": "hold"}, timeout=0.3)
    made = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    await made.close()
    await task
    with pytest.raises(NobodyThere, match="says nothing about heat"):
        await asked(mosquitto.url, {"command": "hold"}, timeout=0.3)
    with pytest.raises(NobodyThere, match="is the broker there"):
        await asked(f"mqtt://127.0.0.1:{free_port()}", {"command": "hold"})


async def test_a_broker_that_only_listens_is_nobody() -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        url = f"mqtt://127.0.0.1:{mute.getsockname()[1]}"
        begun = time.monotonic()
        with pytest.raises(NobodyThere):
            await asked(url, {"command": "abort"}, timeout=0.3)
        assert time.monotonic() - begun < 1.0


async def test_status_of_one_and_of_all(broker: Broker, mosquitto: Mosquitto) -> None:
    broker.publish_run(STATUS)
    broker.publish_bands([{"band": 1}])
    found: dict[str, Any] = {}
    async with asyncio.timeout(5):
        while "bands" not in found.get("bench-a", {}):
            found = await asyncio.to_thread(read_status, mosquitto.url, "yard", "+", NOBODY)
    assert list(found) == ["bench-a"]
    assert found["bench-a"]["status"] == STATUS
    assert found["bench-a"]["bands"] == [{"band": 1}]
    assert found["bench-a"]["presence"]["online"] is True
    one = await asyncio.to_thread(read_status, mosquitto.url, "yard", "bench-b", NOBODY, 0.2)
    assert one == {}


async def test_a_viewer_outlives_the_broker(broker: Broker, mosquitto: Mosquitto) -> None:
    seen: list[dict[str, Any]] = []

    async def view() -> None:
        async for entry in watch(mosquitto.url, "yard", "+", NOBODY, Backoff(0.05, 0.1)):
            seen.append(entry)

    viewer = asyncio.create_task(view())
    broker.publish_run(STATUS)
    broker.event({"seq": 1, "kind": "run_started"})
    await until(lambda: {"printer": "bench-a", "status": STATUS} in seen)
    assert seen[0] == {"broker": True}
    broker.thermal({"nozzle": 201.5})
    await until(lambda: {"printer": "bench-a", "thermal": {"nozzle": 201.5}} in seen)
    mosquitto.kill()
    await until(lambda: any(entry.get("broker") is False for entry in seen))
    await mosquitto.start()
    await until(lambda: [entry.get("broker") for entry in seen].count(True) == 2 and broker.online)
    broker.event({"seq": 2, "kind": "run_ended"})
    await until(lambda: {"printer": "bench-a", "event": {"seq": 2, "kind": "run_ended"}} in seen)
    viewer.cancel()
    await asyncio.gather(viewer, return_exceptions=True)


async def test_watching_a_broker_that_is_not_there_is_said() -> None:
    with pytest.raises(NobodyThere, match="is the broker there"):
        await anext(watch(f"mqtt://127.0.0.1:{free_port()}", "yard", "+", NOBODY))


def certificates(folder: Path) -> str:
    """An authority and a server's certificate for 127.0.0.1 of today; the lines the broker wants."""
    make = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
    ]
    own = ["-subj", "/CN=bench", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", "key.pem", "-out", "ca.pem"]
    subprocess.run([*make, *own], cwd=folder, check=True, capture_output=True)
    return f"certfile {folder}/ca.pem\nkeyfile {folder}/key.pem"


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl here to make a certificate with")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_over_tls_with_the_right_authority_only(
    tmp_path: Path, run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    port = free_port()
    keys = certificates(tmp_path)
    async with running(tmp_path, f"listener {port} 127.0.0.1\n{keys}"):
        url = f"mqtts://127.0.0.1:{port}"
        made = make(Settings(url, ca_file=str(tmp_path / "ca.pem")), run)
        task = asyncio.create_task(made.run())
        await until(lambda: made.online)
        good = Credentials(ca_file=str(tmp_path / "ca.pem"))
        reply = await asyncio.to_thread(ask, url, "yard", "bench-a", {"command": "hold"}, good)
        assert reply["accepted"]
        with pytest.raises(NobodyThere, match="certificate"):
            await asked(url, {"command": "hold"})  # the system's authorities do not know this one
        await made.close()
        await task
    gc.collect()  # the client library leaves the socket of a failed handshake to the collector


async def test_a_program_does_not_outlast_a_broker_that_never_answers(tmp_path: Path) -> None:
    """A TLS handshake with a peer that is mute blocks in the library for seconds: nobody waits for it at the end."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        code = f"""
            import asyncio
            from banderole.link.broker import Broker
            from tests.support.outlet import Settings
            async def main():
                url = "mqtts://127.0.0.1:{mute.getsockname()[1]}"
                broker = Broker(Settings(url), "bench-a", "9", lambda r, w: {{}}, run_id=lambda: None)
                task = asyncio.create_task(broker.run())
                await asyncio.sleep(0.1)
                await broker.close()
                await asyncio.gather(task, return_exceptions=True)
                print("ended", flush=True)
            asyncio.run(main())
        """
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", textwrap.dedent(code), stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        assert process.stdout is not None
        assert await process.stdout.readline() == b"ended\n"
        begun = time.monotonic()
        _, said = await process.communicate()
        assert time.monotonic() - begun < 1.0, "the connecting thread was waited for"
        assert said == b""
