"""Judges a run by what the emulated printer really did, never by what the run says of itself.

It reads the log that the printer's process wrote, and knows the file; it uses nothing of the run's own code.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from banderole.bench import EmulatedPrinter, Manners, Move

INSERTED = re.compile(
    r"M105|M110 N\d+|M11[45]|M155 S\d+|M400|M85 S\d+|M104 (T\d )?S[\d.]+( T\d)?|M140 S[\d.]+|M141 S0|M106 S[\d.]+|M107|"
    r"M22[01]( S[\d.]+)?|M900( K[\d.]+)?|M207( S[\d.]+)?|G1( [XYZEF]-?[\d.]+)+|G92 E-?[\d.]+|G1[01]|M112|M108"
)
"""All that a run may put between the blocks of a file: nothing that homes, changes a mode, or waits inside the printer."""
SAME_MM = 1e-4
"""Our own insertions are written to 1e-5 mm; an inch file's to 1e-7 in. Below a tenth of a motor's step."""
CLEAR_MM = 0.3
"""Inserted travel passes at least so far above everything printed."""

Row = dict[str, Any]


@dataclass(frozen=True)
class Log:
    """The printer's log: rows in the order in which they were written."""

    rows: tuple[Row, ...]

    @staticmethod
    def read(path: Path) -> Log:
        lines = path.read_text().splitlines(keepends=True)
        return Log(tuple(json.loads(line) for line in lines if line.endswith("\n")))

    def kind(self, name: str) -> list[Row]:
        return [row for row in self.rows if row["row"] == name]

    @cached_property
    def commands(self) -> list[Row]:
        return self.kind("command")

    @property
    def deposits(self) -> list[Row]:
        return [row for row in self.kind("move") if deposits(row)]

    def faults(self) -> list[str]:
        return [row["detail"] for row in self.kind("event") if row["kind"] == "fault"]


def deposits(move: Row) -> bool:
    return bool(move["filament"] > 0.0 and move["kind"] in ("line", "arc"))


def alone(commands: Sequence[str], manners: Manners) -> list[Move]:
    """The motions of an emulated printer that is given the file and nothing else, in virtual time."""
    printer, now = EmulatedPrinter(manners), 0.0
    for text in commands:
        printer.receive(text.encode("latin-1") + b"\n", now)
        while b"ok" not in printer.advance(now):
            at = printer.next_event(now)
            assert at is not None, f"the printer never took {text!r}"
            now = at
    printer.advance(max(now, printer.machine.planner.rest_at))
    return list(printer.log.moves)


class Verdict:
    """What became of a file's commands, and the checks. `whole`: the run went to the end of the file."""

    def __init__(self, log: Log, commands: Sequence[str], manners: Manners, whole: bool = True) -> None:
        self.log = log
        self.whole = whole
        self._commands = commands
        self._reference = alone(commands, manners)
        self._places = self._matched()

    def _matched(self) -> set[int]:
        """Which executed commands are the file's: the first match of the file as a subsequence.

        Whatever stands between must be something a run may insert, so nothing is added or done twice.
        """
        places: set[int] = set()
        wanted = 0
        for at, row in enumerate(self.log.commands):
            if wanted < len(self._commands) and row["text"] == self._commands[wanted]:
                places.add(at)
                wanted += 1
            else:
                assert INSERTED.fullmatch(row["text"]), (
                    f"executed command {at} is {row['text']!r}, neither the file's next "
                    f"({self._commands[wanted : wanted + 1]}) nor an insertion"
                )
        if self.whole:
            assert wanted == len(self._commands), f"never executed: {self._commands[wanted]!r} (command {wanted})"
        self.done = wanted
        return places

    @cached_property
    def split(self) -> tuple[list[Row], list[tuple[Row, float]]]:
        """The motions of the file's commands, and of insertions with the height printed before each."""
        own: list[Row] = []
        inserted: list[tuple[Row, float]] = []
        of_file: dict[int | None, bool] = {}
        at, top = 0, 0.0
        for row in self.log.rows:
            if row["row"] == "command":
                of_file[row["number"]] = at in self._places
                at += 1
            elif row["row"] == "move":
                if of_file[row["number"]]:
                    own.append(row)
                else:
                    inserted.append((row, top))
                if deposits(row):
                    top = max(top, row["z0"], row["z1"])
        return own, inserted

    # ---- the checks

    def same_part(self) -> None:
        """Every motion of the file is what it is without us; insertions lay nothing down."""
        own, inserted = self.split
        laid = [move for move, _ in inserted if deposits(move)]
        assert not laid, f"an insertion lays filament down: {laid[0]}"
        wanted = [move for move in self._reference if move.kind != "home"]
        have = [move for move in own if move["kind"] != "home"]
        if self.whole:
            assert len(have) == len(wanted)
        for number, (mine, theirs) in enumerate(zip(have, wanted, strict=False)):
            last_cut = not self.whole and number == len(have) - 1
            for name in ("x0", "y0", "z0") if last_cut else ("x0", "y0", "z0", "x1", "y1", "z1", "e", "feed"):
                assert abs(mine[name] - getattr(theirs, name)) <= SAME_MM, f"motion {number}: {name}: {mine} {theirs}"
            assert mine["known"], f"motion {number} is made by motors that were let go: {mine}"

    def right_band(
        self, layer: float, steps: Sequence[float], values: Mapping[str, Sequence[float]], tolerance: float
    ) -> None:
        """Each deposit at its band's setpoints: a flat one by its layer's middle, a sloping one by its own path's middle.

        Not judged are motions that the heat-off of an abort overtook. `steps` are the lower ends of the bands, mm; `values`
        by channel (nozzle °C, fan 0–255, flow %, feed %).
        """
        until = math.inf if self.whole else self._off_at()
        for move in self.log.deposits:
            if move["end"] >= until:
                break
            flat = abs(move["z1"] - move["z0"]) < 1e-4
            middle = move["z1"] - layer / 2 if flat else (move["z0"] + move["z1"]) / 2
            band = max(number for number, step in enumerate(steps) if middle >= step - 0.001)
            for channel, by_band in values.items():
                value, where = by_band[band], f"deposit {move} of band {band + 1}"
                if channel == "nozzle":
                    assert move["target"] == move["target_end"] == value, (
                        f"{where}: target {move['target']}, not {value}"
                    )
                    assert abs(move["nozzle"] - value) <= tolerance, f"{where}: nozzle at {move['nozzle']}, not {value}"
                else:
                    have = move[{"fan": "fan", "flow": "flow", "feed": "factor"}[channel]]
                    assert abs(have - value) <= 0.51, f"{where}: {channel} {have}, not {value}"

    def travel_clear(self) -> None:
        """Whatever an insertion moves sideways, it moves above everything printed."""
        for move, top in self.split[1]:
            sideways = abs(move["x1"] - move["x0"]) + abs(move["y1"] - move["y0"]) > 1e-6
            low = min(move["z0"], move["z1"])
            assert not (top and sideways) or low >= top + CLEAR_MM, f"{move} passes at {low}, printed up to {top}"

    def heat_off(self) -> None:
        """No heater is on at the end."""
        assert all(value == 0.0 for value in self.targets().values()), self.targets()

    def file_commands_since(self, zero: float, moment: float) -> list[str]:
        """The file's commands that the printer began after a moment; its clock began at `zero`."""
        rows = enumerate(self.log.commands)
        return [row["text"] for at, row in rows if at in self._places and zero + row["at"] > moment]

    def _off_at(self) -> float:
        """When heat went off for the last time, on the printer's clock."""
        off = math.inf
        for row in self.log.rows:
            if row["row"] == "setpoint" and row["channel"] == "nozzle":
                off = math.inf if row["value"] else min(off, row["at"])
            elif row["row"] == "event" and row["kind"] in ("restart", "halted"):
                off = min(off, row["at"])
        return float(off)

    def targets(self) -> dict[str, float]:
        """Setpoints of the heaters at the end; a restart or a halt of the board takes them away."""
        found: dict[str, float] = {}
        for row in self.log.rows:
            if row["row"] == "setpoint" and row["channel"] in ("nozzle", "bed"):
                found[row["channel"]] = row["value"]
            elif row["row"] == "event" and row["kind"] in ("restart", "halted"):
                found.clear()
        return found

    def all_of_it(
        self, layer: float, steps: Sequence[float], values: Mapping[str, Sequence[float]], tolerance: float
    ) -> None:
        self.same_part()
        self.right_band(layer, steps, values, tolerance)
        self.travel_clear()
        self.heat_off()
