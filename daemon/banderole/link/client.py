"""The client's end of the local socket: plain blocking sockets, light imports.

`estop` typed in alarm must not wait for a library: this module adds a few milliseconds to a bare interpreter and
nothing else is needed to send a command. One JSON object a line goes there, one a line comes back; a `watch` goes on.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator

from banderole.places import PlaceError, socket_candidates

TYPE_CHECKING = False  # importing typing would cost as much as the rest of this module
if TYPE_CHECKING:
    from typing import Any

LINE_BYTES = 1 << 20  # a status with many bands is some 10 kB; a line past this is not from us


class NobodyThere(Exception):
    """Nobody answers a control command (exit 6): one line."""


def ask(name: str, request: dict[str, Any], timeout: float = 5.0, files: tuple[int, ...] = ()) -> dict[str, Any]:
    """Sends one request to printer `name` and gives the reply.

    `timeout` in seconds. `files` are descriptors that travel with it (a daemon opens no path that a client names).
    """
    with _connect(name, timeout) as link:
        try:
            _send(link, request, files)
            return next(_lines(link, name))
        except StopIteration:
            raise NobodyThere(f"{name}: closed the line without an answer; look at its log") from None
        except TimeoutError:
            raise NobodyThere(f"{name}: holds the socket but did not answer within {timeout:g} s") from None
        except OSError as why:
            raise NobodyThere(f"{name}: the line broke ({why})") from why


def watch(name: str, timeout: float = 5.0) -> Iterator[dict[str, Any]]:
    """{"status": …, "bands": […]} first, then {"event": …}, {"status": …}, {"bands": […]} as they come.

    Ends when the run or daemon ends.

    `timeout` in seconds is for the connection and the first line only.
    """
    with _connect(name, timeout) as link:
        try:
            _send(link, {"command": "watch"}, ())
            for line in _lines(link, name):
                link.settimeout(None)
                yield line
        except TimeoutError:
            raise NobodyThere(f"{name}: holds the socket but did not answer within {timeout:g} s") from None
        except OSError as why:
            raise NobodyThere(f"{name}: the line broke ({why})") from why


def _connect(name: str, timeout: float) -> socket.socket:
    """The first socket that somebody listens on."""
    tried = f"{name}: nobody answers"
    try:
        paths = socket_candidates(name)
    except PlaceError as why:
        raise NobodyThere(str(why)) from why
    for path in paths:
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.settimeout(timeout)
        try:
            link.connect(str(path))
        except OSError as why:
            link.close()
            if isinstance(why, PermissionError):
                tried = f"{path}: permission denied; add this user to the group that owns it, and log in again"
            continue
        return link
    if "permission" in tried:
        raise NobodyThere(tried)
    raise NobodyThere(f"{tried}; looked at {', '.join(map(str, paths))}; is a run or daemon of that name going?")


def _send(link: socket.socket, request: dict[str, Any], files: tuple[int, ...]) -> None:
    data = json.dumps(request).encode() + b"\n"
    try:
        if files:
            sent = socket.send_fds(link, [data], files)
            data = data[sent:]
        link.sendall(data)
    except BrokenPipeError:
        return  # turned away (too many clients): the reason stands in what was answered


def _lines(link: socket.socket, name: str) -> Iterator[dict[str, Any]]:
    kept = b""
    while data := link.recv(65536):
        *whole, kept = (kept + data).split(b"\n")
        for line in whole:
            answer = json.loads(line)
            if not isinstance(answer, dict):
                raise NobodyThere(f"{name}: something else answers on its socket")
            yield answer
        if len(kept) > LINE_BYTES:
            raise NobodyThere(f"{name}: answers with an endless line")
