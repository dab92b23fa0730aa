"""Control and viewing from another machine: the commands as processes, over a real broker."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from banderole.link.broker import Broker

from tests.support.going import command, start
from tests.support.mosquitto import Mosquitto, free_port, needs_mosquitto, running
from tests.support.outlet import Run, Settings, make
from tests.support.pictures import bands, status
from tests.support.waiting import until

pytestmark = [needs_mosquitto, pytest.mark.slow]

ENDED = {
    "seq": 1, "kind": "run_ended", "at": "2026-11-25T09:00:00.000Z", "run": "r1", "state": "Complete",
    "reason": "the end of the file",
}  # fmt: skip


class Place:
    """A broker, an outlet on it, and the words that lead there."""

    def __init__(self, folder: Path, mosquitto: Mosquitto, outlet: Broker, run: Run) -> None:
        self.folder, self.mosquitto, self.outlet, self.run = folder, mosquitto, outlet, run
        self.where = ("--broker", mosquitto.url, "--root", "yard")

    async def do(self, *words: str) -> tuple[int, str, str]:
        return await asyncio.to_thread(command, self.folder, *words, *self.where)


@pytest.fixture
async def place(tmp_path: Path) -> AsyncIterator[Place]:
    with tempfile.TemporaryDirectory(prefix="bc-") as name:
        async with running(tmp_path) as mosquitto:
            run = Run()
            outlet = make(Settings(mosquitto.url), run)
            task = asyncio.create_task(outlet.run())
            await until(lambda: outlet.online)
            outlet.publish_run(status())
            outlet.publish_bands(bands())
            yield Place(Path(name), mosquitto, outlet, run)
            await outlet.close()
            await task


async def test_hold_acts_and_what_makes_it_go_on_is_refused(place: Place) -> None:
    assert await place.do("hold", "--at", "band:4", "--to", "bench-a") == (0, "hold: accepted; Holding\n", "")
    assert place.run.got[-1][0] == {"command": "hold", "at": "band:4"}
    code, out, err = await place.do("resume", "--to", "bench-a")
    assert (code, out) == (3, "")
    assert err.startswith("resume: refused; ")
    assert err.count("\n") == 1


async def test_status_of_one_and_of_all_and_of_one_that_has_left(place: Place) -> None:
    await asyncio.sleep(0.2)
    for words in (("--to", "bench-a"), ()):
        code, out, err = await place.do("status", *words)
        assert (code, err) == (0, "")
        assert out.splitlines()[0] == "bench-a: Running, laying down band 3"
    code, out, _ = await place.do("status", "--json")
    assert json.loads(out) == {"online": True, **status()}
    code, _, err = await place.do("status", "--to", "bench-b")
    assert code == 6
    assert "knows no printer bench-b" in err
    await place.outlet.close()
    code, out, err = await place.do("status", "--to", "bench-a")
    assert code == 0
    assert err == "bench-a: not on the broker now; this was its last word, not how it is\n"


async def watching(place: Place, *words: str) -> tuple[int, str, str]:
    """`watch` until the run has ended; its last event is told again until somebody has seen it."""
    process = start(place.folder, "watch", "--to", "bench-a", *place.where, *words)
    end = asyncio.create_task(asyncio.to_thread(process.communicate, timeout=20))
    seq = 0
    while not end.done():
        seq += 1
        place.outlet.event({**ENDED, "seq": seq})
        await asyncio.sleep(0.1)
    out, err = end.result()
    return process.returncode, out.decode(), err.decode()


async def test_watch_until_the_run_has_ended(place: Place) -> None:
    code, out, err = await watching(place)
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == "bench-a: Running, laying down band 3"
    assert "09:00:00 complete: the end of the file" in out
    assert "As run, the top band first" in out


async def test_watch_as_json(place: Place) -> None:
    code, out, _ = await watching(place, "--json")
    assert code == 0
    entries: list[dict[str, Any]] = [json.loads(line) for line in out.splitlines()]
    assert {"printer": "bench-a", "status": status()} in entries
    assert entries[-1]["event"]["kind"] == "run_ended"


async def test_watch_says_that_a_daemon_that_leaves_says_nothing_of_heat(place: Place) -> None:
    process = start(place.folder, "watch", "--to", "bench-a", *place.where)
    assert process.stdout is not None
    assert (await asyncio.to_thread(process.stdout.readline)).startswith(b"bench-a: Running"), "it looks on"
    end = asyncio.create_task(asyncio.to_thread(process.communicate, timeout=20))
    await place.outlet.close()
    _, err = await end
    assert process.returncode == 6
    assert err == b"bench-a: its daemon has left the broker; that says nothing about heat\n"


async def test_no_broker_is_nobody(tmp_path: Path) -> None:
    words = ("abort", "--to", "bench-a", "--broker", f"mqtt://127.0.0.1:{free_port()}")
    code, out, err = await asyncio.to_thread(command, tmp_path, *words)
    assert (code, out) == (6, "")
    assert "is the broker there" in err
    assert err.count("\n") == 1
