"""What an answer of the finder of steps is worth, held against the truth; the same words and totals for all sets of towers.

A part with steps: `sure, right`; `likely, right`, in doubt, and the table it writes is the true one; `likely, wrong`;
`none found`, said to have none, or none named; `sure and wrong`, the one that must not happen. A part without: `none, right`;
`likely`, in doubt; and again `sure and wrong`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from banderole.plan.band_finder import Answer, Stairs, Unsure

SURE, LIKELY, GUESSED, MISSED, WRONG = "sure, right", "likely, right", "likely, wrong", "none found", "sure and wrong"
STEPPED = (SURE, LIKELY, GUESSED, MISSED, WRONG)
NONE, OPEN = "none, right", "likely"
STEPLESS = (NONE, OPEN, WRONG)
WANTED = 0.9
"""Share of the towers with steps of which rise and plinth must be right."""


def named(found: Answer) -> Stairs | None:
    """The steps of its table, if it writes one."""
    if isinstance(found, Stairs):
        return found
    return found.candidates[0] if isinstance(found, Unsure) and found.candidates else None


def verdict(found: Answer, accepts: Callable[[Stairs], bool] | None) -> str:
    """One of the words above; `accepts`: are these the steps? None where there are none."""
    sure, steps = isinstance(found, Stairs), named(found)
    if accepts is None:
        return WRONG if sure else OPEN if isinstance(found, Unsure) else NONE
    if steps is None:
        return MISSED
    if accepts(steps):
        return SURE if sure else LIKELY
    return WRONG if sure else GUESSED


def told(found: Answer) -> str:
    """The steps of its table; with `?` where it is in doubt."""
    steps = named(found)
    said = "none" if steps is None else shown(steps.plinth_mm, steps.rise_mm, steps.count)
    return said + " ?" if isinstance(found, Unsure) else said


def shown(plinth: float | None, rise: float | None, count: int | None) -> str:
    return "none" if plinth is None or rise is None else f"{plinth:.2f} + {count} × {rise:.2f}"


class Totals:
    """How often each verdict fell, by family."""

    def __init__(self) -> None:
        self._by_family: dict[bool, dict[str, Counter[str]]] = {True: {}, False: {}}

    def add(self, family: str, stepped: bool, said: str) -> None:
        self._by_family[stepped].setdefault(family, Counter())[said] += 1

    def _all(self, stepped: bool) -> Counter[str]:
        return sum(self._by_family[stepped].values(), Counter())

    @property
    def met(self) -> bool:
        """Enough right, sure or likely, and none sure and wrong?"""
        steps = self._all(True)
        return steps[SURE] + steps[LIKELY] >= WANTED * steps.total() and not steps[WRONG] + self._all(False)[WRONG]

    def table(self) -> str:
        lines = []
        for stepped, words, what in ((True, STEPPED, "with steps"), (False, STEPLESS, "without steps")):
            lines += ["", f"{what:24}" + "".join(f"{word:>16}" for word in words)]
            rows = [*sorted(self._by_family[stepped].items()), ("all", self._all(stepped))]
            lines += [f"{name:24}" + "".join(f"{counts[word]:16}" for word in words) for name, counts in rows]
        steps = self._all(True)
        right, wrong = steps[SURE] + steps[LIKELY], steps[WRONG] + self._all(False)[WRONG]
        return "\n".join([*lines, "", f"right rise and plinth: {right} of {steps.total()}", f"sure and wrong: {wrong}"])
