"""The schedule file as it is written: uniform stairs, or bands one by one. ``schedule`` makes one thing of both."""

from typing import Literal, Self

from pydantic import Field, model_validator

from banderole.plan.refusal import Table, Wrong, shown

TALLEST_MM = 2000  # mm; taller than any desktop machine
MOST_BANDS = 1000  # more than a tower has layers; bounds what a misprint can make us build
TOUCH_MM = 0.001  # mm; the contract's micrometre: heights this near are the same height
THINNEST_MM = 0.01  # mm; no layer is thinner, so a thinner band is a misprint


class Ramp(Table):
    """One channel over uniform stairs, in the channel's unit."""

    first: float = Field(description="the first step's setpoint")
    change: float = Field(default=0, description="what each further step adds")


class Stairs(Table):
    """Uniform steps above a plinth. Lengths in mm."""

    plinth_mm: float = Field(default=0, ge=0, le=TALLEST_MM, description="mm below the first step")
    plinth: Literal["first", "file"] = Field(default="first", description="what holds in the plinth")
    rise_mm: float = Field(ge=THINNEST_MM, le=TALLEST_MM, description="height of one step in mm")
    count: int = Field(ge=1, le=MOST_BANDS, description="number of steps")
    nozzle: Ramp | None = Field(default=None, description="{ first = °C, change = °C }")
    bed: Ramp | None = Field(default=None, description="{ first = °C, change = °C }")
    fan: Ramp | None = Field(default=None, description="{ first = %, change = % }")
    flow: Ramp | None = Field(default=None, description="{ first = %, change = % }")
    feed: Ramp | None = Field(default=None, description="{ first = %, change = % }")
    advance: Ramp | None = Field(default=None, description="{ first = s, change = s }")
    retract: Ramp | None = Field(default=None, description="{ first = mm, change = mm }")

    @model_validator(mode="after")
    def _stands(self) -> Self:
        if self.plinth == "file" and self.plinth_mm < THINNEST_MM:
            raise Wrong('= "file", but there is no plinth', "add plinth_mm, or leave plinth out", "plinth")
        if self.plinth_mm + self.rise_mm * self.count > TALLEST_MM:
            raise Wrong(f"makes the stairs taller than {TALLEST_MM} mm", "correct count or rise_mm", "count")
        return self


class BandRow(Table):
    """One band: from its lower height, included, to its upper, excluded, and its setpoints."""

    from_mm: float = Field(ge=0, le=TALLEST_MM, description="lower height in mm")
    to_mm: float | None = Field(default=None, gt=0, le=TALLEST_MM, description="upper height in mm")
    nozzle: float | None = Field(default=None, description="°C")
    bed: float | None = Field(default=None, description="°C")
    fan: float | None = Field(default=None, description="%")
    flow: float | None = Field(default=None, description="%")
    feed: float | None = Field(default=None, description="%")
    advance: float | None = Field(default=None, description="s")
    retract: float | None = Field(default=None, description="mm")

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if self.to_mm is not None and self.to_mm - self.from_mm < THINNEST_MM:
            raise Wrong(f"= {shown(self.to_mm)} is not above from_mm = {shown(self.from_mm)}", "correct it", "to_mm")
        return self


class SettleSettings(Table):
    """How a crossing waits for heat: how near, how long without a break, how long at most, and what then."""

    stance: Literal["aside", "in-place", "moving"] = Field(default="aside", description="where the nozzle waits")
    tolerance: float = Field(default=1.5, gt=0, le=20, description="°C")
    dwell_s: float = Field(default=8, ge=0, le=3600, description="s inside the tolerance without a break")
    patience_s: float = Field(default=240, gt=0, le=86400, description="s at most")
    when_late: Literal["hold", "go-on", "abort"] = Field(default="hold", description="what follows when patience ends")

    @model_validator(mode="after")
    def _can_settle(self) -> Self:
        if self.patience_s <= self.dwell_s:
            raise Wrong(
                f"= {shown(self.patience_s)} is not above dwell_s = {shown(self.dwell_s)}: nothing could settle",
                "wait longer, or dwell less",
                "patience_s",
            )
        return self


class HoldPoint(Table):
    """Where the run waits, before a band, until a person releases it."""

    before_band: int = Field(ge=1, description="a band's number, from 1")
    note: str = Field(default="", max_length=200, description="up to 200 characters: what to look at")


class ScheduleFile(Table):
    """One schedule file."""

    title: str | None = Field(default=None, max_length=200, description="up to 200 characters; else the file's name")
    material: str | None = Field(default=None, min_length=1, max_length=100, description="the material's name")
    stairs: Stairs | None = None
    band: list[BandRow] | None = Field(default=None, min_length=1, max_length=MOST_BANDS)
    settle: SettleSettings = SettleSettings()
    hold_point: list[HoldPoint] = Field(default=[], max_length=MOST_BANDS)

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if self.stairs is not None and self.band is not None:
            raise Wrong("and [stairs] are both there", "keep one of the two", "band")
        return self
