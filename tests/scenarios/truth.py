"""What the board really did, told apart: which commands are the file's, which were damaged unseen, what was written when."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from banderole.bench import HeaterBuild, Manners, Move

from tests.scenarios.play import Outcome
from tests.scenarios.scenario import Scenario
from tests.support.judge import INSERTED, Row, alone, deposits

_LINE = re.compile(rb"N(\d+) (.*)\*\d+")
HEATS = re.compile(r"M(?:104|109|140|190|141)(?!\d).*?[SR] ?0*[1-9]")
"""A command that turns heat on."""
HEAT_OFF = re.compile(r"M(?:104|140) S0(?![\d.]*[1-9])|M112")


@dataclass(slots=True)
class Write:
    """One line as it was written: the clock, its number (None for one past all numbering), its block."""

    at: float
    number: int | None
    text: str


class Truth:
    """Made of an outcome. `broken` says why what was executed cannot be the file at all, "" where it can."""

    def __init__(self, outcome: Outcome) -> None:
        assert outcome.line is not None
        self.outcome = outcome
        self.writes = list(_writes(outcome.line.written))
        self._texts: dict[int | None, set[str]] = defaultdict(set)
        for write in self.writes:
            self._texts[write.number].add(write.text)
        self.falsified: list[Row] = []  # executed, and never sent so
        self.unsent = 0  # executed without a number, as damage made them: nothing of ours
        self.commands: list[Row] = []
        self.owner: list[tuple[Row, bool]] = []  # moves, and whether the file's
        self.broken = ""
        self._sort(outcome.commands)

    def _sort(self, wanted: list[str]) -> None:
        """Executed commands: the file's next, or an insertion. Falsified ones count as what they were sent as."""
        self.done, place = 0, 0
        of_file: dict[int | None, bool] = {}
        falsified_moves: set[int | None] = set()
        self.first_falsified_move: float | None = None
        self.stopped_at = self._stopped_at()
        for row in self.outcome.rows:
            if row["row"] == "move":
                self.owner.append((row, of_file.get(row["number"], False)))
            if row["row"] != "command":
                continue
            text, number = row["text"], row["number"]
            if text not in self._texts.get(number, ()):
                if number is None or number not in self._texts:
                    self.unsent += 1
                    self.falsified.append(row)
                    continue
                self.falsified.append(row)
                falsified_moves.add(number)
                if self.first_falsified_move is None:
                    self.first_falsified_move = row["at"]
                text = self._meant(number, wanted[self.done : self.done + 1])
            self.commands.append({**row, "text": text})
            mine = self.done < len(wanted) and text == wanted[self.done]
            of_file[number] = mine
            if mine:
                self.done += 1
            elif not INSERTED.fullmatch(text) and not self.broken:
                self.broken = (
                    f"executed command {place} is {text!r}, neither the file's next ({wanted[self.done : self.done + 1]}) "
                    "nor an insertion"
                )
            place += 1

    def _meant(self, number: int, following: list[str]) -> str:
        texts = self._texts[number]
        return following[0] if following and following[0] in texts else sorted(texts)[0]

    @property
    def own_moves(self) -> list[Row]:
        return [row for row, mine in self.owner if mine]

    @property
    def inserted_moves(self) -> list[tuple[Row, float]]:
        """Motions of insertions, with the height printed before each."""
        found, top = [], 0.0
        for row, mine in self.owner:
            if not mine:
                found.append((row, top))
            if deposits(row):
                top = max(top, row["z0"], row["z1"])
        return found

    def _stopped_at(self) -> float | None:
        """When damage made M410 of a line of ours, on a board that obeys that before it looks at the checksum."""
        stops = [row["at"] for row in self.board_events("at_once") if row["detail"] == "M410"]
        return min(stops, default=None)

    @property
    def reference(self) -> list[Move]:
        return reference(self.outcome.scenario.how, self.outcome.manners, tuple(self.outcome.commands))

    def rows(self, kind: str) -> list[Row]:
        return [row for row in self.outcome.rows if row["row"] == kind]

    def board_events(self, *kinds: str) -> list[Row]:
        return [row for row in self.rows("event") if row["kind"] in kinds]

    def fault_at(self, *names: str) -> float | None:
        """The clock at which the first of these faults of the board struck."""
        struck = [row["at"] for row in self.board_events("fault") if row["detail"].replace(" nozzle", "") in names]
        return min(struck, default=None)

    def replies(self) -> list[tuple[float, str]]:
        """Whole lines as the runner heard them, with the clock."""
        assert self.outcome.line is not None
        found, rest = [], b""
        for at, data in self.outcome.line.heard:
            *lines, rest = (rest + data).replace(b"\r", b"\n").split(b"\n")
            found += [(at, line.decode("latin-1")) for line in lines if line]
        return found


def _writes(written: list[tuple[float, bytes]]) -> Any:
    for at, data in written:
        for raw in data.split(b"\n"):
            if not raw:
                continue
            found = _LINE.fullmatch(raw)
            if found is None:
                yield Write(at, None, raw.decode("latin-1"))
            else:
                yield Write(at, int(found[1]), found[2].decode("latin-1"))


def still(manners: Manners) -> Manners:
    """The same board without chance, faults or waiting for heat: what the file alone makes it do."""
    calm = HeaterBuild(tau=1.0)
    return replace(
        manners, nozzle=calm, bed=calm, heat_speed=1e4, cold_below=0.0, protection=False, baud=0, person_s=0.1, home_s=0.1,
        noise_in=0.0, noise_out=0.0, faults=(), line_end="lf", seed=1, log_limit=500_000, busy_s=0.0, advanced_ok=False,
        wait_dwell_s=0.0,
    )  # fmt: skip


def reference(how: Any, manners: Manners, commands: tuple[str, ...]) -> list[Move]:
    kept = still(manners)
    return _alone(commands, tuple(kept.settings()))


@lru_cache(maxsize=64)
def _alone(commands: tuple[str, ...], settings: tuple[str, ...]) -> list[Move]:
    return alone(commands, Manners.from_settings(settings))


def slack(scenario: Scenario) -> float:
    """°C by which a true temperature may stand off what readings within tolerance say: three deviations, half a step, a bit."""
    return 3.0 * scenario.number("nozzle.noise", 0.0) + scenario.number("nozzle.resolution", 0.0) / 2 + 0.6
