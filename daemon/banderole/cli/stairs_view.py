"""Steps that were found in a part, for a person: what, how sure, what else it may be, and a table for the schedule file.

Pure: what the finder says in, text and plain data out.
"""

from __future__ import annotations

from typing import Any

from banderole.plan.band_finder import Answer, Stairs, Unsure

TO_FILL_IN = "# nozzle = { first = 0, change = 0 }"
"""The line for the setpoints: which ones, only the person knows."""
MEASURE = "measure the part before you print by this"


def stairs_text(found: Answer) -> str:
    """Some lines; where steps are sure or likely, a table last."""
    if isinstance(found, Stairs):
        return (
            f"Regular steps: {_named(found)}; {found.why}.\n"
            f"Such a repetition by chance: {_chance(found.significance)}. Hold them against the part all the same.\n\n"
            f"{_to_copy(stairs_table(found))}"
        )
    if not isinstance(found, Unsure):
        return f"No regular steps: {found.why}."
    lines = [f"No steps that are sure: {found.why}."]
    if not found.candidates:
        return "\n".join([*lines, "Measure the part, and write the heights into the schedule yourself."])
    first, *others = found.candidates
    lines.append(f"The likeliest: {_named(first)}. It is a guess: {MEASURE}.")
    if others:
        lines += ["It may also be:", *(f"  {_named(one)}" for one in others)]
    return "\n".join([*lines, "", _to_copy(stairs_table(first, found.why))])


def stairs_table(found: Stairs, doubt: str | None = None) -> str:
    """`[stairs]` of a schedule file; TO_FILL_IN stands for at least one channel. A `doubt` is told in it."""
    unsure = f"# unsure: {doubt}; {MEASURE}\n" if doubt is not None else ""
    figures = f"plinth_mm = {found.plinth_mm:g}\nrise_mm = {found.rise_mm:g}\ncount = {found.count}\n"
    return f"{unsure}[stairs]\n{figures}{TO_FILL_IN}"


def stairs_json(found: Answer) -> dict[str, Any]:
    """For `--json`: `found` is steps, uncertain or none; `table` that of steps, or of the likeliest. Lengths in mm."""
    if isinstance(found, Stairs):
        return {"found": "steps", **_plain(found), "why": found.why, "table": stairs_table(found) + "\n"}
    candidates = found.candidates if isinstance(found, Unsure) else ()
    kind = "uncertain" if isinstance(found, Unsure) else "none"
    said = {"found": kind, "why": found.why, "candidates": [_plain(one) for one in candidates]}
    return said | {"table": stairs_table(candidates[0], found.why) + "\n"} if candidates else said


def _to_copy(table: str) -> str:
    return (
        "For the schedule file, with the setpoints in its last line (first: lowest step; change: from step to step):\n\n"
        + table
    )


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
