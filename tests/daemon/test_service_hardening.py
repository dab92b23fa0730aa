"""What the service manager itself says of the unit: is it sound, and how far is it closed (systemd-analyze(1))?"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNIT = "banderole@.service"
ON_THE_LAN = 1.5
"""Exposure, of 10, with a broker on the local network; …"""
LOOPBACK = 1.1
"""… and with one on this machine, or none."""

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not here: the unit is not looked at"
)


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", "--no-pager", *words], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a program that is there."""
    text = (SYSTEMD / UNIT).read_text().replace("/opt/banderole/bin/banderole", "/bin/true")
    (tmp_path / UNIT).write_text(text)
    return tmp_path / UNIT


@pytest.fixture
def loopback(unit: Path) -> Path:
    add_loopback(unit)
    return unit


def add_loopback(unit: Path) -> None:
    (unit.parent / f"{UNIT}.d").mkdir()
    (unit.parent / f"{UNIT}.d" / "loopback.conf").write_text((SYSTEMD / "loopback.conf").read_text())


def exposure(unit: Path) -> float:
    said = analyze("security", "--offline=true", str(unit)).stdout
    return float(said.rpartition("Overall exposure level for")[2].partition(": ")[2].split()[0])


def exposed(unit: Path) -> set[str]:
    found = json.loads(analyze("security", "--offline=true", "--json=short", str(unit)).stdout)
    return {one["name"].rstrip("=") for one in found if one["exposure"] is not None}


@pytest.mark.parametrize("drop_in", [False, True])
def test_the_manager_finds_nothing_to_say_against_the_unit(unit: Path, drop_in: bool) -> None:
    if drop_in:
        add_loopback(unit)
    instance = unit.with_name("banderole@bench-a.service")
    instance.symlink_to(unit)
    for one in (unit, instance):
        said = analyze("verify", str(one))
        assert (said.returncode, said.stdout, said.stderr) == (0, "", "")


def test_the_manager_would_have_found_it(unit: Path) -> None:
    unit.write_text(unit.read_text().replace("ProtectClock=yes", "ProtectClocks=yes"))
    assert "ProtectClocks" in analyze("verify", str(unit)).stderr


def test_with_a_broker_on_the_network_it_is_closed_so_far(unit: Path) -> None:
    assert exposure(unit) <= ON_THE_LAN


def test_with_a_broker_on_this_machine_it_is_closed_further(loopback: Path) -> None:
    assert exposure(loopback) <= LOOPBACK


def test_what_stays_open_is_what_it_works_with(unit: Path, loopback: Path) -> None:
    """The serial port, the broker, the local socket, the group that reads its records. Nothing else, of 80 settings."""
    works_with = {
        "PrivateDevices",
        "DeviceAllow",
        "PrivateNetwork",
        "IPAddressDeny",
        "UMask",
        "RootDirectory=/RootImage",
    }
    works_with |= {"RestrictAddressFamilies=~AF_UNIX", "RestrictAddressFamilies=~AF_(INET|INET6)"}
    assert exposed(loopback) == works_with
