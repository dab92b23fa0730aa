"""The local socket: JSON lines over a Unix socket in the run folder, for control commands and viewers.

Who is on the other end is told by the kernel (SO_PEERCRED, unix(7)), not by the client. A viewer that reads too
slowly loses old statuses first; if its unread events outgrow their bound it is dropped. Nothing here ever waits.
"""

from __future__ import annotations

import asyncio
import fcntl
import json
import logging
import os
import socket
import struct
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from banderole.link.encoding import to_json
from banderole.link.service import Beat, unheard
from banderole.link.watcher_queue import WatcherQueue
from banderole.places import socket_path

log = logging.getLogger("banderole.local")

Answer = dict[str, Any] | Coroutine[Any, Any, dict[str, Any]]
"""At once, or when it is there: of what takes its time. What comes later is given up when its client goes."""
Handler = Callable[[dict[str, Any], dict[str, Any]], Answer]

REQUEST_BYTES = 16384  # a request is some 100 bytes; `start` with its answers is below 2 kB
CLIENTS = 64  # more than anybody opens by hand; each costs a descriptor and at most its queue
FILES = 8  # descriptors with one request: `start` passes two or three
STATUS_S = 1.0  # viewers get a status at least this often, and with every event; as often as the broker
_SOCKET_MODE = 0o660


class NameInUse(OSError):
    """Another run or daemon of that name is going: one line."""


class LocalServer:
    """Listens for one printer's name. `handler` and `status` are called in the loop and must return at once.

    A handler may give a coroutine instead of an answer: the client gets what it returns, and it is cancelled where the
    client goes before that, or the server closes.

    `handler` gets (request, who): who = {"via": "local", "uid": 1000, "pid": 4711, "files": [9, 10]}. The descriptors
    in `files` are closed when it returns: it duplicates what it keeps. `bands` gives the schedule with what each band
    has got so far; viewers get it first and after each `publish_bands`. `beat` is called once a second.
    """

    def __init__(
        self,
        name: str,
        handler: Handler,
        status: Callable[[], dict[str, Any]],
        bands: Callable[[], list[dict[str, Any]]] = list,
        beat: Beat = unheard,
    ) -> None:
        self.name = name
        self._handler = handler
        self._status = status
        self._bands = bands
        self._beat = beat
        self._clients: set[_Client] = set()
        self._listener: socket.socket | None = None
        self._lock = -1
        self._path = Path()
        self._timer: asyncio.TimerHandle | None = None

    async def start(self) -> None:
        """Raises NameInUse, or PlaceError where there is no folder to listen in."""
        self._path = socket_path(self.name)
        self._lock = _claim(self._path.with_suffix(".lock"), self.name)
        self._path.unlink(missing_ok=True)  # we hold the lock: whoever left this is dead
        self._listener = _listen(self._path)
        loop = asyncio.get_running_loop()
        loop.add_reader(self._listener.fileno(), self._accept)
        self._timer = loop.call_later(STATUS_S, self._tick)

    def broadcast(self, event: dict[str, Any]) -> None:
        """To every viewer: the event, and the status after it. Returns at once."""
        watching = self._viewers()
        if not watching:
            return
        line = _line({"event": event})
        status = _line({"status": self._status()})
        for client in watching:
            client.queue.event(line)
            client.queue.status(status)
            client.push()

    def publish_bands(self, bands: list[dict[str, Any]]) -> None:
        """To every viewer. Returns at once."""
        watching = self._viewers()
        if watching:
            line = _line({"bands": bands})
            for client in watching:
                client.queue.bands(line)
                client.push()

    def _viewers(self) -> list[_Client]:
        """A copy: pushing may drop one."""
        return [client for client in self._clients if client.watching]

    async def close(self) -> None:
        """Gives what is queued one chance to go out, then lets everybody go and frees the name."""
        if self._timer is not None:
            self._timer.cancel()
        if self._listener is not None:
            asyncio.get_running_loop().remove_reader(self._listener.fileno())
            self._listener.close()
            self._listener = None
            self._path.unlink(missing_ok=True)
        pending = [task for client in self._clients for task in client.pending]
        for client in list(self._clients):
            client.push()
            client.drop()
        await asyncio.gather(*pending, return_exceptions=True)
        if self._lock >= 0:
            os.close(self._lock)  # the lock file stays: removing it would let two claim the name at once
            self._lock = -1

    def _tick(self) -> None:
        self._timer = asyncio.get_running_loop().call_later(STATUS_S, self._tick)
        watching = self._viewers()
        if watching:
            line = _line({"status": self._status()})
            for client in watching:
                client.queue.status(line)
                client.push()
        self._beat()

    def _accept(self) -> None:
        assert self._listener is not None
        try:
            link, _ = self._listener.accept()
        except OSError as why:  # gone again, or out of descriptors: the run goes on without this client
            log.warning("%s: a client could not be taken: %s", self._path, why)
            return
        link.setblocking(False)
        client = _Client(link, self)
        if len(self._clients) >= CLIENTS:
            client.queue.event(_line(_refusal(f"{CLIENTS} clients are connected already; close one")))
            client.push()
            client.drop()
            return
        self._clients.add(client)
        asyncio.get_running_loop().add_reader(link.fileno(), client.readable)

    def forget(self, client: _Client) -> None:
        self._clients.discard(client)

    def answer(self, client: _Client, line: bytes, files: list[int]) -> None:
        """One request line, one answer line (a viewer gets the status as its first)."""
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            request = None
        if not isinstance(request, dict) or not isinstance(request.get("command"), str):
            client.refuse('not understood: one JSON object a line with a "command"')
            return
        match request["command"]:
            case "watch":
                client.watching = True
                client.queue.status(_line({"status": self._status(), "bands": self._bands()}))
            case "status":
                client.queue.event(_line({"status": self._status(), "bands": self._bands()}))
            case _:
                answer = self._handled(request, {**client.who, "files": files})
                if isinstance(answer, dict):
                    client.queue.event(_line(answer))
                else:
                    client.later(answer, request["command"])

    def _handled(self, request: dict[str, Any], who: dict[str, Any]) -> Answer:
        try:
            return self._handler(request, who)
        except Exception as why:  # a fault of ours in one command must not take the socket, or the run, with it
            return _fault(request["command"], why)


class _Client:
    """One connection: its unfinished request, the descriptors that came with it, what it has not read yet."""

    def __init__(self, link: socket.socket, server: LocalServer) -> None:
        pid, uid, _ = struct.unpack("3i", link.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
        self.who: dict[str, Any] = {"via": "local", "uid": uid, "pid": pid}
        self.queue = WatcherQueue()
        self.watching = False
        self._link = link
        self._server = server
        self._kept = b""
        self._files: list[int] = []
        self._writing = False
        self._last = False
        self.pending: set[asyncio.Task[dict[str, Any]]] = set()

    def readable(self) -> None:
        try:
            data, files, _, _ = socket.recv_fds(self._link, REQUEST_BYTES, FILES, socket.MSG_CMSG_CLOEXEC)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            self.drop()  # the peer is gone: nothing is left to tell it
            return
        self._files += files
        if not data:
            self.drop()
            return
        self._take(data)
        self.push()

    def _take(self, data: bytes) -> None:
        *lines, self._kept = (self._kept + data).split(b"\n")
        if len(self._kept) > REQUEST_BYTES or len(self._files) > FILES:
            self.refuse(f"a request is one line of at most {REQUEST_BYTES} bytes with at most {FILES} files")
            return
        for line in lines:
            if line.strip() and not self._last:
                self._server.answer(self, line, list(self._files))
                self._close_files()

    def later(self, answer: Coroutine[Any, Any, dict[str, Any]], command: str) -> None:
        """An answer that takes its time; others may come before it, so it names its command."""
        task = asyncio.get_running_loop().create_task(answer, name=f"answer to {command}")
        self.pending.add(task)
        task.add_done_callback(lambda done: self._answered(done, command))

    def _answered(self, task: asyncio.Task[dict[str, Any]], command: str) -> None:
        self.pending.discard(task)
        if task.cancelled():
            return
        why = task.exception()  # as in LocalServer._handled
        self.queue.event(_line({"command": command, **(task.result() if why is None else _fault(command, why))}))
        self.push()

    def refuse(self, reason: str) -> None:
        """One clear refusal, then the line is closed: what follows garbage is garbage."""
        self.queue.event(_line(_refusal(reason)))
        self._last = True

    def push(self) -> None:
        """Sends what the peer takes now; drops a peer that has let too much pile up."""
        if self._link.fileno() < 0:
            return
        if self.queue.overgrown:
            log.info("a viewer (uid %s, pid %s) reads too slowly and is dropped", self.who["uid"], self.who["pid"])
            self.drop()
            return
        try:
            while data := self.queue.head():
                self.queue.sent(self._link.send(data, socket.MSG_NOSIGNAL))
        except (BlockingIOError, InterruptedError):
            self._want_writer(True)
            return
        except OSError:
            self.drop()
            return
        self._want_writer(False)
        if self._last:
            self.drop()

    def _want_writer(self, wanted: bool) -> None:
        if wanted == self._writing:
            return
        self._writing = wanted
        loop = asyncio.get_running_loop()
        if wanted:
            loop.add_writer(self._link.fileno(), self.push)
        else:
            loop.remove_writer(self._link.fileno())

    def drop(self) -> None:
        if self._link.fileno() < 0:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._link.fileno())
        loop.remove_writer(self._link.fileno())
        self._link.close()
        self._close_files()
        for task in self.pending:
            task.cancel()
        self._server.forget(self)

    def _close_files(self) -> None:
        while self._files:
            os.close(self._files.pop())


def _claim(path: Path, name: str) -> int:
    """A lock that the kernel drops however its holder dies: it tells a stale socket from a live one without a race."""
    lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as why:
        os.close(lock)
        raise NameInUse(
            f"{name}: a run or daemon of that name is going already; `banderole status --to {name}`"
        ) from why
    return lock


def _listen(path: Path) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o777 & ~_SOCKET_MODE)  # never for a moment wider than meant
    try:
        listener.bind(str(path))
    finally:
        os.umask(before)
    listener.listen(16)  # connections not yet taken: the loop takes them within milliseconds
    listener.setblocking(False)
    return listener


def _line(answer: dict[str, Any]) -> bytes:
    return to_json(answer) + b"\n"


def _fault(command: str, why: BaseException) -> dict[str, Any]:
    log.error("command %r failed", command, exc_info=why)
    return {"accepted": False, "reason": "a fault of ours: see the log", "exit": 70}


def _refusal(reason: str) -> dict[str, Any]:
    return {"accepted": False, "reason": reason, "exit": 2}
