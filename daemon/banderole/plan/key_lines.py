"""Which line of a TOML text a key stands on, so that an error can point at it.

The standard library's parser gives no positions. This scanner is no second parser: it is only asked about texts that
the parser has accepted, knows just enough grammar to walk over values, and on anything it does not understand it stops
and keeps what it has found so far. It takes any text, never raises and always ends.

A path is a tuple of names and, for elements of arrays, numbers from 1: ``("band", 2, "nozzle")``.
"""

import re
import tomllib
from bisect import bisect_left

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r"""[ \t]*(?:"((?:[^"\\\n]|\\.)*)"|'([^'\n]*)'|([A-Za-z0-9_-]+))[ \t]*""")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\[\s\S]|"(?!""))*"{3,5}'
    r"|'''(?:[^']|'(?!''))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
)
_BARE = re.compile(r"[^\s,\[\]{}#=\"']+(?:[ ][0-9][0-9:.+Z-]*)?")  # numbers, words, dates (which may hold one space)
_DEPTH = 40  # arrays in arrays: the deepest of our files is 2; far below Python's recursion limit
_PART = re.compile(r"([^.\[\]]+)((?:\[\d+\])*)")


def _unescaped(raw: str) -> str:
    if "\\" not in raw:
        return raw
    try:
        return str(tomllib.loads(f'key = "{raw}"')["key"])
    except ValueError:  # not TOML after all: the name as it stands is as good as any
        return raw


class _Lost(Exception):
    """The text is not what the scanner knows: what was found so far stands."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.found: dict[Path, int] = {}
        self.rows: dict[Path, int] = {}  # arrays of tables: how many rows so far
        self._ends = [i for i, c in enumerate(text) if c == "\n"]

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        try:
            while True:
                self._blank()
                if self.at >= len(self.text):
                    break
                if self.text[self.at] == "[":
                    table = self._header()
                else:
                    self._pair(table, 0)
        except _Lost:
            pass  # documented: the caller falls back on the nearest key that was found
        return self.found

    def _blank(self) -> None:
        match = _BLANK.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def _peek(self) -> str:
        return self.text[self.at : self.at + 1]

    def _take(self, mark: str) -> None:
        if not self.text.startswith(mark, self.at):
            raise _Lost
        self.at += len(mark)

    def _note(self, path: Path, at: int) -> None:
        self.found.setdefault(path, bisect_left(self._ends, at) + 1)

    def _key(self) -> Path:
        names: list[str] = []
        while True:
            match = _KEY.match(self.text, self.at)
            if match is None:
                raise _Lost
            names.append(_unescaped(match[1]) if match[1] is not None else match[2] or match[3] or "")
            self.at = match.end()
            if self._peek() != ".":
                return tuple(names)
            self.at += 1

    def _header(self) -> Path:
        start = self.at
        mark = "[[" if self.text.startswith("[[", start) else "["
        self._take(mark)
        key = self._key()
        self._take("]" * len(mark))
        path = self._within_rows(key[:-1])
        path = (*path, key[-1])
        if mark == "[[":
            self._note(path, start)
            self.rows[path] = self.rows.get(path, 0) + 1
            path = (*path, self.rows[path])
        elif path in self.rows:
            path = (*path, self.rows[path])
        self._note(path, start)
        return path

    def _within_rows(self, key: Path) -> Path:
        """``[band.extra]`` belongs to the latest row of ``[[band]]``."""
        path: Path = ()
        for name in key:
            path = (*path, name)
            if path in self.rows:
                path = (*path, self.rows[path])
        return path

    def _pair(self, table: Path, depth: int) -> None:
        start = self.at
        key = self._key()
        path = (*table, *key)
        for n in range(1, len(key) + 1):
            self._note((*table, *key[:n]), start)
        self._take("=")
        while self._peek() in (" ", "\t"):
            self.at += 1
        self._value(path, depth)

    def _value(self, path: Path, depth: int) -> None:
        if depth > _DEPTH:
            raise _Lost
        if self._peek() == "[":
            self._array(path, depth)
        elif self._peek() == "{":
            self._inline(path, depth)
        else:
            match = _STRING.match(self.text, self.at) or _BARE.match(self.text, self.at)
            if match is None:
                raise _Lost
            self.at = match.end()

    def _array(self, path: Path, depth: int) -> None:
        self._take("[")
        number = 0
        while True:
            self._blank()
            if self._peek() == "]":
                break
            number += 1
            self._note((*path, number), self.at)
            self._value((*path, number), depth + 1)
            self._comma("]")
        self._take("]")

    def _inline(self, path: Path, depth: int) -> None:
        self._take("{")
        while True:
            self._blank()
            if self._peek() == "}":
                break
            self._pair(path, depth + 1)
            self._comma("}")
        self._take("}")

    def _comma(self, closing: str) -> None:
        self._blank()
        if self._peek() != closing:
            self._take(",")


def key_lines(text: str) -> dict[Path, int]:
    """Every key, table and array element of a TOML text with its line, counted from 1."""
    return _Scanner(text).scan()


def find_line(text: str, path: Path) -> int | None:
    """The line of the key at ``path``, else of the nearest table or array around it, else None."""
    lines = key_lines(text)
    for n in range(len(path), 0, -1):
        if path[:n] in lines:
            return lines[path[:n]]
    return None


def find_key_line(text: str, dotted_key: str) -> int | None:
    """The line of a key written as in an error: ``band[3].nozzle``; None where nothing of it is there."""
    path: list[str | int] = []
    for name, numbers in _PART.findall(dotted_key):
        path.append(name)
        path.extend(int(n) for n in re.findall(r"\d{1,9}", numbers))
    return find_line(text, tuple(path))


def dotted(path: Path) -> str:
    """A path as people write it: ``band[3].nozzle``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
