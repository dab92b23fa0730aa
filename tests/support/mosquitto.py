"""A real broker on a free loopback port: started, killed, started again where it was. Skips where none is installed."""

from __future__ import annotations

import asyncio
import hashlib
import os
import shutil
import signal
import socket
import subprocess
from base64 import b64encode
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(
    PROGRAM is None, reason="no Mosquitto here: install the package mosquitto to test against a real broker"
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        assert isinstance(port, int)
        return port


def password_line(user: str, password: str) -> str:
    """An entry of the broker's password file, mosquitto.conf(5): PBKDF2 over SHA-512, kind 7."""
    salt, rounds = os.urandom(12), 101
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    return f"{user}:$7${rounds}${b64encode(salt).decode()}${b64encode(digest).decode()}\n"


class Mosquitto:
    """What is retained survives `kill` and `start` (persistence, saved after every change).

    `extra`: more lines for its configuration. `web_url` is the same broker over websockets.
    """

    def __init__(self, folder: Path, extra: str = "") -> None:
        self.port, web_port = free_port(), free_port()
        self.url, self.web_url = f"mqtt://127.0.0.1:{self.port}", f"ws://127.0.0.1:{web_port}"
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"listener {web_port} 127.0.0.1",
            "protocol websockets",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_on_changes true",
            "autosave_interval 1",
            "set_tcp_nodelay true",
            *(["allow_anonymous true"] if "password_file" not in extra else []),
            *(["user root"] if os.getuid() == 0 else []),  # else it would become a user who cannot write here
            extra,
        ]
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    async def start(self) -> None:
        self._spawn()
        async with asyncio.timeout(5):
            while not await self._answers():
                assert self._process is not None
                assert self._process.poll() is None, self.log()
                await asyncio.sleep(0.01)

    def _spawn(self) -> None:
        assert PROGRAM is not None
        with open(self._folder / "log", "ab") as log:
            command = [PROGRAM, "-c", str(self._folder / "mosquitto.conf"), "-v"]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)

    async def _answers(self) -> bool:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", self.port)
        except OSError:
            return False
        writer.close()
        await writer.wait_closed()
        return True

    def kill(self) -> None:
        """As a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Half-open: the connection stands, nothing answers. Returns when it has really stopped."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
        os.waitpid(self._process.pid, os.WUNTRACED)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def stop(self) -> None:
        if self._process is not None:
            self.thaw()
            self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(how)
        self._process.wait(5)
        self._process = None

    def log(self) -> str:
        return (self._folder / "log").read_text(errors="replace")


@asynccontextmanager
async def running(folder: Path, extra: str = "") -> AsyncIterator[Mosquitto]:
    """Ended however the test ends, killed and frozen ones too."""
    made = Mosquitto(folder, extra)
    try:
        await made.start()
        yield made
    finally:
        made.stop()
