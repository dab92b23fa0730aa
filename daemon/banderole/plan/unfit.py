"""Commands that are not for a run over a serial line, and why: the file is refused with the line of each.

Why is common practice of printer firmware, no source.
"""

from __future__ import annotations

from typing import Final

from banderole_protocol.words import head_of, words_of

from .schedule import Schedule

_REFUSED: Final = {
    **{f"M{code}": "works on the printer's own card, out of our sight" for code in (*range(23, 31), 32)},
    "M112": "is the emergency stop",
    "M410": "drops motion that was already taken",
    "M999": "restarts the printer",
    "M575": "changes the speed of the line",
    "M80": "switches the printer's supply",
    "M81": "switches the printer's supply",
}
_STORES: Final = ("M500", "M501", "M502")
_FACTORS: Final = ("flow", "feed", "advance", "retract")
COLD_C: Final = 150.0
"""°C below which M302 S is taken to allow cold extrusion: under what any filament melts at."""


def why(head: str, block: bytes, schedule: Schedule | None) -> str | None:
    """Why a block with this command is not for a run by this schedule; None where it is."""
    if head in _REFUSED:
        return f"{head} {_REFUSED[head]}"
    if head in _STORES and schedule is not None:
        scheduled = next((channel for channel in _FACTORS if channel in schedule.channels), None)
        return f"{head} would store or recall {scheduled} while the schedule changes it" if scheduled else None
    if head == "M302" and _allows_cold(block):
        return "M302 would allow extrusion below melting heat"
    return None


def hidden(block: bytes) -> str | None:
    """Why a command that stands behind another one in this block is not for a run: some firmware carries out both."""
    codes = (head_of([word]) for word in words_of(block) if word[0] == "M")
    return next((f"{code} {_REFUSED[code]}" for code in codes if code in _REFUSED), None)


def _allows_cold(block: bytes) -> bool:
    """M302 alone only asks; with P above 0, or with S below melting heat, it takes the guard away."""
    words = dict(words_of(block))
    return bool(words.get("P")) or (words.get("S") is not None and float(words["S"] or 0.0) < COLD_C)
