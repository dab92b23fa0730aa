"""Folders, as systemd.exec(5) and the XDG Base Directory Specification give them."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from banderole import places
from banderole.link.ports import is_stable, list_ports


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("RUNTIME_DIRECTORY", "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"):
        monkeypatch.delenv(name, raising=False)
    for name in ("XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("TMPDIR", str(tmp_path))


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_the_service_uses_what_systemd_gave_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", f"{tmp_path}/run:{tmp_path}/other")
    monkeypatch.setenv("STATE_DIRECTORY", f"{tmp_path}/state")
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", f"{tmp_path}/etc")
    assert places.socket_path("bench-a") == tmp_path / "run" / "bench-a.sock"
    assert places.state_folder("bench-a") == tmp_path / "state" / "bench-a"
    assert places.config_folders()[0] == tmp_path / "etc"


def test_the_user_has_xdg_folders_and_their_fallbacks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    home = tmp_path / "home"
    assert places.state_folder("a") == home / ".local/state/banderole/a"
    assert mode(places.state_folder("a")) == 0o700
    assert places.config_folders() == [Path("/etc/banderole"), home / ".config/banderole"]
    monkeypatch.setenv("XDG_STATE_HOME", "relative/is/invalid")
    assert places.state_folder("a") == home / ".local/state/banderole/a"
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "s"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "r"))
    assert places.state_folder("a") == tmp_path / "s/banderole/a"
    assert places.socket_path("a") == tmp_path / "r/banderole/a.sock"
    assert mode(tmp_path / "r/banderole") == 0o700


def test_without_a_run_folder_one_of_this_user_alone(tmp_path: Path) -> None:
    path = places.socket_path("a")
    assert path == tmp_path / f"banderole-{os.getuid()}" / "a.sock"
    assert mode(path.parent) == 0o700
    path.parent.chmod(0o755)
    with pytest.raises(places.PlaceError, match="0700"):
        places.socket_path("a")
    path.parent.rmdir()
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    path.parent.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(places.PlaceError, match="0700"):
        places.socket_path("a")


def test_clients_look_at_the_users_then_at_the_services(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert places.socket_candidates("a") == [tmp_path / "banderole/a.sock", Path("/run/banderole/a.sock")]


@pytest.mark.parametrize("name", ["", "../x", "A", "a/b", "a" * 33, "a\n", "ä"])
def test_a_name_is_never_a_path(name: str) -> None:
    with pytest.raises(places.PlaceError):
        places.socket_path(name)
    with pytest.raises(places.PlaceError):
        places.state_folder(name)
    assert places.find_printer_file(name) is None


def test_a_path_too_long_for_a_socket_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", f"{tmp_path}/{'x' * 90}")
    with pytest.raises(places.PlaceError, match="XDG_RUNTIME_DIR"):
        places.socket_path("a")


def test_printer_files_service_first(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert places.find_printer_file("bench-a") is None
    user = tmp_path / "home/.config/banderole"
    user.mkdir(parents=True)
    (user / "bench-a.toml").write_text("")
    assert places.find_printer_file("bench-a") == user / "bench-a.toml"
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/bench-a.toml").write_text("")
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path / "etc"))
    assert places.find_printer_file("bench-a") == tmp_path / "etc/bench-a.toml"


@pytest.mark.parametrize("module", ["banderole.places", "banderole.link.client", "banderole.link.latch"])
def test_control_commands_start_light(module: str) -> None:
    """What a control command imports: nothing that costs tens of milliseconds on a server and a second on a board."""
    heavy = {"asyncio", "pydantic", "typer", "serial", "aiomqtt", "rich", "logging", "tempfile", "ssl", "dataclasses"}
    code = f"import sys, {module}; print(*sys.modules)"
    seen = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert module in seen
    assert not heavy & set(seen)


def test_ports_go_by_their_stable_name(tmp_path: Path) -> None:
    device, other = tmp_path / "ttyX0", tmp_path / "ttyX1"
    for kind, name, target in [("by-id", "board-1", device), ("by-path", "socket-1", device), ("by-path", "s2", other)]:
        (tmp_path / kind).mkdir(exist_ok=True)
        target.touch()
        (tmp_path / kind / name).symlink_to(target)
    ours = [port for port in list_ports(tmp_path) if port.device.startswith(str(tmp_path))]
    assert [(port.name, port.device) for port in ours] == [
        (f"{tmp_path}/by-id/board-1", str(device)),
        (f"{tmp_path}/by-path/s2", str(other)),
    ]
    assert is_stable("/dev/serial/by-id/board-1")
    assert is_stable(str(tmp_path / "by-id/board-1"))
    assert not is_stable("/dev/ttyX0")


def test_the_group_of_the_service_may_read_its_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", f"{tmp_path}/service")
    assert mode(places.state_folder("a")) == 0o750
    assert places.state_folders() == [tmp_path / "service", places.SERVICE_STATE]


def test_a_state_folder_that_cannot_be_made_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("STATE_DIRECTORY", f"{tmp_path}/file")
    with pytest.raises(places.PlaceError, match="cannot be made"):
        places.state_folder("a")
