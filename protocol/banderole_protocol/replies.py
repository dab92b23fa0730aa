"""One reply line of a printer → one typed event. Pure, total: any bytes give a reply, nothing raises.

Whole lines are matched, never beginnings: a line with a damaged part is `Unknown`, not half understood. That is also
so for `ok` with something behind it that is no known field. An `ok` missed costs one probe; an `ok` or a reading
made up costs the part.

Sources: public RepRap wiki, page "G-code" (`ok`, `rs`, `!!`, `//`, `start`, line ends, "Last Line", "Resend:");
`ok N P B`, `busy:`, `Cap:` are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from .channels import is_answer
from .errors import EndlessLine
from .readings import Position, PowerScale, Readings, Sensor, parse_position, parse_readings

__all__ = [
    "OK", "Banner", "Busy", "Capability", "Fatal", "Identity", "LineSplitter", "Note", "Ok", "Position", "PowerScale",
    "Problem", "Readings", "Refusal", "Reply", "Report", "Resend", "Sensor", "Unknown", "parse",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Identity:
    """What a printer says of itself (M115): `FIRMWARE_NAME:… KEY:value …`."""

    fields: dict[str, str]


@dataclass(frozen=True, slots=True)
class Ok:
    """A line was taken. `line`, `planner_free`, `buffer_free` are the N, P and B that some printers add."""

    line: int | None = None
    planner_free: int | None = None
    buffer_free: int | None = None
    readings: Readings | None = None
    position: Position | None = None
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class Resend:
    """The printer wants `line` next."""

    line: int


@dataclass(frozen=True, slots=True)
class Refusal:
    """A complaint about a line as such (number, checksum); a Resend usually follows. `last_line`: last one taken."""

    text: str
    last_line: int | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """Temperatures alone on a line."""

    readings: Readings


@dataclass(frozen=True, slots=True)
class Busy:
    """Alive, the answer is still to come."""

    reason: str


@dataclass(frozen=True, slots=True)
class Banner:
    """The firmware has just started: whatever was set before is gone."""

    text: str


@dataclass(frozen=True, slots=True)
class Fatal:
    """The firmware has stopped for good, or says that its heat is out of hand."""

    text: str


@dataclass(frozen=True, slots=True)
class Problem:
    """Any other `Error:`."""

    text: str


@dataclass(frozen=True, slots=True)
class Capability:
    """`Cap:NAME:0|1`."""

    name: str
    enabled: bool


@dataclass(frozen=True, slots=True)
class Note:
    """Information at any time: `//…`, `echo:…`, the answer to a bare M220, M221, M900 or M207."""

    text: str

    @property
    def held_back(self) -> bool:
        """Does it say that filament was not moved, since the nozzle is too cold? By words alone: each firmware has its own
        sentence (common practice, no source)."""
        return _HELD_BACK.search(self.text) is not None


@dataclass(frozen=True, slots=True)
class Unknown:
    """Not understood; kept as it came, blanks included."""

    raw: bytes


Reply = (
    Ok | Resend | Refusal | Report | Position | Busy | Banner | Fatal | Problem | Identity | Capability | Note | Unknown
)  # fmt: skip

OK = Ok()

_HELD_BACK = re.compile(r"\bcold\b.*(?:extru|filament)|(?:extru|filament).*\bcold\b", re.IGNORECASE)

# Ten digits hold every line number a run can reach, and keep int() cheap on hostile input.
_OK_FIELDS = re.compile(rb"ok((?:\s+[NPB]\d{1,10})*)(?:\s+(\S.*))?", re.DOTALL)
_OK_NUMBERED = re.compile(rb"ok N(\d{1,10}) P(\d{1,10}) B(\d{1,10})")
_RESEND = re.compile(rb"(?:[Rr]esend:\s*|rs\s+)N?(\d{1,10})")
_LAST_LINE = re.compile(r"Last Line:?\s*(\d{1,10})$", re.IGNORECASE)
_ABOUT_LINE = re.compile(r"last line|checksum|line number", re.IGNORECASE)
_FATAL = re.compile(
    r"halt|kill|thermal|runaway|heating failed|shut ?down|(?:max|min)(?:imum)?[ _-]?temp", re.IGNORECASE
)
_ERROR = re.compile(rb"[Ee]rror:\s*(.*)", re.DOTALL)
_BUSY = re.compile(rb"(?:echo:\s*)?busy:\s*([A-Za-z][A-Za-z ]*)")
_CAPABILITY = re.compile(rb"Cap:\s*([A-Z][A-Z0-9_]*):\s*([01])")
_IDENTITY_KEY = re.compile(r"(?:^|\s)([A-Z][A-Z0-9_]{2,}):")


def parse(line: bytes) -> Reply:
    """The event that one reply line is. Blanks and line ends around it mean nothing. Never raises."""
    if line == b"ok":
        return OK
    if (full := _OK_NUMBERED.fullmatch(line)) is not None:
        return Ok(int(full[1]), int(full[2]), int(full[3]))
    text = line.strip()
    reply: Reply | None = None
    if text.startswith(b"ok"):
        reply = _ok(text)
    else:
        for reader in _READERS:
            if (reply := reader(text)) is not None:
                break
    return Unknown(line) if reply is None else reply


def parted(line: bytes) -> tuple[Reply, Reply] | None:
    """Two replies in a line that is none: the end of the first was damaged or lost on its way. None where it is not that."""
    for end in _DAMAGED_END.finditer(line):
        first, second = parse(line[: end.start()]), parse(line[end.end() :])
        if type(first) is not Unknown and type(second) is not Unknown:
            return first, second
    return None


def _ok(text: bytes) -> Ok | None:
    if text == b"ok":
        return OK
    found = _OK_FIELDS.fullmatch(text)
    if found is None:
        return None
    fields: dict[bytes, int] = {}
    for word in found[1].split():
        if word[:1] in fields:
            return None
        fields[word[:1]] = int(word[1:])
    numbers = (fields.get(b"N"), fields.get(b"P"), fields.get(b"B"))
    rest = found[2]
    if rest is None:
        return Ok(*numbers)
    if (identity := _identity(rest)) is not None:
        return Ok(*numbers, identity=identity)
    return _ok_with_values(numbers, rest)


def _ok_with_values(numbers: tuple[int | None, int | None, int | None], rest: bytes) -> Ok | None:
    """`ok` with temperatures, a position, or both in that order."""
    head, position = rest, None
    # A position begins at `X:`, or at the `C:` before it (a `C:` with a number behind it is the chamber).
    if (begins := re.search(rb"(?:\bC:\s*)?\bX:", rest)) is not None:
        head, tail = rest[: begins.start()].rstrip(), rest[begins.start() :]
        if (position := parse_position(tail)) is None:
            return None
    if not head:
        return Ok(*numbers, position=position)
    readings = parse_readings(head)
    return None if readings is None else Ok(*numbers, readings=readings, position=position)


def _report(text: bytes) -> Report | None:
    readings = parse_readings(text)
    return None if readings is None else Report(readings)


def _resend(text: bytes) -> Resend | None:
    found = _RESEND.fullmatch(text)
    return None if found is None else Resend(int(found[1]))


def _error(text: bytes) -> Refusal | Fatal | Problem | None:
    if text.startswith(b"!!"):
        return Fatal(_words(text))
    found = _ERROR.fullmatch(text)
    if found is None:
        return None
    words = _words(found[1])
    if _FATAL.search(words) is not None:
        return Fatal(words)
    if _ABOUT_LINE.search(words) is None:
        return Problem(words)
    last = _LAST_LINE.search(words)
    if last is None and "last line" in words.lower():
        return None  # its number is damaged
    return Refusal(words, None if last is None else int(last[1]))


def _plain(text: bytes) -> Banner | Busy | Capability | None:
    if text == b"start":
        return Banner("start")
    if (busy := _BUSY.fullmatch(text)) is not None:
        return Busy(_words(busy[1]))
    if (capability := _CAPABILITY.fullmatch(text)) is not None:
        return Capability(_words(capability[1]), capability[2] == b"1")
    return None


def _identity(text: bytes) -> Identity | None:
    """Upper-case keys with values that may hold blanks and colons; FIRMWARE_NAME must be among them."""
    words = _words(text)
    keys = list(_IDENTITY_KEY.finditer(words))
    if not keys or keys[0].start() != 0:
        return None
    ends = [key.start() for key in keys[1:]] + [len(words)]
    fields = {key[1]: words[key.end() : end].strip() for key, end in zip(keys, ends, strict=True)}
    return Identity(fields) if "FIRMWARE_NAME" in fields else None


def _note(text: bytes) -> Note | None:
    words = _words(text)
    return Note(words) if text.startswith((b"//", b"echo:")) or is_answer(words) else None


# Most frequent first; the patterns exclude one another except that `echo:busy:` must be tried before `echo:`.
_READERS: tuple[Callable[[bytes], Reply | None], ...] = (
    _report, _resend, parse_position, _plain, _error, _identity, _note,
)  # fmt: skip


def _words(text: bytes) -> str:
    """Text safe to show: what cannot be printed becomes a question mark (a printer must not steer a terminal)."""
    decoded = text.decode("utf-8", "replace").strip()
    return decoded if decoded.isprintable() else "".join(c if c.isprintable() else "?" for c in decoded)


_DAMAGED_END = re.compile(rb"[\x0b\x08\x0e\x02\x1a*J\x8a]|(?=ok|T:|X:|Resend:|Error:|echo:)")
"""A line feed with one bit changed; or none, where another reply begins."""


class LineSplitter:
    """Bytes as they come → whole lines, without their ends. CR, LF and CRLF end a line; empty lines are dropped.

    As empty lines are dropped, a CRLF cut in two by the arrival of bytes needs no memory of its own.
    """

    def __init__(self, limit: int = 4096) -> None:
        """`limit`: longest line taken, bytes; the longest known reply (an identity) has about 300."""
        self._limit = limit
        self._tail = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Lines that `data` completes. Raises EndlessLine past the limit; what was kept is dropped then."""
        if b"\r" in data:
            data = data.replace(b"\r", b"\n")
        waiting = self._tail + data
        lines = waiting.split(b"\n")
        self._tail = lines.pop()
        if len(waiting) > self._limit:
            longest = max([*lines, self._tail], key=len)
            if len(longest) > self._limit:
                self._tail = b""
                raise EndlessLine(len(longest), self._limit, longest)
        return [line for line in lines if line]
