"""The printer file, with where each value comes from beside it. Text only; whether it will do, `plan.config` says."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

Origin = Literal["asked", "given", "measured", "told by the printer", "found", "default", "follows"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One key: its value as TOML has it, and its origin, with more to say where there is more."""

    table: str
    key: str
    value: object
    origin: Origin
    more: str = ""


@dataclass(slots=True)
class Draft:
    """The entries so far; a later one for the same key takes the place of the earlier."""

    entries: dict[tuple[str, str], Entry] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def put(self, table: str, key: str, value: object, origin: Origin, more: str = "") -> None:
        self.entries[table, key] = Entry(table, key, value, origin, more)

    def value(self, table: str, key: str) -> object | None:
        entry = self.entries.get((table, key))
        return None if entry is None else entry.value

    def text(self) -> str:
        """The whole file."""
        lines = [f"# {remark}" for remark in self.remarks]
        tables = dict.fromkeys(table for table, _ in self.entries)
        for table in sorted(tables, key=lambda one: one != ""):
            lines += [f"[{table}]"] * bool(table)
            lines += [_line(entry) for entry in self.entries.values() if entry.table == table]
        return "\n".join([*lines, ""])


def _line(entry: Entry) -> str:
    more = f": {entry.more}" if entry.more else ""
    return f"{f'{entry.key} = {toml(entry.value)}':<44} # {entry.origin}{more}"


def toml(value: object) -> str:
    """A value as TOML: text, numbers, true and false, lists of these. Raises TypeError for anything else."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case float():
            return f"{value:g}" if value != int(value) else str(int(value))
        case str():
            return json.dumps(value, ensure_ascii=False)  # TOML's basic strings take JSON's escapes
        case list() | tuple():
            return _list(value)
    raise TypeError(f"{type(value).__name__} has no place in a printer file")


def _list(values: Sequence[object]) -> str:
    return f"[{', '.join(toml(one) for one in values)}]"
