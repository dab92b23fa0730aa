"""The survey: a file read once to its end, along the same itinerary as the run takes.

What it finds is of two grades: a refusal (nothing is heated or moved) and a caution (told, recorded). What only a whole
reading can know, `Facts`, the layers, the time and the footprint, is given to the run.
"""

from __future__ import annotations

import gc
import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

from banderole_protocol.modal import DEPOSIT, SETPOINT, TRAVEL, Modal

from . import cautions, unfit
from .blocks import Block, pieces_of
from .config import Printer
from .findings import MOST_FINDINGS, Finding, Findings
from .footprint import Footprint, around
from .itinerary import (
    AskPosition,
    Crossing,
    DwellAside,
    Facts,
    PersonWait,
    PreWait,
    Reassertion,
    Stretch,
)
from .layers import Layer, Layers
from .motion_limits import MotionLimits
from .moves import Moves
from .refusal import InputError, shown
from .schedule import Schedule
from .survey_itinerary import SurveyItinerary
from .survey_time import DRAINS, SurveyTime

CLEARANCE_MM: Final = 0.5
"""Least height over everything printed at which a travel of ours passes."""
SAME_MM: Final = 0.01
"""Heights of a schedule and a part that differ by less are the same: layer heights are rounded to this in practice."""
OFTEN: Final = gc.get_threshold()
SELDOM: Final = 20_000
"""Objects made between two looks for circles; in a survey, and else. One look takes a millisecond or two then."""
DEAF_S: Final = {"G28": 60.0, "G29": 600.0}
"""s that a printer may need for a command during which it says nothing (common practice, no source)."""


@dataclass(slots=True)
class BandRow:
    """One band as the file fills it: where it begins, and what is laid down in it. Lengths mm, times s."""

    band: int
    from_mm: float
    to_mm: float | None
    setpoints: dict[str, float]
    line: int
    block: int
    z: float
    middle: float
    why_here: str
    entered: int = 1
    layer: int = 0  # its first, from 1
    layers: int = 0
    filament_mm: float = 0.0
    seconds: float = 0.0
    settle_s: float | None = None  # foreseen for its first crossing; None where nothing is known of the heater
    flow_mm3_s: float = 0.0  # of that layer in which most is asked of the nozzle

    @property
    def off_mm(self) -> float:
        """How far above the height that the schedule says the first layer of the band begins (below: negative)."""
        return 2 * self.middle - self.z - self.from_mm if self.z > self.middle else 0.0

    def as_json(self) -> dict[str, Any]:
        return {
            "band": self.band,
            "from_mm": self.from_mm,
            "to_mm": self.to_mm,
            "setpoints": self.setpoints,
            "line": self.line,
            "block": self.block,
            "z": round(self.z, 4),
            "off_mm": round(self.off_mm, 4),
            "why_here": self.why_here,
            "entered": self.entered,
            "layer": self.layer,
            "layers": self.layers,
            "filament_mm": round(self.filament_mm, 3),
            "seconds": round(self.seconds, 1),
            "settle_s": None if self.settle_s is None else round(self.settle_s, 1),
            "flow_mm3_s": round(self.flow_mm3_s, 2),
        }


@dataclass(slots=True)
class Survey:
    """What one reading of a file has found. Lengths mm, times s: that of motion, settling apart."""

    file: str
    digest: str = ""
    blocks: int = 0
    facts: Facts = field(default_factory=lambda: Facts(0, 0))
    top: float = 0.0
    layers: int = 0
    layer_table: list[Layer] = field(default_factory=list)
    filament_mm: float = 0.0
    seconds: float = 0.0
    before_s: float = 0.0  # of them before the first layer
    footprint: Footprint = field(default_factory=Footprint)
    rows: list[BandRow] = field(default_factory=list)
    hold_points: list[int] = field(default_factory=list)
    findings: Findings = field(default_factory=Findings)
    told: dict[str, float] = field(default_factory=dict)  # the file's own last value of each channel before the part
    aside: tuple[float, float] | None = None

    @property
    def refusals(self) -> list[Finding]:
        return self.findings.refusals

    @property
    def cautions(self) -> list[Finding]:
        return self.findings.cautions

    @property
    def settle_s(self) -> float:
        """Settling foreseen in all crossings, as far as it is."""
        return sum((row.settle_s or 0.0) * row.entered for row in self.rows)

    def refusal(self) -> str | None:
        """The first refusal as one line (what, where, what to do), or None."""
        if not self.refusals:
            return None
        first = self.refusals[0]
        return f"{first.what}, {self.file}:{first.line}: {first.todo}" if first.line else f"{first.what}: {first.todo}"

    def as_json(self) -> dict[str, Any]:
        """The whole as plain data, for `--json`."""
        return {
            "file": self.file,
            "blocks_sha256": self.digest,
            "blocks": self.blocks,
            "first_deposit_line": self.facts.first_deposit,
            "last_deposit_line": self.facts.last_deposit,
            "top_mm": round(self.top, 4),
            "layers": self.layers,
            "filament_mm": round(self.filament_mm, 3),
            "seconds": round(self.seconds, 1),
            "settle_s": round(self.settle_s, 1),
            "box_mm": None if self.footprint.box is None else [round(v, 3) for v in self.footprint.box],
            "aside_mm": None if self.aside is None else list(self.aside),
            "bands": [row.as_json() for row in self.rows],
            "hold_points": self.hold_points,
            "refusals": [one.as_json() for one in self.refusals],
            "cautions": [one.as_json() for one in self.cautions],
            "layer_table": [layer.as_json() for layer in self.layer_table],
        }


def survey_file(path: str | Path, schedule: Schedule | None, printer: Printer | None, *, timed: bool = True) -> Survey:
    """Survey the file at `path`. Raises InputError for what is missing, unreadable or no G-code with deposits."""
    try:
        with open(path, "rb") as file:
            return survey(file, str(path), schedule, printer, timed=timed)
    except OSError as why:
        reason = "there is no such file" if isinstance(why, FileNotFoundError) else (why.strerror or str(why))
        raise InputError(f"the G-code file cannot be read: {reason}", str(path), "check the name") from why


def survey(
    file: BinaryIO, where: str, schedule: Schedule | None, printer: Printer | None, *, timed: bool = True
) -> Survey:
    """Survey an open file from where it stands; `where` names it in messages.

    Not `timed`: the seconds are only the least that motion can take, length by feed, and the survey takes less of them.
    """
    with _seldom_collected():
        return _Surveyor(where, schedule, printer, timed).read(file)


@contextmanager
def _seldom_collected() -> Iterator[None]:
    """A survey keeps thousands of small objects and makes no circles of them: looking for circles is a tenth of its time."""
    gc.set_threshold(SELDOM, *OFTEN[1:])
    try:
        yield
    finally:
        gc.set_threshold(*OFTEN)  # not what it was before: two surveys may go on at once


class _Surveyor:
    """One survey in the making."""

    def __init__(self, where: str, schedule: Schedule | None, printer: Printer | None, timed: bool) -> None:
        self._schedule = schedule
        self._printer = printer
        self._found = Survey(where)
        self._say = self._found.findings
        self._digest = hashlib.sha256()
        self._row: BandRow | None = None
        self._layers = Layers(self._found.footprint)
        self._first = self._last = 0
        self._middles: list[Finding] = []  # only cautions if they lie before the last deposit
        self._values: dict[str, float] = {}
        self._turned_off: set[str] = set()
        motion = printer.motion if printer is not None else None
        limits = MotionLimits.of(motion.acceleration, motion.junction) if motion is not None else MotionLimits()
        self._time = SurveyTime(limits) if timed else None
        self._itinerary: SurveyItinerary

    def read(self, file: BinaryIO) -> Survey:
        found = self._found
        e_mode = self._printer.firmware.e_mode if self._printer is not None else None
        pieces = pieces_of(file, found.file, self._digest.update)
        draining = DRAINS if self._time is not None else frozenset[str]()
        itinerary = SurveyItinerary(pieces, self._schedule, e_mode, self._on_block, self._on_moves, draining)
        self._itinerary = itinerary
        for item in itinerary.items():
            self._take(item)
        found.blocks = itinerary.ordinal
        if not self._last:
            what = "nothing is laid down in this file" if found.blocks else "the file is empty"
            raise InputError(what, found.file, "give the tower's G-code")
        found.digest = self._digest.hexdigest()
        found.facts = Facts(self._first, self._last)
        found.top = itinerary.top
        self._conclude(itinerary)
        return found

    # ---- block by block

    def _on_block(self, modal: Modal, kind: int, line: int) -> None:
        if kind == DEPOSIT:
            self._on_deposit(modal, line)
        if kind in (DEPOSIT, TRAVEL):
            if modal.unclear:
                self._look_behind(line)
            if self._time is not None:
                self._time.motion(modal, self._itinerary.text)
            return
        if modal.unclear:
            self._look_behind(line)
        if self._time is not None:
            self._time.other(modal, kind, self._itinerary.text, self._itinerary.ahead)
        if kind == SETPOINT:
            self._on_setpoint(modal, line)
        else:
            self._on_other(modal, line)

    def _on_deposit(self, modal: Modal, line: int) -> None:
        found, itinerary = self._found, self._itinerary
        if not self._first:
            self._first = line
            found.told = dict(modal.values)
        self._last = line
        if self._layers.begins(itinerary.layer):
            height = 2 * (modal.z - itinerary.middle)
            layer = self._layers.begin(itinerary.layer, modal.z, height, line, itinerary.ordinal, modal.x, modal.y)
            if self._time is not None:
                self._time.mark(self._row.band if self._row is not None else None, layer)
            if self._row is not None:
                self._row.layer = self._row.layer or len(self._layers.rows)
        self._layers.deposit(modal)
        if modal.arc_box is not None:
            found.footprint.add_areas((modal.arc_box,))
        else:
            found.footprint.add(modal.x0, modal.y0, modal.x, modal.y)

    def _on_moves(self, moves: Moves) -> None:
        begun: list[tuple[int, Layer]] = []
        if moves.last_deposit:
            self._last = moves.last_deposit
            begun = self._layers.moves(moves, self._itinerary.ordinal)
            if self._row is not None:
                self._row.layers += len(moves.layers)
                if begun and not self._row.layer:  # crossed to within a turn of a spiral
                    self._row.layer = len(self._layers.rows) - len(begun) + 1
        if self._time is not None:
            self._time.moves(moves, self._row.band if self._row is not None else None, begun)

    def _look_behind(self, line: int) -> None:
        """A refused command behind another one in the same line: some firmware carries out both."""
        if (why := unfit.hidden(self._itinerary.text)) is not None:
            self._say.refuse("command", line, why, "take it out of the file")

    def _on_other(self, modal: Modal, line: int) -> None:
        text = self._itinerary.text
        if (why := unfit.why(modal.head, text, self._schedule)) is not None:
            if not (modal.unclear and unfit.hidden(text)):  # said already
                self._say.refuse("command", line, why, "take it out of the file")
        elif modal.head in ("G5", "G5.1"):
            what = f"{modal.head} is not followed: height and time after it may be off"
            self._say.caution("curve", line, what, "check")

    def _on_setpoint(self, modal: Modal, line: int) -> None:
        assert modal.setpoint is not None
        channel, value = modal.setpoint.channel, modal.setpoint.value
        self._values[channel] = value
        if value == 0.0:
            self._turned_off.add(channel)
        if channel == "feed" and self._time is not None:
            self._time.feed_factor(value)
        if self._printer is not None and value != 0.0 and (why := self._printer.objection(channel, value)) is not None:
            if channel in ("nozzle", "bed"):
                what = f"the file asks for what this printer may not: {why}"
                self._say.refuse("limit", line, what, "correct the file")
            else:
                self._say.caution("limit", line, f"the file's own {why}", "check the file")
        if self._first and self._schedule is not None and channel in self._schedule.channels:
            what = f"the file sets {channel} to {shown(value)} in the middle; the band's setpoint is set again after it"
            if len(self._middles) < MOST_FINDINGS:
                self._middles.append(Finding("file_setpoint", line, what, "none needed"))

    # ---- item by item

    def _take(self, item: object) -> None:
        match item:
            case Stretch(blocks=blocks, layer_begins=begins):
                self._count(blocks)
                if begins and self._row is not None:
                    self._row.layers += 1
            case Crossing():
                self._cross(item)
            case PreWait(block=block) | PersonWait(block=block) | DwellAside(block=block):
                self._found.seconds += block.seconds
                if isinstance(item, PersonWait):
                    what = "the file waits for a person here"
                    self._say.caution("person", block.line, what, "be there, or take it out")
            case AskPosition(line=line, head=head) if head in DEAF_S:
                what = f"{head}: nothing may be heard of the printer for up to {DEAF_S[head]:.0f} s"
                self._say.caution("deaf", line, what, "none needed")
            case Reassertion() | AskPosition():
                pass
            case _:
                raise TypeError(f"the survey does not know {type(item).__name__}")

    def _count(self, blocks: list[Block]) -> None:
        seconds = sum([block.seconds for block in blocks])
        laid = sum([block.laid for block in blocks])
        self._found.seconds += seconds
        self._found.filament_mm += laid
        if self._row is not None:
            self._row.seconds += seconds
            self._row.filament_mm += laid

    def _cross(self, item: Crossing) -> None:
        band = item.band
        self._row = next((row for row in self._found.rows if row.band == band.number), None)
        if self._row is not None:
            self._row.entered += 1
        else:
            self._row = BandRow(
                band.number, band.from_mm, band.to_mm, dict(item.setpoints), item.line, item.block, item.z, item.middle,
                item.why_here,
            )  # fmt: skip
            self._found.rows.append(self._row)
        if self._time is not None:
            self._time.rest()
            self._time.feed_factor(item.setpoints.get("feed", 0.0))
            self._time.mark(band.number, self._layers.rows[-1] if self._layers.rows else None)

    # ---- the whole

    def _conclude(self, itinerary: SurveyItinerary) -> None:
        found, say = self._found, self._say
        self._layers.end(found.blocks)
        found.footprint.widen(*around([layer.box for layer in self._layers.rows]))
        found.layers, found.layer_table = itinerary.layer, self._layers.rows
        if itinerary.ambiguous_line is not None and (self._printer is None or self._printer.firmware.e_mode is None):
            what = "what E means from here on depends on the firmware"
            todo = 'say firmware.e_mode = "joined" or "apart" in the printer file'
            tell = say.caution if self._printer is None else say.refuse
            tell("e_mode", itinerary.ambiguous_line, what, todo)
        for why, (line, count) in itinerary.unclear.items():
            others = f" and {count - 1} more like it" if count > 1 else ""
            say.caution("unclear", line, f"machines differ on this line{others}: {why}", "write it plainly")
        for one in self._middles:
            if one.line < self._last:
                say.caution(one.kind, one.line, one.what, one.todo)
        self._share_time()
        cautions.about_heat_left(self._values, self._turned_off, say)
        if self._schedule is not None:
            self._rate_flow()
            cautions.about_flow(found.rows, say)
            cautions.about_material(self._schedule, found.told, say)
            cautions.about_first_layer(self._schedule, found.told, say)
            self._hold_against(self._schedule)
        if self._printer is not None:
            self._place_aside(self._printer)

    def _share_time(self) -> None:
        if self._time is None:
            return
        found = self._found
        found.seconds, bands = self._time.share_out()
        found.before_s = found.seconds - sum(layer.seconds for layer in found.layer_table)
        for row in found.rows:
            row.seconds = bands.get(row.band, 0.0)

    def _rate_flow(self) -> None:
        """The layer of each band in which most filament is asked for in the time of its deposits."""
        assert self._schedule is not None
        diameter = self._printer.filament.diameter if self._printer is not None else 1.75
        area = math.pi * diameter**2 / 4
        rows = {row.band: row for row in self._found.rows}
        for layer in self._found.layer_table:
            row = rows.get(self._schedule.band_at(layer.z - layer.height / 2).number)
            if row is None or layer.deposit_s <= 0.0:
                continue
            asked = layer.filament_mm * area / layer.deposit_s
            asked *= row.setpoints.get("flow", 100.0) / 100.0 * row.setpoints.get("feed", 100.0) / 100.0
            row.flow_mm3_s = max(row.flow_mm3_s, asked)

    def _hold_against(self, schedule: Schedule) -> None:
        top, last = self._found.top, schedule.bands[-1]
        reached = {row.band for row in self._found.rows}
        if missed := [band.number for band in schedule.bands if band.number not in reached]:
            named = ", ".join(map(str, missed))
            what = f"nothing lies in band {named}: the part is {top:.2f} mm tall"
            self._say.caution("shorter", 0, what, "check the schedule against the part")
        if last.to_mm is not None and top > last.to_mm + SAME_MM:
            what = (
                f"the part is {top:.2f} mm tall and the schedule ends at {last.to_mm:g} mm; band {last.number} goes on"
            )
            self._say.caution("taller", 0, what, "check the schedule against the part")
        self._found.hold_points = [point.before_band for point in schedule.hold_points]

    def _place_aside(self, printer: Printer) -> None:
        found, volume = self._found, printer.volume
        box = found.footprint.box
        assert box is not None
        cautions.about_volume(printer, box, found.top, self._say)
        if printer.aside.at == "auto":
            found.aside = found.footprint.waiting_place(volume)
            if found.aside is None:
                self._say.refuse(
                    "aside", 0, "no place on the bed is clear of the part to wait at", "give aside.at = [x, y]"
                )
        else:
            found.aside = printer.aside.at
            if not found.footprint.clear(*found.aside):
                what = f"aside.at = [{found.aside[0]:g}, {found.aside[1]:g}] is over what is printed"
                self._say.caution("aside", 0, what, "waiting there drips on it: choose a clear place")
        if found.top + CLEARANCE_MM > volume.z[1]:
            what = "the part reaches so high that nothing of ours can pass above it; the nozzle then waits in place"
            self._say.caution("headroom", 0, what, "mind what it oozes")
