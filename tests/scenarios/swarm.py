"""Many scenarios: played, held to the invariants, counted. In one process, or in two."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context

from tests.scenarios.counts import counted
from tests.scenarios.drawing import drawn
from tests.scenarios.invariants import broken
from tests.scenarios.play import Outcome, play
from tests.scenarios.scenario import Scenario

FAR_APART = (19, 22, 24, 27, 30, 48, 55, 77, 96, 100, 101, 103, 114, 154, 174, 195, 207, 212, 217, 222, 240, 246, 249,
             286, 294, 295)  # fmt: skip
"""Of the first 300 seeds those, the quickest, with which every fault fires and every way of recovery is gone."""
OUTSIDE = frozenset({"broker", "journal"})
"""What befalls these may not show on the wire at all."""
SAME_S = 1e-6
"""Sums of floats differ below it."""


@dataclass(frozen=True, slots=True)
class Result:
    """What became of one seed."""

    seed: int
    told: str  # the scenario, in one line
    end: str
    trace: str  # SHA-256 over all bytes with their times, and all events
    broken: tuple[str, ...]
    seconds: float  # of virtual time
    counts: Counter[str]  # what fired, and what was done about it


def run_seed(seed: int) -> Result:
    """Plays one seed."""
    scenario = drawn(seed)
    outcome = play(scenario)
    found = [*broken(outcome), *_slowed(scenario, outcome)]
    ends = [
        f"{end.state} {end.exit}" + ("" if end.proven else " unproven") if end else "killed" for end in outcome.ended
    ]
    return Result(seed, scenario.told(), ", ".join(ends), outcome.trace, tuple(found), outcome.lasted, counted(outcome))


def _slowed(scenario: Scenario, outcome: Outcome) -> Iterator[str]:
    """Nothing outside slows the stream: with a broker or a journal that fails it is the same to the byte and microsecond."""
    if not scenario.solo or not OUTSIDE & set(scenario.kinds):
        return
    twin = play(replace(scenario, kinds=(), happenings=()))
    assert twin.line is not None
    assert outcome.line is not None
    have, wanted = outcome.line.written, twin.line.written
    alike = [data for _, data in have] == [data for _, data in wanted]
    if not alike or any(abs(one - other) > SAME_S for (one, _), (other, _) in zip(have, wanted, strict=True)):
        yield f"{scenario.kinds[0]} shows on the wire: {twin.line.writes} writes without it, {outcome.line.writes} with it"


def results(seeds: Iterable[int], processes: int = 1) -> Iterator[Result]:
    """In the order of the seeds."""
    if processes == 1:
        yield from map(run_seed, seeds)
        return
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        yield from pool.map(run_seed, seeds, chunksize=10)


@dataclass(slots=True)
class Sum:
    """Of many results."""

    runs: int = 0
    seconds: float = 0.0
    ends: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    failures: list[Result] = field(default_factory=list)

    def add(self, result: Result) -> None:
        self.runs += 1
        self.seconds += result.seconds
        self.ends[result.end] += 1
        self.counts += result.counts
        if result.broken:
            self.failures.append(result)
