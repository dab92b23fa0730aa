"""Which setpoints hold at which height.

Stairs and single bands become the same thing here: bands, numbered from 1, that touch and rise. The heights of stairs
are rounded to a nanometre, so that 1.2 mm + 7.5 mm is the 8.7 mm a person would write.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from banderole.plan.config import CHANNEL_UNITS, Printer
from banderole.plan.key_lines import Path as KeyPath
from banderole.plan.refusal import InputError, TomlFile, shown
from banderole.plan.schedule_file import TOUCH_MM, BandRow, HoldPoint, Ramp, ScheduleFile, SettleSettings, Stairs

__all__ = ["Band", "HoldPoint", "Schedule", "SettleSettings", "load_schedule"]

_PLACES = 6  # decimals of a mm (1 nm) or a setpoint: takes off what binary fractions add, no more


@dataclass(frozen=True, slots=True)
class Band:
    """A height interval in mm and its setpoints by channel; ``{}`` leaves the file's own, ``to_mm`` None is the top."""

    number: int
    from_mm: float
    to_mm: float | None
    setpoints: dict[str, float]


@dataclass(frozen=True, slots=True)
class Schedule:
    """Bands in rising order, how crossings settle, and where the run waits for a person."""

    title: str
    material: str | None
    bands: tuple[Band, ...]
    settle: SettleSettings
    hold_points: tuple[HoldPoint, ...]
    channels: tuple[str, ...]

    @classmethod
    def empty(cls) -> "Schedule":
        """Nothing scheduled: for making safe, which wants no schedule."""
        return cls("", None, (), SettleSettings(), (), ())

    def band_at(self, height: float) -> Band:
        """The band that holds a height in mm: lower included, upper excluded, within 1 µm; the last one goes on."""
        after = bisect_right(self.bands, height + TOUCH_MM, key=lambda band: band.from_mm)
        return self.bands[max(0, after - 1)]

    def without_prior(self, printer: Printer) -> tuple[str, ...]:
        """Scheduled channels that can only run if the printer or the file tells their value before they are changed."""
        return tuple(c for c in self.channels if c in ("advance", "retract") and printer.restore.of(c) is None)

    def amended(self, number: int, channel: str, value: float, printer: Printer) -> "Schedule":
        """With one setpoint of one band changed; InputError where it is not scheduled or the printer forbids it."""
        where = f"band {number}, {channel}"
        if not 1 <= number <= len(self.bands):
            raise InputError(f"there is no band {number}", where, f"the bands are 1 to {len(self.bands)}")
        if channel not in self.bands[number - 1].setpoints:
            named = ", ".join(self.bands[number - 1].setpoints) or "none: it is the file's own"
            raise InputError(f"{shown(channel)} is not scheduled in band {number}", where, f"scheduled there: {named}")
        bands = tuple(
            replace(band, setpoints={**band.setpoints, channel: value}) if band.number == number else band
            for band in self.bands
        )
        for what, todo, at, wrong in _objections(bands, printer):
            raise InputError(what, f"band {at}, {wrong}", todo)
        return replace(self, bands=bands)


def load_schedule(path: str | Path, printer: Printer | None = None, called: str | None = None) -> Schedule:
    """The schedule file at ``path``, checked against ``printer`` if given; InputError says what is wrong in one line.

    `called`: the name in messages, where it is not the path.

    Of the file alone: what lies outside the printer's limits is refused, what the part looks like is the survey's.
    """
    file = TomlFile(str(path), "schedule file", called)
    wanted = file.into(ScheduleFile)
    if wanted.stairs is not None:
        bands = _from_stairs(wanted.stairs)
    elif wanted.band is not None:
        bands = _from_rows(wanted.band, file)
    else:
        raise file.refuse("nothing is scheduled", "add [stairs] or [[band]]")
    channels = tuple(c for c in CHANNEL_UNITS if c in bands[-1].setpoints)
    if not channels:
        place: KeyPath = ("stairs",) if wanted.stairs is not None else ("band", 1)
        raise file.refuse("nothing is scheduled", f"name a channel: {', '.join(CHANNEL_UNITS)}", place)
    _check_hold_points(wanted.hold_point, len(bands), file)
    if printer is not None:
        for what, todo, number, channel in _objections(bands, printer):
            place = ("stairs", channel) if wanted.stairs is not None else ("band", number, channel)
            raise file.refuse(what, todo, place)
    points = tuple(sorted(wanted.hold_point, key=lambda point: point.before_band))
    title = wanted.title if wanted.title is not None else Path(called or path).stem
    return Schedule(title, wanted.material, bands, wanted.settle, points, channels)


def _from_stairs(stairs: Stairs) -> tuple[Band, ...]:
    ramps: dict[str, Ramp] = {c: r for c in CHANNEL_UNITS if (r := getattr(stairs, c)) is not None}
    apart = stairs.plinth == "file"
    bands = [Band(1, 0.0, stairs.plinth_mm, {})] if apart else []
    for step in range(stairs.count):
        lower = round(stairs.plinth_mm + stairs.rise_mm * step, _PLACES)
        upper = round(stairs.plinth_mm + stairs.rise_mm * (step + 1), _PLACES)
        setpoints = {c: round(ramp.first + ramp.change * step, _PLACES) for c, ramp in ramps.items()}
        bands.append(Band(len(bands) + 1, lower if bands else 0.0, upper, setpoints))
    return tuple(bands)


def _from_rows(rows: list[BandRow], file: TomlFile) -> tuple[Band, ...]:
    named = {c for row in rows for c in CHANNEL_UNITS if getattr(row, c) is not None}
    bands: list[Band] = []
    for number, row in enumerate(rows, 1):
        lower = _lower_height(number, row, bands[-1] if bands else None, file)
        if row.to_mm is None and number < len(rows):
            raise file.refuse(f"band {number}: to_mm is missing", "only the last may leave it out", ("band", number))
        setpoints = {c: float(getattr(row, c)) for c in CHANNEL_UNITS if getattr(row, c) is not None}
        for channel in CHANNEL_UNITS:
            if channel in named and channel not in setpoints:
                what = f"band {number}: {channel} is missing, but other bands name it"
                raise file.refuse(what, "name every channel in every band", ("band", number))
        bands.append(Band(number, lower, row.to_mm, setpoints))
    return tuple(bands)


def _lower_height(number: int, row: BandRow, below: Band | None, file: TomlFile) -> float:
    """The row's lower height, where it touches what is below it."""
    said = f"band {number}: from_mm = {shown(row.from_mm)}"
    place: KeyPath = ("band", number, "from_mm")
    if below is None:
        if row.from_mm > TOUCH_MM:
            raise file.refuse(f"{said}, but the first band begins on the bed", "write from_mm = 0", place)
        return 0.0
    assert below.to_mm is not None  # checked before the next row is looked at
    if abs(row.from_mm - below.to_mm) <= TOUCH_MM:
        return below.to_mm
    end = f"band {below.number} ends at {shown(below.to_mm)}"
    if row.from_mm < below.from_mm:
        raise file.refuse(f"{said} lies below band {below.number}", "write the bands from the bed upwards", place)
    how = "they overlap" if row.from_mm < below.to_mm else "a gap is left"
    raise file.refuse(f"{said}, but {end}: {how}", f"write from_mm = {shown(below.to_mm)}", place)


def _check_hold_points(points: list[HoldPoint], count: int, file: TomlFile) -> None:
    seen: set[int] = set()
    for number, point in enumerate(points, 1):
        place: KeyPath = ("hold_point", number, "before_band")
        said = f"hold_point[{number}].before_band = {point.before_band}"
        if point.before_band > count:
            raise file.refuse(f"{said}, but there are {count} bands", "name one of them", place)
        if point.before_band in seen:
            raise file.refuse(f"{said} is there twice", "keep one, and put both notes in it", place)
        seen.add(point.before_band)


def _objections(bands: tuple[Band, ...], printer: Printer) -> Iterator[tuple[str, str, int, str]]:
    """What this printer may not be asked for: what, what to do, band number, channel."""
    below: Band | None = None
    for band in bands:
        for channel, value in band.setpoints.items():
            words = printer.objection(channel, value)
            if words is not None:
                yield f"band {band.number}: {words}", "choose another setpoint", band.number, channel
        yield from _nozzle_objections(band, below, printer)
        below = band


def _nozzle_objections(band: Band, below: Band | None, printer: Printer) -> Iterator[tuple[str, str, int, str]]:
    nozzle = band.setpoints.get("nozzle")
    if nozzle is None:
        return
    limits = printer.limits
    said = f"band {band.number}: nozzle = {shown(nozzle)} °C"
    if nozzle < limits.deposit_above:
        what = f"{said} is below limits.deposit_above = {shown(limits.deposit_above)} °C, nothing would be deposited"
        yield what, "choose a higher setpoint", band.number, "nozzle"
    before = below.setpoints.get("nozzle") if below is not None else None
    if before is not None and round(abs(nozzle - before), _PLACES) > limits.nozzle_step:
        what = f"{said} is a step of {shown(round(abs(nozzle - before), _PLACES))} °C from band {band.number - 1}"
        yield f"{what}, over limits.nozzle_step = {shown(limits.nozzle_step)} °C", "step less", band.number, "nozzle"
