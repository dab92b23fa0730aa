"""The survey: a file read once to its end, along the same itinerary as the run takes.

What it finds is of two grades: a refusal (nothing is heated or moved) and a caution (told, recorded). What only a whole
reading can know, `Facts` and the footprint, is given to the run.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

from banderole_protocol.modal import DEPOSIT, SETPOINT, Modal
from banderole_protocol.words import head_of, words_of

from .blocks import Block, blocks_of
from .config import Printer
from .footprint import Footprint
from .itinerary import (
    AskPosition,
    Crossing,
    DwellAside,
    Facts,
    Itinerary,
    PersonWait,
    PreWait,
    Reassertion,
    Stretch,
)
from .refusal import InputError, shown
from .schedule import Schedule

CLEARANCE_MM: Final = 0.5
"""Least height over everything printed at which a travel of ours passes."""
SAME_MM: Final = 0.01
"""Heights of a schedule and a part that differ by less are the same: layer heights are rounded to this in practice."""
MOST_FINDINGS: Final = 50
"""Findings kept of one kind: a person reads a few, and a file of a million bad lines must not fill the memory."""

# Why a command is not for a run over a serial line. Common practice of printer firmware, no source.
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
DEAF_S: Final = {"G28": 60.0, "G29": 600.0}
"""s that a printer may need for a command during which it says nothing (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to be said of a file: `kind` for programs, line (0: of the whole), what, and what to do."""

    kind: str
    line: int
    what: str
    todo: str


@dataclass(slots=True)
class BandRow:
    """One band as the file fills it: where it begins, and what is laid down in it."""

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
    layers: int = 0
    filament_mm: float = 0.0
    seconds: float = 0.0


@dataclass(slots=True)
class Survey:
    """What one reading of a file has found. Lengths mm, times s (the least that motion takes)."""

    file: str
    digest: str = ""
    blocks: int = 0
    facts: Facts = field(default_factory=lambda: Facts(0, 0))
    top: float = 0.0
    layers: int = 0
    filament_mm: float = 0.0
    seconds: float = 0.0
    footprint: Footprint = field(default_factory=Footprint)
    rows: list[BandRow] = field(default_factory=list)
    hold_points: list[int] = field(default_factory=list)
    refusals: list[Finding] = field(default_factory=list)
    cautions: list[Finding] = field(default_factory=list)
    told: dict[str, float] = field(default_factory=dict)  # the file's own last value of each channel before the part
    aside: tuple[float, float] | None = None

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
            "box_mm": None if self.footprint.box is None else [round(v, 3) for v in self.footprint.box],
            "aside_mm": None if self.aside is None else list(self.aside),
            "bands": [_row_json(row) for row in self.rows],
            "hold_points": self.hold_points,
            "refusals": [_finding_json(one) for one in self.refusals],
            "cautions": [_finding_json(one) for one in self.cautions],
        }


def _row_json(row: BandRow) -> dict[str, Any]:
    return {
        "band": row.band,
        "from_mm": row.from_mm,
        "to_mm": row.to_mm,
        "setpoints": row.setpoints,
        "line": row.line,
        "block": row.block,
        "z": round(row.z, 4),
        "why_here": row.why_here,
        "entered": row.entered,
        "layers": row.layers,
        "filament_mm": round(row.filament_mm, 3),
        "seconds": round(row.seconds, 1),
    }


def _finding_json(one: Finding) -> dict[str, Any]:
    return {"kind": one.kind, "line": one.line, "what": one.what, "todo": one.todo}


def survey_file(path: str | Path, schedule: Schedule | None, printer: Printer | None) -> Survey:
    """Survey the file at `path`. Raises InputError for what is missing, unreadable or no G-code with deposits."""
    try:
        with open(path, "rb") as file:
            return survey(file, str(path), schedule, printer)
    except OSError as why:
        reason = "there is no such file" if isinstance(why, FileNotFoundError) else (why.strerror or str(why))
        raise InputError(f"the G-code file cannot be read: {reason}", str(path), "check the name") from why


def survey(file: BinaryIO, where: str, schedule: Schedule | None, printer: Printer | None) -> Survey:
    """Survey an open file from where it stands; `where` names it in messages."""
    return _Surveyor(where, schedule, printer).read(file)


class _Surveyor:
    """One survey in the making."""

    def __init__(self, where: str, schedule: Schedule | None, printer: Printer | None) -> None:
        self._schedule = schedule
        self._printer = printer
        self._found = Survey(where)
        self._digest = hashlib.sha256()
        self._text = b""
        self._row: BandRow | None = None
        self._first = self._last = 0
        self._middles: list[Finding] = []  # only cautions if they lie before the last deposit
        self._values: dict[str, float] = {}

    def read(self, file: BinaryIO) -> Survey:
        e_mode = self._printer.firmware.e_mode if self._printer is not None else None
        itinerary = Itinerary(
            self._hashed(blocks_of(file, self._found.file)), self._schedule, e_mode, None, self._on_block
        )
        for item in itinerary.items():
            self._take(item)
        found = self._found
        if not self._last:
            what = "nothing is laid down in this file" if found.blocks else "the file is empty"
            raise InputError(what, found.file, "give the tower's G-code")
        found.digest = self._digest.hexdigest()
        found.facts = Facts(self._first, self._last)
        found.top = itinerary.top
        self._conclude(itinerary)
        return found

    def _hashed(self, blocks: Iterable[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
        update = self._digest.update
        for line, text in blocks:
            self._found.blocks += 1
            self._text = text
            update(text + b"\n")
            yield line, text

    # ---- block by block

    def _on_block(self, modal: Modal, kind: int, line: int) -> None:
        if modal.unclear and (hidden := _hidden_in(self._text)) is not None:
            self._refuse("command", line, f"{hidden} {_REFUSED[hidden]}", "take it out of the file")
        elif kind == DEPOSIT:
            if not self._first:
                self._first = line
                self._found.told = dict(modal.values)
            self._last = line
            if modal.arc_box is not None:
                self._found.footprint.add_area(modal.arc_box)
            else:
                self._found.footprint.add(modal.x0, modal.y0, modal.x, modal.y)
        elif kind == SETPOINT:
            self._on_setpoint(modal, line)
        elif modal.head in _REFUSED:
            self._refuse("command", line, f"{modal.head} {_REFUSED[modal.head]}", "take it out of the file")
        elif modal.head in _STORES and self._schedule is not None:
            scheduled = [channel for channel in _FACTORS if channel in self._schedule.channels]
            if scheduled:
                what = f"{modal.head} would store or recall {scheduled[0]} while the schedule changes it"
                self._refuse("command", line, what, "take it out of the file")
        elif modal.head == "M302" and _allows_cold(self._text):
            self._refuse("command", line, "M302 would allow extrusion below melting heat", "take it out of the file")
        elif modal.head in ("G5", "G5.1"):
            self._caution("curve", line, f"{modal.head} is not followed: height and time after it may be off", "check")

    def _on_setpoint(self, modal: Modal, line: int) -> None:
        assert modal.setpoint is not None
        channel, value = modal.setpoint.channel, modal.setpoint.value
        self._values[channel] = value
        if self._printer is not None and value != 0.0 and (why := self._printer.objection(channel, value)) is not None:
            if channel in ("nozzle", "bed"):
                self._refuse("limit", line, f"the file asks for what this printer may not: {why}", "correct the file")
            else:
                self._caution("limit", line, f"the file's own {why}", "check the file")
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
                self._found.layers += begins
            case Crossing():
                self._cross(item)
            case PreWait(block=block) | PersonWait(block=block) | DwellAside(block=block):
                self._found.seconds += block.seconds
                if isinstance(item, PersonWait):
                    self._caution("person", block.line, "the file waits for a person here", "be there, or take it out")
            case AskPosition(line=line, head=head) if head in DEAF_S:
                what = f"{head}: nothing may be heard of the printer for up to {DEAF_S[head]:.0f} s"
                self._caution("deaf", line, what, "none needed")
            case Reassertion() | AskPosition():
                pass
            case _:
                raise TypeError(f"the survey does not know {type(item).__name__}")

    def _count(self, blocks: list[Block]) -> None:
        seconds = sum(block.seconds for block in blocks)
        laid = sum(block.laid for block in blocks)
        self._found.seconds += seconds
        self._found.filament_mm += laid
        if self._row is not None:
            self._row.seconds += seconds
            self._row.filament_mm += laid

    def _cross(self, item: Crossing) -> None:
        band = item.band
        for row in self._found.rows:
            if row.band == band.number:
                row.entered += 1
                self._row = row
                return
        self._row = BandRow(
            band.number, band.from_mm, band.to_mm, dict(item.setpoints), item.line, item.block, item.z, item.middle,
            item.why_here,
        )  # fmt: skip
        self._found.rows.append(self._row)

    # ---- the whole

    def _conclude(self, itinerary: Itinerary) -> None:
        found = self._found
        if itinerary.ambiguous_line is not None and (self._printer is None or self._printer.firmware.e_mode is None):
            what = "what E means from here on depends on the firmware"
            todo = 'say firmware.e_mode = "joined" or "apart" in the printer file'
            if self._printer is None:
                self._caution("e_mode", itinerary.ambiguous_line, what, todo)
            else:
                self._refuse("e_mode", itinerary.ambiguous_line, what, todo)
        for line, why in itinerary.unclear:
            self._caution("unclear", line, f"machines differ on this line: {why}", "write it plainly")
        found.cautions += [one for one in self._middles if one.line < self._last]
        if any(value > 0 for channel, value in self._values.items() if channel in ("nozzle", "bed")):
            self._caution("heat_left_on", 0, "the file leaves heat on at its end", "none needed: it is turned off")
        if self._schedule is not None:
            self._hold_against(self._schedule)
        if self._printer is not None:
            self._place_aside(self._printer)

    def _hold_against(self, schedule: Schedule) -> None:
        top, last = self._found.top, schedule.bands[-1]
        reached = {row.band for row in self._found.rows}
        if missed := [band.number for band in schedule.bands if band.number not in reached]:
            named = ", ".join(map(str, missed))
            what = f"nothing lies in band {named}: the part is {top:.2f} mm tall"
            self._caution("shorter", 0, what, "check the schedule against the part")
        if last.to_mm is not None and top > last.to_mm + SAME_MM:
            what = (
                f"the part is {top:.2f} mm tall and the schedule ends at {last.to_mm:g} mm; band {last.number} goes on"
            )
            self._caution("taller", 0, what, "check the schedule against the part")
        self._found.hold_points = [point.before_band for point in schedule.hold_points]

    def _place_aside(self, printer: Printer) -> None:
        found, volume = self._found, printer.volume
        box = found.footprint.box
        assert box is not None
        if not (volume.x[0] <= box[0] and box[2] <= volume.x[1] and volume.y[0] <= box[1] and box[3] <= volume.y[1]):
            what = f"deposits from X {box[0]:.1f} Y {box[1]:.1f} to X {box[2]:.1f} Y {box[3]:.1f} leave the volume"
            self._caution("volume", 0, what, "check the file, or [volume]")
        if found.top > volume.z[1]:
            self._caution("volume", 0, f"the part's top, {found.top:.2f} mm, is above the volume", "check the file")
        if printer.aside.at == "auto":
            found.aside = found.footprint.waiting_place(volume)
            if found.aside is None:
                self._refuse(
                    "aside", 0, "no place on the bed is clear of the part to wait at", "give aside.at = [x, y]"
                )
        else:
            found.aside = printer.aside.at
            if not found.footprint.clear(*found.aside):
                what = f"aside.at = [{found.aside[0]:g}, {found.aside[1]:g}] is over what is printed"
                self._caution("aside", 0, what, "waiting there drips on it: choose a clear place")
        if found.top + CLEARANCE_MM > volume.z[1]:
            what = "the part reaches so high that nothing of ours can pass above it; the nozzle then waits in place"
            self._caution("headroom", 0, what, "mind what it oozes")

    def _refuse(self, kind: str, line: int, what: str, todo: str) -> None:
        if len(self._found.refusals) < MOST_FINDINGS:
            self._found.refusals.append(Finding(kind, line, what, todo))

    def _caution(self, kind: str, line: int, what: str, todo: str) -> None:
        if len(self._found.cautions) < MOST_FINDINGS:
            self._found.cautions.append(Finding(kind, line, what, todo))


def _hidden_in(block: bytes) -> str | None:
    """A refused command that stands behind another one in the same line: some firmware carries out both."""
    codes = (head_of([word]) for word in words_of(block) if word[0] == "M")
    return next((code for code in codes if code in _REFUSED), None)


def _allows_cold(block: bytes) -> bool:
    """M302 alone only asks; with P above 0, or with S below melting heat, it takes the guard away."""
    words = dict(words_of(block))
    assert head_of(list(words.items())) == "M302"
    return bool(words.get("P")) or (words.get("S") is not None and float(words["S"] or 0.0) < 150.0)
