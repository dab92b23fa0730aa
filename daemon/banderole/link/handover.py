"""A run handed over: its files come as open descriptors, and a copy of our own is kept until the run is over.

The daemon opens no path that a client names: it could read what the client may not, and a name may mean another file a
moment later. A descriptor (SCM_RIGHTS, unix(7)) is proof that the client could read. It is looked at as a stranger's
is: a regular file, open for reading, bounded by the room on the disk, and read from its start, wherever it stands.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
import stat
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from banderole.places import state_folder
from banderole.plan.refusal import LARGEST_BYTES, InputError

log = logging.getLogger("banderole.handover")

FOLDER: Final = "handed-over"
KEEP_FREE_BYTES: Final = 64 << 20
"""What a copy leaves free on the disk: the journal of eight hours at its 8 MB/h, and the marks."""
CHUNK_BYTES: Final = 1 << 18
"""One read, as when the file is streamed: constant memory, whatever its size."""
NAME_CHARS: Final = 255
"""Of a name as the client typed it, for messages: the longest file name of common systems."""
_WHAT: Final = ("G-code file", "schedule file")
_KINDS: Final = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class NoRoom(Exception):
    """The disk has no room for a copy of the files, or will not take one: one line."""


class GivenUp(Exception):
    """The start was taken back, or its client has gone, before the run began."""


@dataclass(slots=True)
class Handed:
    """The two open files of a `start`, duplicated, and how the client calls them. Closed by `with`."""

    gcode: int
    schedule: int
    gcode_name: str
    schedule_name: str

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        for file in (self.gcode, self.schedule):
            if file >= 0:
                os.close(file)
        self.gcode = self.schedule = -1


@dataclass(frozen=True, slots=True)
class OwnCopy:
    """Where the copy lies, until `clear`."""

    gcode: Path
    schedule: Path


def take(files: Sequence[int], names: Sequence[object]) -> Handed:
    """Looks at the descriptors and duplicates them. Raises InputError; nothing is kept open then."""
    if len(files) != len(_WHAT):
        what = f"{len(files)} open files came with the start, not {len(_WHAT)}"
        raise InputError(what, "the local socket", "send the G-code file, then the schedule file")
    called = [_name(name, what) for name, what in zip(names, _WHAT, strict=True)]
    for file, name, what in zip(files, called, _WHAT, strict=True):
        _check(file, name, what)
    if (size := os.fstat(files[1]).st_size) > LARGEST_BYTES:
        what = f"too long for a schedule file ({size} bytes, 1 MB at most)"
        raise InputError(what, called[1], "check that it is the right file")
    first = fcntl.fcntl(files[0], fcntl.F_DUPFD_CLOEXEC, 0)
    try:
        second = fcntl.fcntl(files[1], fcntl.F_DUPFD_CLOEXEC, 0)
    except OSError:
        os.close(first)
        raise
    return Handed(first, second, *called)


def keep(handed: Handed, name: str, given_up: Callable[[], bool]) -> OwnCopy:
    """The copy in the state folder of printer `name`, in place of any before. Blocks: for a thread.

    Raises NoRoom, InputError for what cannot be read, GivenUp as soon as `given_up` says so; nothing is left then.
    """
    clear(name)
    folder = state_folder(name) / FOLDER
    copy = OwnCopy(folder / "tower.gcode", folder / "schedule.toml")
    try:
        folder.mkdir(mode=0o700)
        _check_room(os.fstat(handed.gcode).st_size + os.fstat(handed.schedule).st_size, folder)
        _copy(handed.gcode, copy.gcode, handed.gcode_name, given_up)
        _copy(handed.schedule, copy.schedule, handed.schedule_name, given_up)
    except BaseException as why:
        clear(name)
        if isinstance(why, OSError):
            raise NoRoom(
                f"the files cannot be copied, {folder}: {why.strerror}: make room, or look at the disk"
            ) from why
        raise
    return copy


def clear(name: str) -> None:
    """The copy goes, also one that a killed daemon left. No error where there is none, or the disk will not let it go."""
    folder = state_folder(name) / FOLDER
    try:
        shutil.rmtree(folder)
    except FileNotFoundError:
        pass  # there was none
    except OSError as why:
        log.warning("%s: a copy that is no longer wanted cannot be removed: %s", folder, why)


def _name(name: object, what: str) -> str:
    """For messages and the record only: never opened."""
    if not isinstance(name, str) or not 0 < len(name) <= NAME_CHARS:
        raise InputError(f"the {what} has no name", "the local socket", f"say it, in at most {NAME_CHARS} characters")
    return name if name.isprintable() else "".join(one if one.isprintable() else "?" for one in name)


def _check(file: int, name: str, what: str) -> None:
    mode = os.fstat(file).st_mode
    if not stat.S_ISREG(mode):
        kind = next((said for is_kind, said in _KINDS if is_kind(mode)), "something else")
        raise InputError(f"the {what} is {kind}, not a file", name, "name the file itself")
    flags = fcntl.fcntl(file, fcntl.F_GETFL)
    if flags & os.O_PATH or flags & os.O_ACCMODE == os.O_WRONLY:
        raise InputError(f"the {what} is not open for reading", name, "open it for reading")


def _check_room(size: int, folder: Path) -> None:
    free = shutil.disk_usage(folder).free
    if size + KEEP_FREE_BYTES > free:
        wanted, there = (f"{count / 1e6:.0f} MB" for count in (size + KEEP_FREE_BYTES, free))
        raise NoRoom(f"no room for a copy of the files, {folder}: {wanted} wanted, {there} free: free some")


def _copy(file: int, target: Path, name: str, given_up: Callable[[], bool]) -> None:
    """As many bytes as the file had when it was looked at: one that grows meanwhile must not fill the disk."""
    size, at = os.fstat(file).st_size, 0
    with open(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "wb") as out:
        while at < size:
            if given_up():
                raise GivenUp
            try:
                data = os.pread(file, min(CHUNK_BYTES, size - at), at)
            except OSError as why:
                raise InputError(f"it cannot be read ({why.strerror})", name, "check the file") from why
            if not data:
                raise InputError("it became shorter while it was handed over", name, "start again") from None
            out.write(data)
            at += len(data)
        if os.fstat(file).st_size != size:
            raise InputError("it changed while it was handed over", name, "start again")
