"""The events of a run in a process of its own, as it writes them to a file: each line is read once, however often one looks."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass
class EventFile:
    """JSON, an event a line. The last line may be half written."""

    path: Path
    _read: int = 0
    _events: list[dict[str, Any]] = field(default_factory=list)

    def events(self) -> list[dict[str, Any]]:
        with self.path.open("rb") as file:
            file.seek(self._read)
            new = file.read()
        whole = new[: new.rfind(b"\n") + 1]
        self._read += len(whole)
        self._events += map(json.loads, whole.splitlines())
        return self._events

    def of(self, kind: str, **fields: Any) -> list[dict[str, Any]]:
        """Those of that kind, with these fields."""
        return [e for e in self.events() if e["kind"] == kind and all(e.get(k) == v for k, v in fields.items())]
