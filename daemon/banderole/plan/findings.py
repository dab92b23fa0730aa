"""What is to be said of a file: refusals (nothing is heated or moved) and cautions (told, recorded), each list bounded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

MOST_FINDINGS: Final = 50
"""Findings kept of one grade: a person reads a few, and a file of a million bad lines must not fill the memory."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to be said of a file: `kind` for programs, line (0: of the whole), what, and what to do."""

    kind: str
    line: int
    what: str
    todo: str

    def as_json(self) -> dict[str, Any]:
        return {"kind": self.kind, "line": self.line, "what": self.what, "todo": self.todo}


@dataclass(slots=True)
class Findings:
    """All of one survey."""

    refusals: list[Finding] = field(default_factory=list)
    cautions: list[Finding] = field(default_factory=list)

    def refuse(self, kind: str, line: int, what: str, todo: str) -> None:
        if len(self.refusals) < MOST_FINDINGS:
            self.refusals.append(Finding(kind, line, what, todo))

    def caution(self, kind: str, line: int, what: str, todo: str) -> None:
        if len(self.cautions) < MOST_FINDINGS:
            self.cautions.append(Finding(kind, line, what, todo))
