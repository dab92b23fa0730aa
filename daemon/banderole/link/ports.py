"""Which serial devices are there, by a name that stays: /dev/serial/by-id, or by-path where a board has no serial."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

_FOLDERS = ("by-id", "by-path")  # in order of preference: by-id follows the board to another socket


@dataclass(frozen=True, slots=True)
class PortFound:
    """One device. `name` is what a printer file should hold; `stable` says whether it survives replugging."""

    name: str
    device: str
    description: str
    stable: bool


def list_ports(links: Path = Path("/dev/serial")) -> list[PortFound]:
    """Every serial device now plugged in, sorted by name; opens none of them."""
    from serial.tools.list_ports import comports

    described = {info.device: info.description or "" for info in comports()}
    named = _stable_names(links)
    found = [
        PortFound(named.get(device, device), device, _described(described.get(device, "")), device in named)
        for device in {**described, **named}
    ]
    return sorted(found, key=lambda port: port.name)


def _stable_names(links: Path) -> dict[str, str]:
    """Device → its best link."""
    names: dict[str, str] = {}
    for kind in _FOLDERS:
        folder = links / kind
        if not folder.is_dir():
            continue
        for link in sorted(folder.iterdir()):
            names.setdefault(os.path.realpath(link), str(link))
    return names


def _described(text: str) -> str:
    return "" if text in ("", "n/a") else text


def is_stable(name: str) -> bool:
    """Whether a port's name follows the board: a link by id or path, or one of the owner's own (a udev rule)."""
    path = Path(name)
    return path.parent.name in _FOLDERS or path.is_symlink()
