"""How far a run is, and how long it still takes: what the survey foresaw, corrected by what was measured on the way. Pure."""

from __future__ import annotations

from bisect import bisect_right
from itertools import accumulate
from typing import Final

from banderole.plan.schedule import Schedule
from banderole.plan.survey import Survey
from banderole.run.account import Account
from banderole.run.thermal import HeaterModel

SURE_S: Final = 60.0
"""Foreseen time of deposits after which their measured time says more than the planner's model."""
LEAST_PACE: Final = 0.5
MOST_PACE: Final = 3.0
"""A pace outside these is no printer's: the clock was stopped, or a feed knob stands far off."""


def foresee_settling(found: Survey, schedule: Schedule, nozzle: HeaterModel) -> None:
    """Gives each band of a survey the seconds that its first crossing should settle for; None where nothing is known."""
    settle, before = schedule.settle, found.told.get("nozzle")
    for row in found.rows:
        wanted = row.setpoints.get("nozzle")
        if wanted is None or settle.stance == "moving":
            continue
        start = wanted if before is None else before
        row.settle_s = nozzle.predict(start, wanted, settle.tolerance, settle.dwell_s)
        before = wanted


class Foresight:
    """The file's own times, by how many of its blocks were taken."""

    def __init__(self, survey: Survey) -> None:
        layers = survey.layer_table
        self._survey = survey
        self._blocks = [0, *(layer.block - 1 for layer in layers), survey.blocks]
        self._seconds = [0.0, *accumulate((layer.seconds for layer in layers), initial=survey.before_s)]

    def done_s(self, blocks: int) -> float:
        """Motion foreseen for the first so many blocks, s."""
        at = min(bisect_right(self._blocks, blocks), len(self._blocks) - 1)
        before, after = self._blocks[at - 1], self._blocks[at]
        share = min(1.0, (blocks - before) / (after - before)) if after > before else 1.0
        return self._seconds[at - 1] + share * (self._seconds[at] - self._seconds[at - 1])

    def fraction(self, account: Account) -> float:
        """Of the predicted time, settling included, how much is over."""
        whole = self._seconds[-1] + sum(self._settling(account).values())
        return min(1.0, (whole - self._left_s(account)) / whole) if whole > 0.0 else 0.0

    def remaining_s(self, account: Account, now: float) -> float:
        """Seconds to come, holds apart."""
        motion = self._seconds[-1] - self.done_s(account.blocks)
        return motion * self.pace(account, now) + self._settling_left(account)

    def pace(self, account: Account, now: float) -> float:
        """Measured by foreseen time of what was laid down so far; 1 while too little was."""
        foreseen, worked = self.done_s(account.blocks) - self._survey.before_s, account.worked_s(now)
        if foreseen < SURE_S or not worked:
            return 1.0
        return min(MOST_PACE, max(LEAST_PACE, worked / foreseen))

    def _left_s(self, account: Account) -> float:
        return self._seconds[-1] - self.done_s(account.blocks) + self._settling_left(account)

    def _settling(self, account: Account) -> dict[int, float]:
        """Settling by band: what it took, else what is foreseen for it, else what the others took on average."""
        took = [band.settle_s for band in account.bands.values() if band.settle_s is not None]
        usual = sum(took) / len(took) if took else 0.0
        settling = {}
        for row in self._survey.rows:
            measured = account.bands[row.band].settle_s
            foreseen = row.settle_s if row.settle_s is not None else usual
            settling[row.band] = measured if measured is not None else foreseen
        return settling

    def _settling_left(self, account: Account) -> float:
        return sum(s for band, s in self._settling(account).items() if not account.bands[band].entered)
