"""Steps that were found in a part, for a person: what, how sure, what else it may be, and a table for the schedule file.

Pure: what the finder says in, text and plain data out.
"""

from __future__ import annotations

from typing import Any

from banderole.plan.band_finder import NoStairs, Stairs

TO_FILL_IN = "# nozzle = { first = 0, change = 0 }"
"""The line for the setpoints: which ones, only the person knows."""


def stairs_text(found: Stairs | NoStairs) -> str:
    """Some lines; where steps are sure, the ready table last."""
    if isinstance(found, Stairs):
        return (
            f"Regular steps: {_named(found)}; {found.why}.\n"
            f"Such a repetition by chance: {_chance(found.significance)}. Hold them against the part all the same.\n\n"
            f"For the schedule file, with the setpoints in its last line (first: lowest step; change: from step to step):\n\n"
            f"{stairs_table(found)}"
        )
    if not found.uncertain:
        return f"No regular steps: {found.why}."
    lines = [f"No steps that are sure: {found.why}."]
    if found.candidates:
        lines += ["It may be, the likeliest first:", *(f"  {_named(one)}" for one in found.candidates)]
    return "\n".join([*lines, "Measure the part, and write the heights into the schedule yourself."])


def stairs_table(found: Stairs) -> str:
    """`[stairs]` of a schedule file; TO_FILL_IN stands for at least one channel."""
    return (
        f"[stairs]\nplinth_mm = {found.plinth_mm:g}\nrise_mm = {found.rise_mm:g}\ncount = {found.count}\n{TO_FILL_IN}"
    )


def stairs_json(found: Stairs | NoStairs) -> dict[str, Any]:
    """For `--json`: `found` is steps, uncertain or none. Lengths in mm."""
    if isinstance(found, Stairs):
        return {"found": "steps", **_plain(found), "why": found.why, "table": stairs_table(found) + "\n"}
    kind = "uncertain" if found.uncertain else "none"
    return {"found": kind, "why": found.why, "candidates": [_plain(one) for one in found.candidates]}


def _plain(found: Stairs) -> dict[str, Any]:
    return {
        "plinth_mm": found.plinth_mm,
        "rise_mm": found.rise_mm,
        "count": found.count,
        "significance": float(f"{found.significance:.2g}"),
    }


def _named(found: Stairs) -> str:
    plinth = f"above a plinth of {found.plinth_mm:g} mm" if found.plinth_mm else "from the bed up"
    return f"{found.count} of {found.rise_mm:g} mm each, {plinth}"


def _chance(significance: float) -> str:
    return "less than 1 in a million" if significance < 1e-6 else f"{significance:.1g}"
