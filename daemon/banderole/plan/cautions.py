"""What a person should know before a run, from the survey, the schedule and the printer file. Nothing here refuses.

Ranges of materials are for warnings, never targets: the maker's data sheet holds. Their sources stand beside them; [M] is
from memory.
"""

from __future__ import annotations

import math
from typing import Final

from .config import Printer
from .findings import Findings
from .refusal import shown
from .schedule import Schedule

TYPE_CHECKING = False
if TYPE_CHECKING:
    from .survey import BandRow

# Melt processing, °C: ABS, PC, PA6 and the lower end of TPU from polymer handbooks; PLA, PETG [M].
MELTS_C: Final = {
    "PLA": (180.0, 220.0),
    "PETG": (220.0, 260.0),
    "ABS": (190.0, 270.0),
    "PC": (280.0, 320.0),
    "PA6": (230.0, 290.0),
    "TPU": (215.0, math.inf),
}
# Glass transition, °C: PLA 60–65, ABS 90–102, PC 145–150 from handbooks; PETG ~80, ASA ~100, PA6 ~55 [M]. A bed is kept near it.
SOFTENS_C: Final = {"PLA": 60.0, "PETG": 80.0, "ABS": 100.0, "ASA": 100.0, "PC": 145.0, "PA6": 55.0}
BED_ABOVE_C: Final = 20.0
BED_BELOW_C: Final = 40.0
"""A bed so far from where the material softens holds its first layer badly, or lets it sag (common practice, no source)."""
FIRST_LAYER_C: Final = 20.0
"""A nozzle so far from the file's own at its first layer: bed and nozzle were chosen for each other there (likewise)."""
MELT_MM3_S: Final = 11.0
"""What a plain hot end with a 0.4 mm nozzle melts, mm³/s (common practice, no source). Above it a band tells of the hot end's
limit and not of its setpoint."""


def about_material(schedule: Schedule, told: dict[str, float], findings: Findings) -> None:
    """Setpoints outside what is usual for the schedule's material. `told`: the file's own values before the part."""
    name = _material(schedule.material)
    if name is None:
        return
    low, high = MELTS_C.get(name, (-math.inf, math.inf))
    out = [b for b in schedule.bands if (v := b.setpoints.get("nozzle")) is not None and not low <= v <= high]
    if out:
        which = ", ".join(f"{shown(band.setpoints['nozzle'])} °C in band {band.number}" for band in out[:3])
        what = f"{which}{' and more' if len(out) > 3 else ''}: {name} is usually worked at {low:g} to {high:g} °C"
        what = what.replace("to inf °C", "°C and above")
        findings.caution("material", 0, what, "hold it against the maker's data sheet")
    bed, softens = schedule.bands[0].setpoints.get("bed", told.get("bed")), SOFTENS_C.get(name)
    if bed and softens is not None and not softens - BED_BELOW_C <= bed <= softens + BED_ABOVE_C:
        what = f"the bed is at {shown(bed)} °C for the first layer, and {name} softens near {softens:g} °C"
        findings.caution("first_layer", 0, what, "check the bed's setting")


def about_first_layer(schedule: Schedule, told: dict[str, float], findings: Findings) -> None:
    """Band 1 against what the file itself would have its first layer at."""
    first, own = schedule.bands[0].setpoints.get("nozzle"), told.get("nozzle")
    if first is not None and own and abs(first - own) > FIRST_LAYER_C:
        word = "hotter" if first > own else "colder"
        what = f"band 1 lays the first layer {abs(first - own):.0f} °C {word} than the file's own {shown(own)} °C"
        findings.caution("first_layer", 0, what, "its hold on the bed may suffer: watch it")


def about_flow(rows: list[BandRow], findings: Findings) -> None:
    """Bands in which more is asked of the hot end than a plain one melts."""
    fast = [row for row in rows if row.flow_mm3_s > MELT_MM3_S]
    if fast:
        most = max(fast, key=lambda row: row.flow_mm3_s)
        bands = "band" if len(fast) == 1 else "bands"
        named = ", ".join(str(row.band) for row in fast)
        asked = f"up to {most.flow_mm3_s:.1f} mm³/s are asked of the nozzle in {bands} {named}"
        what = f"{asked}; a plain hot end melts about {MELT_MM3_S:g}"
        findings.caution("flow", most.line, what, "print the tower slower, or the bands tell of the hot end's limit")


def about_heat_left(values: dict[str, float], turned_off: set[str], findings: Findings) -> None:
    """Heat that the file leaves on, or never turns off."""
    left = [channel for channel in ("nozzle", "bed") if values.get(channel, 0.0) > 0.0]
    if not left:
        return
    if turned_off.isdisjoint(left):
        what = f"the file never turns the {' and the '.join(left)} off"
    else:
        what = "the file leaves heat on at its end"
    findings.caution("heat_left_on", 0, what, "none needed: it is turned off")


def about_volume(printer: Printer, box: tuple[float, float, float, float], top: float, findings: Findings) -> None:
    """What would leave the volume."""
    volume = printer.volume
    if not (volume.x[0] <= box[0] and box[2] <= volume.x[1] and volume.y[0] <= box[1] and box[3] <= volume.y[1]):
        what = f"deposits from X {box[0]:.1f} Y {box[1]:.1f} to X {box[2]:.1f} Y {box[3]:.1f} leave the volume"
        findings.caution("volume", 0, what, "check the file, or [volume]")
    if top > volume.z[1]:
        findings.caution("volume", 0, f"the part's top, {top:.2f} mm, is above the volume", "check the file")


def _material(told: str | None) -> str | None:
    """The known material that the schedule's own word begins with: `PETG`, `petg-CF`, `PLA plus`."""
    letters = "".join(c if c.isalnum() else " " for c in (told or "").upper()).split()
    return next((name for name in SOFTENS_C | MELTS_C if letters and letters[0] == name), None)
