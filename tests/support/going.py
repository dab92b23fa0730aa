"""The real command as a process of its own, and a printer's name that answers beside it."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from banderole.link.local_socket import LocalServer

COMMAND = (sys.executable, "-m", "banderole.cli.main")


def environment(folder: Path, **more: str) -> dict[str, str]:
    """Folders of this test alone, and no terminal's wishes."""
    dropped = ("RUNTIME_DIRECTORY", "COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR", "BANDEROLE_DEBUG", "PYTHONSTARTUP")
    kept = {key: value for key, value in os.environ.items() if key not in dropped}
    return {
        **kept,
        "XDG_RUNTIME_DIR": str(folder),
        "XDG_STATE_HOME": str(folder),
        "XDG_CONFIG_HOME": str(folder),
        **more,
    }


def start(folder: Path, *arguments: str, **more: Any) -> subprocess.Popen[bytes]:
    """The command under way, its output in pipes."""
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL}
    extra = more.pop("env", {})
    return subprocess.Popen([*COMMAND, *arguments], env=environment(folder, **extra), **{**pipes, **more})


def command(folder: Path, *arguments: str, **more: Any) -> tuple[int, str, str]:
    """The command to its end: exit code, stdout, stderr."""
    process = start(folder, *arguments, **more)
    out, err = process.communicate(timeout=30)
    return process.returncode, (out or b"").decode(), (err or b"").decode()


class Going:
    """A run as the socket sees it: what it was asked, and what it answers."""

    def __init__(self, status: dict[str, Any], bands: list[dict[str, Any]] | None = None) -> None:
        self.status = status
        self.bands = bands or []
        self.asked: list[dict[str, Any]] = []
        self.refusals: dict[str, str] = {}
        self._server: LocalServer | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over: asyncio.Event | None = None
        self._thread: threading.Thread | None = None

    def handle(self, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        self.asked.append(request)
        reason = self.refusals.get(request["command"])
        if reason is not None:
            return {"accepted": False, "state": self.status["state"], "reason": reason, "exit": 3}
        return {"accepted": True, "state": self.status["state"], "reason": "will be done", "exit": 0}

    def tell(self, event: dict[str, Any]) -> None:
        """To every viewer; from any thread."""
        assert self._loop is not None
        assert self._server is not None
        self._loop.call_soon_threadsafe(self._server.broadcast, event)

    @property
    def viewers(self) -> int:
        assert self._server is not None
        return len(self._server._viewers())

    def end(self) -> None:
        """The run is over; whoever is connected is let go. From any thread; a second time does nothing."""
        if self._loop is not None and self._thread is not None and self._thread.is_alive():
            assert self._over is not None
            self._loop.call_soon_threadsafe(self._over.set)
            self._thread.join(5)

    @contextmanager
    def at(self, name: str) -> Iterator[Going]:
        """Answers at the socket of that name, in a thread with a loop of its own."""
        begun = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve(name, begun)), name=f"run of {name}")
        self._thread.start()
        try:
            assert begun.wait(5)
            yield self
        finally:
            self.end()

    async def _serve(self, name: str, begun: threading.Event) -> None:
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        self._server = LocalServer(name, self.handle, lambda: self.status, lambda: self.bands)
        await self._server.start()
        begun.set()
        await self._over.wait()
        await self._server.close()
