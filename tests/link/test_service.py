"""Told to the service manager, over a real datagram socket; and the watchdog, which is fed round by round."""

from __future__ import annotations

import asyncio
import itertools
import os
import socket
import threading
import time
from pathlib import Path

import pytest
from banderole.link import service
from banderole.link.service import Attendant, Notifier, Rounds, attended, watchdog_s

from tests.support.manager import Manager
from tests.support.waiting import until

TASKS = ("broker", "daemon", "local socket")


# ---- rounds


@pytest.mark.parametrize("order", list(itertools.permutations(TASKS)))
def test_a_round_is_complete_once_each_has_come_round_in_whatever_order(order: tuple[str, ...]) -> None:
    rounds = Rounds()
    beats = {task: rounds.expect(task) for task in TASKS}
    for _ in range(3):
        for number, task in enumerate(order):
            assert rounds.missing == sorted(order[number:])
            assert not rounds.complete()
            beats[task]()
            beats[task]()  # as often as it likes: it speaks for itself alone
        assert rounds.complete()
        assert not rounds.complete(), "the next round has begun"


@pytest.mark.parametrize("stuck", TASKS)
def test_one_that_does_not_come_round_holds_the_round_open_for_ever(stuck: str) -> None:
    rounds = Rounds()
    beats = {task: rounds.expect(task) for task in TASKS}
    for beat in beats.values():
        beat()
    assert rounds.complete()
    for _ in range(100):
        for task, beat in beats.items():
            if task != stuck:
                beat()
        assert not rounds.complete()
    assert rounds.missing == [stuck]
    rounds.retire(stuck)
    assert rounds.complete()


def test_nobody_expected_is_nobody_alive_and_who_has_retired_says_nothing() -> None:
    rounds = Rounds()
    assert not rounds.complete()
    beat = rounds.expect("broker")
    rounds.retire("broker")
    beat()
    assert not rounds.complete()
    rounds.expect("daemon")()
    assert rounds.complete()
    beat()
    assert rounds.missing == ["daemon"]


async def test_what_waits_for_a_thread_comes_round_meanwhile(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "ROUND_S", 0.01)
    beats: list[float] = []
    stalled = threading.Event()
    waiting = asyncio.create_task(attended(asyncio.to_thread(stalled.wait, 10), lambda: beats.append(time.monotonic())))
    await until(lambda: len(beats) >= 5)
    stalled.set()
    assert await waiting is True
    beats.clear()
    await attended(asyncio.sleep(0), lambda: beats.append(time.monotonic()))
    assert len(beats) == 1, "what is soon over is a round as well"


async def test_what_is_raised_or_cancelled_passes_through() -> None:
    async def fails() -> None:
        raise OSError("no disk")

    with pytest.raises(OSError, match="no disk"):
        await attended(fails(), service.unheard)
    never = asyncio.get_running_loop().create_future()
    waiting = asyncio.create_task(attended(never, service.unheard))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert never.cancelled()


# ---- the manager's socket


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_the_manager_hears_what_is_sent(tmp_path: Path, kind: str) -> None:
    address = str(tmp_path / "notify") if kind == "path" else f"@banderole-test-{os.getpid()}"
    with Manager(address) as manager:
        notifier = Notifier(address)
        assert notifier
        assert notifier.send("READY=1", "STATUS=Idle")
        assert notifier.send("WATCHDOG=1")
        deadline = time.monotonic() + 5
        while len(manager.heard()) < 3 and time.monotonic() < deadline:
            time.sleep(0.005)
        assert manager.heard() == ["READY=1", "STATUS=Idle", "WATCHDOG=1"]


@pytest.mark.parametrize("address", [None, "", "@", "/", "relative", "vsock:2:9"])
def test_without_an_address_it_does_nothing(address: str | None) -> None:
    notifier = Notifier(address)
    assert not notifier
    assert notifier.send("READY=1")


def test_a_manager_that_has_gone_or_does_not_read_costs_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    gone = Notifier(str(tmp_path / "nobody"))
    assert not gone.send("READY=1")
    assert not gone.send("READY=1")
    assert len(caplog.records) == 1
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        notifier = Notifier(str(tmp_path / "deaf"))
        begun = time.monotonic()
        assert not all(notifier.send("WATCHDOG=1") for _ in range(5000)), "its queue is full at some time"
        assert time.monotonic() - begun < 2


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "40000000"}, 40.0),
        ({"WATCHDOG_USEC": "40000000", "WATCHDOG_PID": "7"}, 40.0),
        ({"WATCHDOG_USEC": "40000000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "40000000", "WATCHDOG_PID": ""}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "²"}, None),
    ],
)
def test_the_watchdog_is_ours_only_where_the_manager_says_so(
    environment: dict[str, str], seconds: float | None
) -> None:
    """sd_watchdog_enabled(3): a WATCHDOG_PID that is not ours means another process."""
    assert watchdog_s(environment, 7) == seconds


# ---- the attendant


class Heard(Notifier):
    """A manager in memory, whose queue may be full."""

    def __init__(self) -> None:
        super().__init__("/manager")
        self.lines: list[str] = []
        self.full = False

    def send(self, *assignments: str) -> bool:
        if not self.full:
            self.lines += assignments
        return not self.full

    def taken(self) -> list[str]:
        lines, self.lines = self.lines, []
        return lines


def test_ready_and_status_are_told_once_and_again_where_they_were_not_heard() -> None:
    heard = Heard()
    attendant = Attendant(heard, 40.0)
    attendant.look("starting")
    assert heard.taken() == ["STATUS=starting"]
    heard.full = True
    attendant.ready()
    attendant.look("Idle")
    heard.full = False
    attendant.look("Idle")
    assert heard.taken() == ["READY=1", "STATUS=Idle"]
    attendant.ready()
    attendant.look("Idle")
    assert heard.taken() == []
    attendant.look("Running\nREADY=0")
    attendant.look("x" * 5000)
    attendant.stopping()
    one, two, three = heard.taken()
    assert one == "STATUS=Running READY=0", "one line, whatever is in it"
    assert len(two) == len("STATUS=") + service.MOST_STATUS
    assert three == "STOPPING=1"


def test_it_is_fed_once_a_round_and_while_it_starts_a_round_extends_the_start() -> None:
    heard = Heard()
    attendant = Attendant(heard, 40.0)
    beats = [attendant.rounds.expect(task) for task in TASKS]
    attendant.look("")
    heard.taken()
    for beat in beats:
        attendant.look("")
        assert heard.taken() == []
        beat()
    attendant.look("")
    attendant.look("")
    assert heard.taken() == ["EXTEND_TIMEOUT_USEC=40000000"]
    attendant.ready()
    for beat in beats:
        beat()
    attendant.look("")
    attendant.look("")
    assert heard.taken() == ["READY=1", "WATCHDOG=1"]


def test_without_a_watchdog_nobody_is_fed_and_the_rest_is_told() -> None:
    heard = Heard()
    attendant = Attendant(heard, None)
    beat = attendant.rounds.expect("daemon")
    for _ in range(3):
        beat()
        attendant.look("Idle")
    attendant.ready()
    beat()
    attendant.look("Idle")
    assert heard.taken() == ["STATUS=Idle", "READY=1"]


def test_who_does_not_come_round_is_named_in_the_log_once(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now = [100.0]
    monkeypatch.setattr(service.time, "monotonic", lambda: now[0])
    attendant = Attendant(Heard(), 40.0)
    attendant.rounds.expect("broker")
    attendant.rounds.expect("daemon")()
    attendant.look("")
    now[0] += 20.0
    attendant.look("")
    assert caplog.messages == [], "a disk that stalls for 20 s is not worth a word"
    now[0] += 0.5
    attendant.look("")
    now[0] += 10
    attendant.look("")
    assert caplog.messages == ["not come round for 20 s: broker; the watchdog is not fed"]


async def test_a_sentence_that_fails_starves_nobody(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(service, "LOOK_S", 0.001)
    heard = Heard()
    attendant = Attendant(heard, 40.0)
    attendant.ready()

    def fails() -> str:
        raise KeyError("state")

    beat = attendant.rounds.expect("daemon")
    async with service.beside(attendant.attend(fails), "service"):
        for _ in range(3):
            heard.taken()
            beat()
            await until(lambda: "WATCHDOG=1" in heard.lines)
    assert len(caplog.records) == 1, "not a traceback a second"


async def test_a_loop_that_is_stuck_feeds_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "LOOK_S", 0.001)
    heard = Heard()
    attendant = Attendant(heard, 40.0)
    beat = attendant.rounds.expect("daemon")

    async def lives() -> None:
        while True:
            beat()
            await asyncio.sleep(0.001)

    async with service.beside(lives(), "daemon"), service.beside(attendant.attend(str), "service"):
        attendant.ready()
        await until(lambda: heard.lines.count("WATCHDOG=1") >= 3)
        heard.taken()
        time.sleep(0.2)  # noqa: ASYNC251 - this is the stuck loop
        assert heard.taken() == []
        await until(lambda: heard.lines.count("WATCHDOG=1") >= 3)
