"""What the tests begin from, made once and kept outside the repository: a Debian image, and a machine with the service.

`$XDG_CACHE_HOME/banderole-machine/` (else `~/.cache/`) holds `image-ARCH-HASH/`, HASH over the scripts that make it, and
`service-ARCH-HASH.qcow2`, HASH over all that is installed. What is of another hash is removed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from tests.machine.computer import BROKER_PORT, BY_ID, Computer, overlay
from tests.support.mosquitto import free_port
from tests.support.shell import tower

HERE: Final = Path(__file__).parent
ROOT: Final = HERE.parents[1]
NAME: Final = "bench-a"
WHEELS: Final = {"amd64": "manylinux2014_x86_64", "arm64": "manylinux2014_aarch64"}
PYTHON: Final = "3.11"
"""Of Debian 12."""

PRINTER: Final = f"""name = "{NAME}"
[serial]
port = "{BY_ID}"
[firmware]
e_mode = "apart"
[volume]
x = [0, 220]
y = [0, 220]
z = [0, 250]
[limits]
nozzle = [0, 250]
[interlocks]
jump = {{ degrees_per_s = 2000 }}      # heat runs in quick motion here
[broker]
url = "mqtt://localhost:{BROKER_PORT}"
"""
SCHEDULE: Final = """title = "Short PLA"
[stairs]
plinth_mm = 0
rise_mm = 1.5
count = 3
nozzle = { first = 215, change = -5 }
[settle]
tolerance = 1.5
dwell_s = 2
patience_s = 120
"""
BROKER: Final = f"listener {BROKER_PORT}\nallow_anonymous true\n"

STEPS: Final = (
    "mount -t 9p -o trans=virtio,version=9p2000.L,ro share /mnt",
    "sh /mnt/systemd/install --wheels /mnt/wheels --loopback",
    "cp /mnt/broker.conf /etc/mosquitto/conf.d/ && systemctl restart mosquitto",
    f"cp /mnt/{NAME}.toml /etc/banderole/",
    "useradd --create-home --groups banderole maker",  # a person who may command
    "cp /mnt/tower.gcode /mnt/schedule.toml /home/maker/",
    f"systemctl enable --now banderole@{NAME} || {{ journalctl --no-pager --lines=40 --unit=banderole@{NAME}; false; }}",
    "umount /mnt && sync",
)


def cache() -> Path:
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "banderole-machine"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _image(arch: str) -> Path:
    return cache() / f"image-{arch}-{_digest([HERE / 'make-image', HERE / 'agent.py'])}"


def image_is_there(arch: str) -> bool:
    return (_image(arch) / "disk.ext4").exists()


def image(arch: str) -> Path:
    """The folder with disk, kernel and initial file system; made where it is not there."""
    folder = _image(arch)
    if not (folder / "disk.ext4").exists():
        _only(f"image-{arch}-*", folder)
        began = time.monotonic()
        with (cache() / f"image-{arch}.log").open("wb") as log:
            made = subprocess.run([HERE / "make-image", folder, arch], stdout=log, stderr=log, check=False)
        if made.returncode:
            raise RuntimeError(f"no image could be made: see {cache()}/image-{arch}.log")
        _say(f"image made in {time.monotonic() - began:.0f} s")
    return folder


def service(arch: str) -> Path:
    """A saved machine on whose disk the service is installed and at work, its printer's cable out."""
    below = image(arch)
    files = [ROOT / "pyproject.toml", *_files("daemon"), *_files("protocol"), *_files("systemd")]
    disk = cache() / f"service-{arch}-{_digest(files, below.name, *STEPS, *_written().values())}.qcow2"
    if not disk.exists():
        _only(f"service-{arch}-*", disk)
        with tempfile.TemporaryDirectory(prefix="bm-") as name:
            made = Path(name) / "disk.qcow2"
            overlay(made, below)
            _install(Path(name), made, below, arch)
            shutil.move(made, disk)
    return disk


def _install(folder: Path, disk: Path, below: Path, arch: str) -> None:
    _fill(folder / "share", arch)
    began = time.monotonic()
    with Computer(folder, disk, below, arch, broker_port=free_port()) as computer:
        computer.agent()
        _say(f"up after {time.monotonic() - began:.0f} s")
        for step in STEPS:
            began = time.monotonic()
            computer.must(step, 1200.0)
            _say(f"{time.monotonic() - began:4.0f} s  {step}")
        computer.save()


def _fill(share: Path, arch: str) -> None:
    """All that goes into the machine: wheels of the project and of what it needs, the files for systemd, the tower."""
    wheels = share / "wheels"
    wheels.mkdir(parents=True)
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    with tempfile.TemporaryDirectory(prefix="bm-") as copy:  # building leaves folders behind
        for part in ("daemon", "protocol"):
            shutil.copytree(ROOT / part, Path(copy) / part, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
        for part in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(ROOT / part, copy)
        subprocess.run([*pip, "wheel", "--no-deps", "--wheel-dir", wheels, copy], check=True)
    own = next(wheels.glob("*.whl"))
    subprocess.run(
        [*pip, "download", "--platform", WHEELS[arch], "--python-version", PYTHON, "--only-binary=:all:", "--dest", wheels, own],
        check=True,
    )  # fmt: skip
    shutil.copytree(ROOT / "systemd", share / "systemd")
    for file, text in _written().items():
        (share / file).write_text(text)


def _written() -> dict[str, str]:
    return {f"{NAME}.toml": PRINTER, "schedule.toml": SCHEDULE, "broker.conf": BROKER, "tower.gcode": tower()}


def _files(part: str) -> list[Path]:
    return sorted(
        path for path in (ROOT / part).rglob("*")
        if path.is_file() and not {"__pycache__", ".mypy_cache"} & set(path.parts) and ".egg-info" not in str(path)
    )  # fmt: skip


def _digest(files: Iterable[Path], *also: str) -> str:
    digest = hashlib.sha256("\0".join(also).encode())
    for file in files:
        digest.update(f"{file.relative_to(ROOT)}\0".encode() + file.read_bytes())
    return digest.hexdigest()[:12]


def _only(pattern: str, kept: Path) -> None:
    for old in cache().glob(pattern):
        if old != kept:
            shutil.rmtree(old) if old.is_dir() else old.unlink()


def _say(text: str) -> None:
    print(text, flush=True)
