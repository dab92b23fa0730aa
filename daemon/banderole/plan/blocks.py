"""Reading a file in order: each block as it stands, with its line in the file. Constant memory, whatever is in it.

CR, LF and CRLF end a line. What is no text at all, or holds a command that no printer could take, is refused with its line.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import BinaryIO, Final, NamedTuple

from banderole_protocol.modal import MODES
from banderole_protocol.words import block_of

from .pieces import OTHERS, Piece, shaped
from .refusal import InputError

CHUNK_BYTES: Final = 1 << 18
"""One read. Larger chunks gained nothing and cost memory."""
LINE_BYTES: Final = 1 << 20
"""A longer line that is not a comment is no G-code."""
BLOCK_BYTES: Final = 96
"""A longer command would not fit the line buffer of common firmware (often 96 bytes, common practice, no source)."""

_MARK = b"\xef\xbb\xbf"
"""Some editors put this before UTF-8 text; it is no part of the first command."""
_ENDS = (b"\r", b"\n")
_END = re.compile(rb"[\r\n]")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_PLAIN = re.compile(rb"(?:G[0-3]|M(?!110)\d{1,3}) [-+ .\dA-Za-z]{0,80}[\dA-Za-z.]").fullmatch
"""Most lines of a file by far are their block as they stand. M110 is none."""
_TEXT = frozenset(range(0x20, 0x100)) | {0x09}
_NOT_TEXT = bytes(sorted(set(range(256)) - _TEXT))


class Block(NamedTuple):
    """A command of the file: its line (from 1), its text, the least seconds its motion takes, mm of filament it lays."""

    line: int
    text: bytes
    seconds: float = 0.0
    laid: float = 0.0


def _whole_lines(file: BinaryIO, where: str) -> Iterator[bytes]:
    """The file in pieces of whole lines. Raises InputError for what is no text."""
    number, tail = 0, b""
    skipping = False  # inside a comment that is longer than any line should be
    first = True
    while chunk := file.read(CHUNK_BYTES):
        if first and chunk[:2] in _UTF16:
            raise InputError(
                "the file is UTF-16, not plain text", f"{where}:1", "save it as plain text (ASCII or UTF-8)"
            )
        if first and chunk[:3] == _MARK:
            chunk = chunk[3:] or b" "
        first = False
        if skipping:
            end = _END.search(chunk)
            if end is None:
                continue
            chunk, skipping = chunk[end.start() :], False
        text = tail + chunk
        known = len(text) - text.endswith(b"\r")  # a CR at the end may be half of a line end
        cut = max(text.rfind(b"\n", 0, known), text.rfind(b"\r", 0, known)) + 1
        if cut:
            yield text[:cut]
            number += text.count(b"\n", 0, cut) if b"\r" not in text else len(text[:cut].splitlines())
        tail = text[cut:]
        if len(tail) > LINE_BYTES:
            if tail.lstrip()[:1] not in (b";", b"("):
                what = f"a line of more than {LINE_BYTES} bytes"
                raise InputError(
                    what, f"{where}:{number + 1}", "this is no G-code; export the tower again as plain G-code"
                )
            skipping, tail = True, b""
    if tail or skipping:
        yield tail or b"\n"


def blocks_of(file: BinaryIO, where: str, count: int | None = None) -> Iterator[tuple[int, bytes]]:
    """(line, block) of every command. Raises InputError, naming the line, for a command that cannot be sent.

    Where it is known how many there are, `count`: also for one without a line end that is not the last of them. A file that was
    cut off meanwhile may end in the middle of a number.
    """
    number = found = 0
    for text in _whole_lines(file, where):
        lines = text.splitlines()
        open_end = 0 if count is None or text.endswith(_ENDS) else number + len(lines)
        for at, line in enumerate(lines, number + 1):
            if block := _block(line, at, where):
                found += 1
                if at == open_end and found != count:
                    raise InputError("the file ends within this line", f"{where}:{at}", "it has been cut off")
                yield at, block
        number += len(lines)


def pieces_of(file: BinaryIO, where: str, update: Callable[[bytes], object]) -> Iterator[Piece]:
    """As `blocks_of`, in pieces of many lines; `update` gets all blocks, each with a line feed."""
    number = 0
    for text in _whole_lines(file, where):
        if b"\r" in text:
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if not text.endswith(b"\n"):
            text += b"\n"
        blocks, codes, numbers = shaped(text)
        # A semicolon ends a command that has no parenthesis, whatever it is: then what is left of the lines will do.
        lines = text.splitlines() if b"(" in text else blocks
        for at in [other.start() for other in OTHERS(codes)]:
            if (block := blocks[at]) and block not in MODES:
                blocks[at] = _block(lines[at], number + at + 1, where)
        if there := list(filter(None, blocks)):
            update(b"\n".join(there) + b"\n")
        yield Piece(number + 1, blocks, codes, numbers)
        number += len(blocks)


def _block(line: bytes, number: int, where: str) -> bytes:
    """The block in a line; b"" where there is none. Raises InputError for a command that no printer could take."""
    if _PLAIN(line):
        return line
    block = block_of(line)
    if len(block) > BLOCK_BYTES:
        what = f"a command of {len(block)} bytes, where {BLOCK_BYTES} fit a printer's line buffer"
        raise InputError(what, f"{where}:{number}", "export the tower again as plain G-code")
    if block.translate(None, _NOT_TEXT) != block:
        what = "a command with control characters in it"
        raise InputError(what, f"{where}:{number}", "this is no plain G-code; export the tower again")
    return block
