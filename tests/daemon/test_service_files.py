"""The files for systemd: each line has its reason in the README, and the folders are those the program looks in."""

import configparser
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from banderole import places
from banderole.cli import journaling
from banderole.link import service
from banderole.run import make_safe

SYSTEMD = Path(__file__).parents[2] / "systemd"
README = (SYSTEMD / "README.md").read_text()
UNIT = (SYSTEMD / "banderole@.service").read_text()
RULES = (SYSTEMD / "70-banderole.rules").read_text()
LOOPBACK = (SYSTEMD / "loopback.conf").read_text()
FOLDERS = (SYSTEMD / "banderole.tmpfiles").read_text()


def lines(text: str) -> list[str]:
    """Without comments and blank lines."""
    return [line for line in text.splitlines() if line and not line.startswith("#")]


def reasons(heading: str) -> str:
    """The left column of the table under a heading."""
    section = README.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    return "\n".join(line.split("|")[1] for line in section.splitlines() if line.startswith("|"))


def named(column: str) -> set[str]:
    """What stands in code quotes, without its value."""
    return {re.split(r"[=+]", quoted)[0] for quoted in re.findall(r"`([^`]+)`", column)}


def test_each_setting_of_the_unit_has_its_reason_and_each_reason_its_setting() -> None:
    settings = {line.partition("=")[0] for line in lines(UNIT) if not line.startswith("[")}
    assert settings == named(reasons("banderole@.service"))


def test_each_setting_of_the_drop_in_has_its_reason_and_each_reason_its_setting() -> None:
    settings = {line.partition("=")[0] for line in lines(LOOPBACK) if not line.startswith("[")}
    assert settings == named(reasons("loopback.conf"))


def test_each_folder_has_its_reason_and_each_reason_its_folder() -> None:
    assert {line.split()[1] for line in lines(FOLDERS)} == named(reasons("banderole.tmpfiles"))


def test_each_part_of_the_rules_has_its_reason_and_each_reason_its_part() -> None:
    parts = {re.split(r"[=+]", part.strip())[0] for line in lines(RULES) for part in line.split(",")}
    assert parts == named(reasons("70-banderole.rules"))


def test_each_line_of_the_accounts_has_its_reason() -> None:
    accounts = lines((SYSTEMD / "banderole.sysusers").read_text())
    assert {line.split()[0] for line in accounts} == named(reasons("banderole.sysusers"))


def test_every_rule_names_a_device_by_a_name_that_a_printer_may_have() -> None:
    names = [found for line in lines(RULES) for found in re.findall(r'SYMLINK\+="banderole/([^"]*)"', line)]
    assert len(names) == len(lines(RULES))
    for name in names:
        places.checked_name(name)


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)  # DeviceAllow stands there twice
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(UNIT)
    return parser


def test_the_units_folders_are_where_clients_look(monkeypatch: pytest.MonkeyPatch) -> None:
    given = unit()["Service"]
    assert Path("/run", given["RuntimeDirectory"]) == places.SERVICE_RUN
    assert Path("/etc", given["ConfigurationDirectory"]) == places.SERVICE_CONFIG
    assert Path("/var/lib", given["StateDirectory"]) == places.SERVICE_STATE
    monkeypatch.setenv("RUNTIME_DIRECTORY", f"/run/{given['RuntimeDirectory']}")  # systemd.exec(5)
    assert places.socket_path("bench-a") == places.SERVICE_RUN / "bench-a.sock"


@pytest.mark.parametrize("key", ["ExecStart", "ExecStopPost"])
def test_the_unit_starts_a_command_that_there_is(key: str) -> None:
    program, *words = shlex.split(unit()["Service"][key].replace("%i", "bench-a"))
    assert Path(program).is_absolute()
    assert Path(program).name == "banderole"
    done = subprocess.run(
        [sys.executable, "-m", "banderole.cli.main", *words, "--help"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert f"Example: banderole {words[0]} " in done.stdout
    assert all(word in done.stdout for word in words if word.startswith("--"))


def test_a_unit_that_was_stopped_in_a_run_has_done_what_was_asked_and_is_not_started_again() -> None:
    given = unit()["Service"]
    assert given["SuccessExitStatus"] == "4"  # stopped or aborted by a person or a signal
    assert given["Restart"] == "on-failure"


def test_the_unit_leaves_time_to_make_safe() -> None:
    """All rungs together take 60 s at most, says the architecture; a unit that kills before leaves the printer hot."""
    assert int(unit()["Service"]["TimeoutStopSec"]) > make_safe.LADDER_S


def test_the_watchdog_waits_longer_than_anything_of_ours_holds_the_loop_up() -> None:
    """The end of a run waits for a stalled disk, in the loop; then a round and a look pass before it is fed."""
    longest = journaling.LAST_MARK_S + service.ROUND_S + service.LOOK_S
    assert int(unit()["Service"]["WatchdogSec"]) > longest + 5
    assert int(unit()["Service"]["TimeoutStartSec"]) >= int(unit()["Service"]["WatchdogSec"])


def test_the_driver_of_each_class_of_devices_is_loaded_before() -> None:
    """systemd.resource-control(5), DeviceAllow=: a class that is not there when the unit starts is not allowed later."""
    drivers = {"char-ttyUSB": "usbserial", "char-ttyACM": "cdc_acm"}  # Linux, Documentation/usb/usb-serial.rst, acm.rst
    allowed = {line.partition("=")[2].split()[0] for line in lines(UNIT) if line.startswith("DeviceAllow=")}
    assert allowed == drivers.keys()
    for key in ("Wants", "After"):
        assert {f"modprobe@{drivers[one]}.service" for one in allowed} <= set(unit()["Unit"][key].split())


def test_the_start_limit_is_not_outrun_by_a_daemon_that_hangs_each_time() -> None:
    """Ten that hang must fall into one interval, or it would go on for ever (systemd.unit(5), StartLimitIntervalSec=)."""
    start, each = unit()["Unit"], unit()["Service"]
    one = int(each["WatchdogSec"]) + int(each["TimeoutAbortSec"]) + int(each["RestartSec"])
    assert int(start["StartLimitBurst"]) * one < int(start["StartLimitIntervalSec"])
