"""What a power cut may leave of files: the writes of a process, seen by strace(1), up to a moment, and unsynced ones by chance.

What was synced is there. Of what was written since then each write is there, or not, or torn at a sector; a file that was
taken away may be back until its folder is synced, and of names that were changed the last may be as before. A new file's name
is taken as synced with its first sync (a journalling file system's manner). The file that processes share (`-shm`) does not
outlive a cut.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

SECTOR = 512
"""Bytes that a disk writes whole or not at all: the least that any has."""
CALLS = "pwrite64,write,ftruncate,fsync,fdatasync,?unlink,?unlinkat,?rename,?renameat,?renameat2"
"""A question mark: not every processor's Linux has the call."""
_LINE = re.compile(r"^(?P<pid>\d+) +(?P<call>\w+)\((?P<rest>.*)\) += (?P<result>-?\d+)")


@dataclass(frozen=True)
class Call:
    """`what`: write, append, truncate, sync, unlink, rename, names (the folder is synced) or say. `at`: offset, or size.

    `data`: what was written, or said on stdout. `to`: the new name.
    """

    what: str
    file: str
    data: bytes = b""
    at: int = 0
    to: str = ""


def traced(words: list[str], folder: Path, trace: Path) -> list[Call]:
    """Runs a command under strace; what it did to the files of a folder, and what it said, in order. Raises OSError."""
    strace = ["strace", "-f", "-y", "-xx", "-s", "1000000", "-e", f"trace={CALLS}", "-o", str(trace)]
    subprocess.run([*strace, *words], check=True, capture_output=True)
    return list(_calls(trace.read_text(), folder))


def _calls(text: str, folder: Path) -> Iterator[Call]:
    for line in _whole(text):
        found = _LINE.match(line)
        if found is None or found["result"].startswith("-"):
            continue
        call, rest = found["call"], found["rest"]
        texts = [_bytes(one) for one in re.findall(r'[<"]((?:\\x[0-9a-f]{2})*)[>"]', rest)]
        quoted = [_bytes(one).decode(errors="replace") for one in re.findall(r'"((?:\\x[0-9a-f]{2})*)"', rest)]
        numbers = [int(one) for one in re.findall(r"(?<=, )\d+", rest)]
        name = quoted[0] if call.startswith(("unlink", "rename")) else texts[0].decode() if texts else ""
        if call == "write" and rest.startswith("1<"):
            yield Call("say", "", texts[1])
        elif call in ("fsync", "fdatasync") and Path(name) == folder:
            yield Call("names", "")
        elif Path(name).parent == folder and not name.endswith("-shm"):
            match call:
                case "pwrite64":
                    yield Call("write", name, texts[1], numbers[-1])
                case "ftruncate":
                    yield Call("truncate", name, at=numbers[-1])
                case "fsync" | "fdatasync":
                    yield Call("sync", name)
                case "write":
                    yield Call("append", name, texts[1])
                case "unlink" | "unlinkat":
                    yield Call("unlink", name)
                case "rename" | "renameat" | "renameat2":
                    yield Call("rename", name, to=quoted[1])


def _whole(text: str) -> Iterator[str]:
    """A call that another thread's stands in the middle of, in one line."""
    begun: dict[str, str] = {}
    for line in text.splitlines():
        pid = line.split(" ", 1)[0]
        if line.endswith("<unfinished ...>"):
            begun[pid] = line.removesuffix("<unfinished ...>")
        elif (resumed := re.search(r"<\.\.\. \w+ resumed>", line)) is not None:
            yield begun.pop(pid) + line[resumed.end() :]
        else:
            yield line


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


@dataclass
class _File:
    synced: bytes | None = None
    since: list[Call] = field(default_factory=list)

    def sync(self, calls: int) -> None:
        """So many of the calls since the last time are on the disk now."""
        for one in self.since[:calls]:
            self.synced = _applied(self.synced, one)
        del self.since[:calls]

    def gone(self) -> int:
        """Calls up to the last time that its name was taken away; 0 where it was not."""
        return max((number + 1 for number, one in enumerate(self.since) if one.what == "unlink"), default=0)


class Disk:
    """The calls up to a moment, on a disk."""

    def __init__(self, calls: list[Call]) -> None:
        self._files: dict[str, _File] = {}
        self._renamed: list[
            tuple[Call, _File, _File | None]
        ] = []  # since the folder was synced; what stood there before
        self.said = b""
        for call in calls:
            file = self._files.setdefault(call.file, _File())
            match call.what:
                case "say":
                    self.said += call.data
                case "sync":
                    file.sync(len(file.since))
                case "names":
                    self._renamed.clear()
                    for other in self._files.values():
                        other.sync(other.gone())
                case "rename":
                    del self._files[call.file]
                    self._renamed.append((call, file, self._files.get(call.to)))
                    self._files[call.to] = file
                case _:
                    file.since.append(call)

    def cut(self, chance: Random, folder: Path) -> None:
        """Puts into an empty folder what a power cut now may leave."""
        files, made = dict(self._files), {id(file) for _, file, _ in self._renamed}
        for call, file, before in reversed(self._renamed[chance.randrange(len(self._renamed) + 1) :]):
            files[call.file] = file
            if before is None:
                del files[call.to]
            else:
                files[call.to] = before
        for name, file in files.items():
            gone = file.gone()
            left, since = (None, file.since[gone:]) if gone and chance.random() < 0.5 else (file.synced, file.since)
            if gone and left is not None:  # it is back, as it was: what came after went into another file of that name
                since = since[: gone - 1]
            kept = chance.choice((0.0, 0.5, 0.9, 1.0))
            for call in since:
                if chance.random() < kept:
                    left = _applied(left, _torn(call, chance))
            if left is None and id(file) in made and not gone:
                left = b""  # the name is there, and nothing of what it stands for
            if left is not None and name:
                (folder / Path(name).name).write_bytes(left)


def _torn(call: Call, chance: Random) -> Call:
    """Some of the sectors of a write, from its beginning or from its end."""
    if call.what != "write" or len(call.data) <= SECTOR or chance.random() < 0.7:
        return call
    edge = SECTOR * chance.randrange(1, -(-len(call.data) // SECTOR)) - call.at % SECTOR
    if chance.random() < 0.5:
        return Call("write", call.file, call.data[:edge], call.at)
    return Call("write", call.file, call.data[edge:], call.at + edge)


def _applied(left: bytes | None, call: Call) -> bytes | None:
    match call.what:
        case "unlink":
            return None
        case "append":
            return (left or b"") + call.data
        case "truncate":
            return (left or b"")[: call.at].ljust(call.at, b"\0")
        case _:
            data = bytearray((left or b"").ljust(call.at, b"\0"))
            data[call.at : call.at + len(call.data)] = call.data
            return bytes(data)
