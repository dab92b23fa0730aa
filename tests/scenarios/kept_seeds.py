"""Seeds that once broke an invariant, kept for ever, each with what it found."""

from __future__ import annotations

from typing import Final

KEPT: Final[dict[int, str]] = {
    151: "an outlet that failed while the printer was being made safe stopped the ladder; nobody was told of the mains",
}
