"""What the computer beside the printer lacks: real files as the kernel has them, real disks, each edge told once."""

from __future__ import annotations

import asyncio
import os
import subprocess
import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from banderole.link import host as room
from banderole.link.host import AWAY_S, EARLIEST_YEAR, LOW_BYTES, SETTLING_S, Edges, Host, HostWatch

from tests.support.waiting import until

TODAY = datetime(EARLIEST_YEAR, 6, 1, tzinfo=UTC)


@pytest.fixture
def host(tmp_path: Path) -> Host:
    """A sound one, with the folders that a board has: hwmon devices, the firmware's word, the service for the time."""
    for number, name in enumerate(("cpu_thermal", "rpi_volt")):
        device = tmp_path / "hwmon" / f"hwmon{number}"
        device.mkdir(parents=True)
        (device / "name").write_text(f"{name}\n")
        (device / "in0_lcrit_alarm").write_text("0\n" if name == "rpi_volt" else "1\n")
    (tmp_path / "firmware").write_text("0\n")
    (tmp_path / "timesync").mkdir()
    (tmp_path / "timesync" / "synchronized").touch()
    return Host(
        tmp_path / "state" / "bench-a", tmp_path / "hwmon", tmp_path / "firmware", tmp_path / "timesync",
        wall=lambda: TODAY, up_s=lambda: SETTLING_S + 1,
    )  # fmt: skip


def test_a_sound_one_lacks_nothing(host: Host) -> None:
    assert host.look() == {}


def test_one_without_any_of_these_lacks_nothing(tmp_path: Path) -> None:
    nowhere = tmp_path / "nowhere"
    assert Host(nowhere, nowhere, nowhere, nowhere, wall=lambda: TODAY).look() == {}


def test_the_machine_that_this_runs_on_can_be_looked_at(tmp_path: Path) -> None:
    assert set(Host(tmp_path).look()) <= {"under_voltage", "throttled", "clock", "disk"}


def test_a_supply_that_is_too_weak(host: Host) -> None:
    (host.hwmon / "hwmon1" / "in0_lcrit_alarm").write_text("1\n")
    assert list(host.look()) == ["under_voltage"]


@pytest.mark.parametrize(
    ("word", "slowed"),
    [("0", False), ("1", False), ("2", True), ("4", True), ("8", True), ("50000", False), ("50005", True),
     ("e0000", False), ("", False), ("no", False)],
)  # fmt: skip
def test_a_board_that_is_slowed_down(host: Host, word: str, slowed: bool) -> None:
    """Bits as Raspberry Pi's documentation of get_throttled has them: 0x50005 is under-voltage and throttled, now and before."""
    host.firmware.write_text(word + "\n")
    assert list(host.look()) == (["throttled"] if slowed else [])


def test_a_clock_that_was_never_set(host: Host) -> None:
    long_ago = replace(host, wall=lambda: datetime(1970, 1, 1, tzinfo=UTC))
    assert "it says 1970-01-01" in long_ago.look()["clock"]
    (host.timesync / "synchronized").unlink()
    assert "no time server was heard" in host.look()["clock"]
    assert replace(host, up_s=lambda: SETTLING_S - 1).look() == {}, "it has not had its time yet"
    host.timesync.rmdir()
    assert host.look() == {}, "another service sees to the time: nothing is known of it"


@pytest.mark.skipif(os.getuid() != 0, reason="only root may mount a small disk")
@pytest.mark.parametrize(("more", "full"), [(1 << 20, False), (-(1 << 20), True)])
def test_a_disk_that_is_nearly_full(host: Host, tmp_path: Path, more: int, full: bool) -> None:
    """On both sides of the level, on a disk of that size."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={LOW_BYTES + more}", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"no disk can be mounted here: {mounted.stderr.decode().strip()}")
    try:
        found = replace(host, folder=disk / "not" / "made" / "yet").look()
    finally:
        subprocess.run(["umount", str(disk)], check=True)
    assert list(found) == (["disk"] if full else [])


@pytest.mark.skipif(os.getuid() != 0, reason="only root may mount a disk")
def test_a_disk_that_has_become_read_only(host: Host, tmp_path: Path) -> None:
    """As Linux does with one that fails; what is written to a file that was open before may seem to be kept."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(disk)], capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip(f"no disk can be mounted here: {mounted.stderr.decode().strip()}")
    try:
        assert replace(host, folder=disk).look() == {}
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        assert "read-only" in replace(host, folder=disk).look()["disk"]
    finally:
        subprocess.run(["umount", str(disk)], check=True)


# ---- edges


def test_it_is_told_once_and_again_only_after_it_was_long_away() -> None:
    edges, low = Edges(), {"disk": "94 MiB are left"}
    assert edges.take(low, 0.0) == low
    assert edges.take({"disk": "93 MiB are left"}, 5.0) == {}
    assert edges.present == {"disk": "93 MiB are left"}, "as it is now"
    assert edges.take({}, 10.0) == {}
    assert edges.present == {}
    assert edges.take(low, 4.9 + AWAY_S) == {}, "it comes and goes"
    assert edges.take({}, 2 * AWAY_S) == {}
    assert edges.take(low, 4.9 + 2 * AWAY_S) == low


def test_each_is_told_for_itself() -> None:
    edges = Edges()
    assert edges.take({"disk": "a"}, 0.0) == {"disk": "a"}
    assert edges.take({"disk": "a", "clock": "b"}, 5.0) == {"clock": "b"}


def test_a_run_is_told_what_is_and_later_what_comes_though_others_were_told_it_lately() -> None:
    edges = Edges()
    edges.take({"under_voltage": "v", "disk": "d"}, 0.0)
    edges.take({"disk": "d"}, 5.0)
    assert edges.begin() == {"disk": "d"}
    assert edges.take({"under_voltage": "v", "disk": "d"}, 10.0) == {"under_voltage": "v"}


# ---- the watch


def watching(host: Host, told: list[tuple[str, str]]) -> HostWatch:
    return HostWatch(host, lambda alarm, text: told.append((alarm, threading.current_thread().name)))


async def test_what_comes_is_told_in_the_loop(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "EVERY_S", 0.01)
    told: list[tuple[str, str]] = []
    alarm = host.hwmon / "hwmon1" / "in0_lcrit_alarm"
    with watching(host, told) as watch:
        await asyncio.sleep(0.05)
        assert told == []
        alarm.write_text("1\n")
        await until(lambda: bool(told))
        await asyncio.sleep(0.05)
        assert watch.edges.present.keys() == {"under_voltage"}
        alarm.write_text("0\n")
        await until(lambda: not watch.edges.present)
    host.firmware.write_text("4\n")
    await asyncio.sleep(0.05)
    assert told == [("under_voltage", threading.main_thread().name)]


async def test_a_disk_that_hangs_holds_nobody_up(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the loop nor the end: whoever asked hangs alone."""
    asked, answers = threading.Event(), threading.Event()

    def hangs(folder: Path) -> os.statvfs_result:
        asked.set()
        answers.wait(10)
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(room.os, "statvfs", hangs)
    told: list[tuple[str, str]] = []
    loop = asyncio.get_running_loop()
    begun = loop.time()
    with watching(host, told):
        await until(asked.is_set)
    assert loop.time() - begun < 1
    answers.set()
    assert told == []


@pytest.mark.parametrize("fault", [ZeroDivisionError, OSError])
async def test_a_fault_in_looking_is_a_line_in_the_log(
    host: Host, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, fault: type[Exception]
) -> None:
    def fails() -> datetime:
        raise fault

    with watching(replace(host, wall=fails), []):
        await until(lambda: "cannot be looked at" in caplog.text)
