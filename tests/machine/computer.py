"""An emulated small computer: Debian, systemd as PID 1, and a USB serial device whose other end is a socket here.

    with Computer(folder, image, "amd64") as computer:
        computer.agent()
        computer.sh("ls -l /dev/serial/by-id")

Connecting to the socket `printer` puts the cable in, closing pulls it out (see printer.py). `cut_power` is SIGKILL to the
emulator: what was not synced is lost. `save` keeps the whole running machine in its disk; `Computer(…, saved=True)` goes
on from there, its clock standing where it was, as on a board without a clock.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Final

SNAPSHOT: Final = "saved"
BOOT_S: Final = 900.0
"""85 to 151 s were seen, and more than 300 s where other work wanted the two cores too."""
KINDS: Final = {
    "amd64": (("qemu-system-x86_64", "-M", "q35", "-cpu", "qemu64"), "ttyS0"),
    "arm64": (("qemu-system-aarch64", "-M", "virt", "-cpu", "cortex-a72"), "ttyAMA0"),
}
"""Emulator and console. A Cortex-A72 is what is on a common small board; emulated without KVM, which CI has not."""
PROGRAMS: Final = {
    "amd64": {"qemu-system-x86_64": "qemu-system-x86", "qemu-img": "qemu-utils", "mmdebstrap": "mmdebstrap"},
    "arm64": {
        "qemu-system-aarch64": "qemu-system-arm",
        "qemu-img": "qemu-utils",
        "mmdebstrap": "mmdebstrap",
        "qemu-aarch64-static": "qemu-user-static",  # sets up a tree of another architecture
    },
}
"""What must be here, and Debian's packages that bring it."""
DEVICE: Final = {"driver": "usb-serial", "bus": "xhci.0"}
BY_ID: Final = "/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_BENCH0001-if00-port0"
BROKER_PORT: Final = 1883


class Line:
    """A unix socket on which lines go."""

    def __init__(self, path: Path, wait_s: float = 60.0) -> None:
        end = time.monotonic() + wait_s
        while True:
            self._socket = socket.socket(socket.AF_UNIX)
            try:
                self._socket.connect(str(path))
                break
            except OSError:
                self._socket.close()
                if time.monotonic() > end:
                    raise
                time.sleep(0.02)
        self._waiting = b""

    def read(self, timeout_s: float) -> dict[str, Any]:
        end = time.monotonic() + timeout_s
        while b"\n" not in self._waiting:
            self._socket.settimeout(max(0.001, end - time.monotonic()))
            data = self._socket.recv(65536)
            if not data:
                raise EOFError("the emulator has gone")
            self._waiting += data
        line, self._waiting = self._waiting.split(b"\n", 1)
        read: dict[str, Any] = json.loads(line)
        return read

    def write(self, what: dict[str, Any]) -> None:
        self._socket.sendall(json.dumps(what).encode() + b"\n")

    def close(self) -> None:
        self._socket.close()


class Computer:
    """One at a time on two cores. Its files lie in `folder`; the machine can mount `folder/share`, read only."""

    def __init__(
        self, folder: Path, disk: Path, image: Path, arch: str, *, broker_port: int, saved: bool = False
    ) -> None:
        self.folder = folder
        self._saved = saved
        self._agent: Line | None = None
        self._lines: list[Line] = []
        self.path("share").mkdir(exist_ok=True)
        for name in ("control", "agent", "printer", "stranger"):
            self.path(name).unlink(missing_ok=True)
        words = self._words(disk, image, arch, broker_port)
        with self.path("emulator.err").open("wb") as errors:
            self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stderr=errors)
        try:
            self._control = self._line("control")
        except OSError:
            self.cut_power()
            raise RuntimeError(f"the emulator does not start: {self.path('emulator.err').read_text()}") from None
        self._control.read(60.0)
        self._ask("qmp_capabilities")

    def _words(self, disk: Path, image: Path, arch: str, broker_port: int) -> list[str]:
        """The same devices each time: a saved state wants those it was saved with."""
        emulator, console = KINDS[arch]
        return [
            *emulator, "-accel", "tcg,thread=multi", "-smp", "2", "-m", "1024",
            "-display", "none", "-nodefaults", "-no-reboot", "-serial", f"file:{self.path('console')}",
            "-kernel", f"{image}/vmlinuz", "-initrd", f"{image}/initrd",
            "-append", f"root=LABEL=root rw console={console} panic=-1 audit=0",
            "-drive", f"if=none,id=disk,format=qcow2,file={disk},cache=writeback", "-device", "virtio-blk-pci,drive=disk",
            "-device", "virtio-rng-pci",
            "-netdev", f"user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:{broker_port}-:{BROKER_PORT}",
            "-device", "virtio-net-pci,netdev=net,romfile=",
            "-device", "virtio-serial-pci", *self._listening("agent"), "-device", "virtserialport,chardev=agent,name=machine",
            "-qmp", f"unix:{self.path('control')},server=on,wait=off",
            "-device", "qemu-xhci,id=xhci", *self._listening("printer"), *self._listening("stranger"),
            "-virtfs", f"local,path={self.path('share')},mount_tag=share,security_model=none,readonly=on",
            *(("-loadvm", SNAPSHOT) if self._saved else ()),
        ]  # fmt: skip

    def _listening(self, name: str) -> tuple[str, str]:
        return "-chardev", f"socket,id={name},path={self.path(name)},server=on,wait=off"

    def __enter__(self) -> Computer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.cut_power()

    def path(self, name: str) -> Path:
        return self.folder / name

    # --- inside
    def agent(self) -> Computer:
        """Until commands can be given in the machine."""
        self._agent = self._line("agent")
        if not self._saved:
            self._agent.read(BOOT_S)  # its first words
        return self

    def sh(self, command: str, timeout_s: float = 300.0) -> tuple[int, str]:
        """Exit status and output of a shell command, as root in the machine."""
        assert self._agent is not None
        self._agent.write({"cmd": command, "timeout": timeout_s})
        answer = self._agent.read(timeout_s + 30.0)
        return int(answer["rc"]), str(answer["out"])

    def must(self, command: str, timeout_s: float = 300.0) -> str:
        """The output of a command that has to succeed."""
        code, out = self.sh(command, timeout_s)
        assert code == 0, f"{command}\nin the machine: exit {code}: {out}"
        return out

    # --- outside
    def add_device(self, name: str, serial: str, port: int) -> None:
        """A USB serial device whose cable is the socket `name`; there for the machine while somebody is connected."""
        self._ask("device_add", **DEVICE, chardev=name, id=name, serial=serial, port=str(port))

    def save(self) -> None:
        """Cables out and shared folder unmounted before."""
        said = self._ask("human-monitor-command", **{"command-line": f"savevm {SNAPSHOT}"})
        assert not said, said

    def cut_power(self) -> None:
        self.process.kill()
        self.process.wait()
        for line in self._lines:
            line.close()

    def _line(self, name: str) -> Line:
        line = Line(self.path(name))
        self._lines.append(line)
        return line

    def _ask(self, command: str, **arguments: Any) -> Any:
        self._control.write({"execute": command, "arguments": arguments})
        while True:
            answer = self._control.read(120.0)
            if "error" in answer:
                raise RuntimeError(f"{command}: {answer['error']}")
            if "return" in answer:
                return answer["return"]


def missing(arch: str) -> list[str]:
    """Debian's packages without which it cannot be done here."""
    return [package for program, package in PROGRAMS[arch].items() if shutil.which(program) is None]


def overlay(disk: Path, image: Path) -> None:
    """An empty disk over that of the image, which is never written to."""
    subprocess.run(
        ["qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", image / "disk.ext4", disk], check=True
    )
