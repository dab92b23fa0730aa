"""Files handed over as open descriptors: through real Unix sockets, from good clients, careless ones and hostile ones."""

from __future__ import annotations

import array
import asyncio
import json
import os
import shutil
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from banderole.link import client, handover
from banderole.link.local_socket import FILES, REQUEST_BYTES, LocalServer
from banderole.plan.refusal import InputError

from tests.support.waiting import until

GCODE = b"G28\nG1 X1 E1\n" * 50_000  # 650 kB: more than one read
STEPS = b'title = "Steps"\n'
NAMES = ("tower.gcode", "steps.toml")


@pytest.fixture(autouse=True)
def folders(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for variable in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def files(tmp_path: Path) -> Iterator[list[int]]:
    """A G-code file and a schedule file, open."""
    opened = []
    for name, data in zip(NAMES, (GCODE, STEPS), strict=True):
        (tmp_path / name).write_bytes(data)
        opened.append(os.open(tmp_path / name, os.O_RDONLY))
    yield opened
    for file in opened:
        os.close(file)


def never() -> bool:
    return False


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


# ---- what is taken


def test_the_copy_is_of_the_whole_file_wherever_the_descriptor_stands_and_outlives_it(
    files: list[int], tmp_path: Path
) -> None:
    os.lseek(files[0], 1000, os.SEEK_SET)  # the client has read some of it
    with handover.take(files, NAMES) as handed:
        for name in NAMES:
            (tmp_path / name).unlink()
        copy = handover.keep(handed, "bench-a", never)
    assert copy.gcode.read_bytes() == GCODE
    assert copy.schedule.read_bytes() == STEPS
    assert copy.gcode.stat().st_mode & 0o777 == 0o600
    assert os.lseek(files[0], 0, os.SEEK_CUR) == 1000, "the client's own place in the file is its own"
    handover.clear("bench-a")
    assert not copy.gcode.parent.exists()
    handover.clear("bench-a")


def test_a_new_copy_takes_the_place_of_one_that_was_left(files: list[int]) -> None:
    with handover.take(files, NAMES) as handed:
        first = handover.keep(handed, "bench-a", never)
        first.gcode.write_bytes(b"of a killed daemon")
        second = handover.keep(handed, "bench-a", never)
    assert second == first
    assert second.gcode.read_bytes() == GCODE


def test_descriptors_are_duplicated_and_let_go(files: list[int]) -> None:
    before = descriptors()
    with handover.take(files, NAMES) as handed:
        assert descriptors() == before + 2
        assert not os.get_inheritable(handed.gcode)
    assert descriptors() == before


# ---- what is not


@pytest.mark.parametrize("count", [0, 1, 3, 8])
def test_a_wrong_number_of_files_is_refused(count: int, files: list[int]) -> None:
    before = descriptors()
    with pytest.raises(InputError, match=f"{count} open files came with the start, not 2"):
        handover.take((files * 4)[:count], NAMES)
    assert descriptors() == before


@pytest.mark.parametrize("kind", ["a folder", "a pipe", "a socket", "a device"])
@pytest.mark.parametrize("at", [0, 1])
def test_what_is_no_regular_file_is_refused_and_not_read(kind: str, at: int, files: list[int], tmp_path: Path) -> None:
    pipe, pair = os.pipe(), socket.socketpair()
    folder, device = os.open(tmp_path, os.O_RDONLY), os.open("/dev/zero", os.O_RDONLY)
    odd = {"a folder": folder, "a pipe": pipe[0], "a socket": pair[0].fileno(), "a device": device}[kind]
    before = descriptors()
    with pytest.raises(InputError, match=f"is {kind}, not a file") as why:
        handover.take([odd, files[1]] if at == 0 else [files[0], odd], NAMES)
    assert NAMES[at] in str(why.value)
    assert descriptors() == before
    for one in (*pipe, folder, device):
        os.close(one)
    for end in pair:
        end.close()


@pytest.mark.parametrize("flags", [os.O_WRONLY, os.O_PATH])
def test_a_descriptor_that_proves_no_right_to_read_is_refused(flags: int, files: list[int], tmp_path: Path) -> None:
    blind = os.open(tmp_path / NAMES[0], flags)
    with pytest.raises(InputError, match="not open for reading"):
        handover.take([blind, files[1]], NAMES)
    os.close(blind)


@pytest.mark.parametrize("name", [None, 7, "", "x" * 256])
def test_a_file_without_a_name_is_refused(name: object, files: list[int]) -> None:
    with pytest.raises(InputError, match="the G-code file has no name"):
        handover.take(files, (name, NAMES[1]))


def test_a_name_cannot_steer_a_terminal(files: list[int]) -> None:
    with handover.take(files, ("a\x1b[31m\nb", NAMES[1])) as handed:
        assert handed.gcode_name == "a?[31m?b"


def test_too_long_a_schedule_is_refused_before_it_is_copied(files: list[int], tmp_path: Path) -> None:
    with open(tmp_path / NAMES[1], "r+b") as file:
        file.truncate((1 << 20) + 1)
    with pytest.raises(InputError, match="too long for a schedule file"):
        handover.take(files, NAMES)


def test_a_file_larger_than_the_free_space_is_refused_in_one_line(files: list[int], tmp_path: Path) -> None:
    with open(tmp_path / NAMES[0], "r+b") as file:
        file.truncate(shutil.disk_usage(tmp_path).free)  # a hole: as much as is free, and something must stay free
    with handover.take(files, NAMES) as handed, pytest.raises(handover.NoRoom, match="no room for a copy") as why:
        handover.keep(handed, "bench-a", never)
    assert "\n" not in str(why.value)
    assert not (tmp_path / "state" / "banderole" / "bench-a" / handover.FOLDER).exists()


def test_a_disk_that_fills_meanwhile_is_refused_in_one_line(
    files: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full here")
    real = os.open

    def full(path: Any, flags: int, *more: Any, **others: Any) -> int:
        if str(path).endswith("tower.gcode") and flags & os.O_CREAT:
            return real("/dev/full", os.O_WRONLY)
        return real(path, flags, *more, **others)

    monkeypatch.setattr(os, "open", full)
    with handover.take(files, NAMES) as handed, pytest.raises(handover.NoRoom, match="No space left"):
        handover.keep(handed, "bench-a", never)


def test_a_folder_that_takes_no_copy_is_refused_in_one_line(
    files: list[int], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    in_the_way = tmp_path / "state" / "banderole" / "bench-a" / handover.FOLDER
    in_the_way.parent.mkdir(parents=True)
    in_the_way.write_text("somebody's own")
    with handover.take(files, NAMES) as handed, pytest.raises(handover.NoRoom, match="cannot be copied"):
        handover.keep(handed, "bench-a", never)
    assert "cannot be removed" in caplog.text


def test_a_file_that_grows_or_shrinks_meanwhile_is_refused(files: list[int], tmp_path: Path) -> None:
    for size, said in ((len(GCODE) + 1000, "changed"), (1000, "became shorter")):
        looks = iter([False, True, True, True, True])

        def meddling(size: int = size, looks: Iterator[bool] = looks) -> bool:
            if next(looks):
                os.truncate(tmp_path / NAMES[0], size)
            return False

        (tmp_path / NAMES[0]).write_bytes(GCODE)
        with handover.take(files, NAMES) as handed, pytest.raises(InputError, match=f"it {said} while"):
            handover.keep(handed, "bench-a", meddling)


def test_a_start_that_is_given_up_leaves_nothing(files: list[int], tmp_path: Path) -> None:
    looks = iter([False, True])
    with handover.take(files, NAMES) as handed, pytest.raises(handover.GivenUp):
        handover.keep(handed, "bench-a", lambda: next(looks))
    assert not (tmp_path / "state" / "banderole" / "bench-a" / handover.FOLDER).exists()


# ---- over the socket


class Desk:
    """A handler that takes the files, and answers when it is let."""

    def __init__(self) -> None:
        self.let = asyncio.Event()
        self.cancelled = 0
        self.copies: list[bytes] = []

    def handle(self, request: dict[str, Any], who: dict[str, Any]) -> Any:
        if request["command"] != "start":
            return {"accepted": True, "command": request["command"]}
        try:
            handed = handover.take(who["files"], (request.get("file"), request.get("schedule")))
        except InputError as why:
            return {"accepted": False, "reason": str(why), "exit": 2}
        return self._start(handed)

    async def _start(self, handed: handover.Handed) -> dict[str, Any]:
        with handed:
            try:
                await self.let.wait()
            except asyncio.CancelledError:
                self.cancelled += 1
                raise
            if handed.gcode_name == "explode":
                raise ZeroDivisionError
            copy = await asyncio.to_thread(handover.keep, handed, "bench-a", never)
            self.copies.append(copy.gcode.read_bytes())
        return {"accepted": True, "exit": 0}


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
async def server(desk: Desk) -> AsyncIterator[LocalServer]:
    made = LocalServer("bench-a", desk.handle, dict)
    await made.start()
    yield made
    await made.close()


def request(file: str = NAMES[0]) -> dict[str, Any]:
    return {"command": "start", "file": file, "schedule": NAMES[1]}


def connect(tmp_path: Path) -> socket.socket:
    link = socket.socket(socket.AF_UNIX)
    link.settimeout(5)
    link.connect(str(tmp_path / "banderole" / "bench-a.sock"))
    return link


async def test_files_travel_and_the_answer_comes_when_it_is_known(
    server: LocalServer, desk: Desk, files: list[int]
) -> None:
    before = descriptors()
    asked = asyncio.create_task(asyncio.to_thread(client.ask, "bench-a", request(), 5.0, tuple(files)))
    await until(lambda: descriptors() > before + 2)
    assert (await asyncio.to_thread(client.ask, "bench-a", {"command": "hold"}))["accepted"], (
        "others are not kept waiting"
    )
    assert not asked.done()
    desk.let.set()
    assert await asked == {"command": "start", "accepted": True, "exit": 0}
    assert desk.copies == [GCODE]
    await until(lambda: descriptors() == before)


async def test_files_that_come_before_the_whole_request_do_too(
    server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    desk.let.set()
    link, line = connect(tmp_path), json.dumps(request()).encode() + b"\n"
    socket.send_fds(link, [line[:1]], files)
    await asyncio.sleep(0.01)
    link.sendall(line[1:20])
    await asyncio.sleep(0.01)
    link.sendall(line[20:])
    assert json.loads(await asyncio.to_thread(link.recv, 4096))["accepted"]
    link.close()
    assert desk.copies == [GCODE]


@pytest.mark.parametrize("count", [0, 1, 3, FILES + 5])
async def test_another_number_of_files_is_refused_and_none_is_kept_open(
    count: int, server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    sent = array.array("i", (files * 10)[:count])
    ancillary = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, sent)] if count else []
    link.sendmsg([json.dumps(request()).encode() + b"\n"], ancillary)
    answer = json.loads(await asyncio.to_thread(link.recv, 4096))
    link.close()
    assert (answer["accepted"], answer["exit"]) == (False, 2)
    assert "open files came with the start, not 2" in answer["reason"]
    await until(lambda: descriptors() == before)


async def test_a_client_that_vanishes_has_taken_its_start_back(
    server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    socket.send_fds(link, [json.dumps(request()).encode() + b"\n"], files)
    await until(lambda: descriptors() == before + 4)
    link.close()
    await until(lambda: desk.cancelled == 1)
    await until(lambda: descriptors() == before)
    desk.let.set()
    assert (await asyncio.to_thread(client.ask, "bench-a", request(), 5.0, tuple(files)))["accepted"]


async def test_a_client_that_vanishes_in_the_middle_of_its_request_leaves_no_file_open(
    server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    socket.send_fds(link, [b'{"command": "sta'], files)
    await until(lambda: descriptors() == before + 4)
    link.close()
    await until(lambda: descriptors() == before)


async def test_an_over_long_request_is_refused_and_its_files_closed(
    server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    socket.send_fds(link, [b'{"command": "start", "file": "'], files)
    sending = threading.Thread(target=lambda: link.sendall(b"x" * (REQUEST_BYTES + 1)))
    sending.start()
    answer = json.loads(await asyncio.to_thread(link.recv, 4096))
    sending.join()
    assert (answer["accepted"], answer["exit"]) == (False, 2)
    assert f"at most {REQUEST_BYTES} bytes" in answer["reason"]
    link.close()
    await until(lambda: descriptors() == before)


async def test_files_piled_up_without_a_request_are_refused(
    server: LocalServer, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    for _ in range(FILES):
        socket.send_fds(link, [b" "], files)
    answer = json.loads(await asyncio.to_thread(link.recv, 4096))
    assert (answer["accepted"], answer["exit"]) == (False, 2)
    link.close()
    await until(lambda: descriptors() == before)


async def test_a_fault_of_ours_in_a_late_answer_is_told_and_takes_nothing_with_it(
    server: LocalServer, desk: Desk, files: list[int], caplog: pytest.LogCaptureFixture
) -> None:
    desk.let.set()
    answer = await asyncio.to_thread(client.ask, "bench-a", request("explode"), 5.0, tuple(files))
    assert (answer["accepted"], answer["exit"]) == (False, 70)
    assert "ZeroDivisionError" in caplog.text
    assert (await asyncio.to_thread(client.ask, "bench-a", request(), 5.0, tuple(files)))["accepted"]


async def test_a_server_that_closes_gives_up_what_it_has_not_answered(
    server: LocalServer, desk: Desk, files: list[int], tmp_path: Path
) -> None:
    before = descriptors()
    link = connect(tmp_path)
    socket.send_fds(link, [json.dumps(request()).encode() + b"\n"], files)
    await until(lambda: descriptors() == before + 4)
    await server.close()
    assert desk.cancelled == 1
    assert await asyncio.to_thread(link.recv, 4096) == b""
    link.close()
