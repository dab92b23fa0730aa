"""Trip levels for the nozzle and the bed, each with its reason in the schema.

The bed's figures are slower: a plate weighs some hundred grams where a hot end's block weighs twenty, so in the same
time it moves far less, whatever is wrong with it.
"""

from typing import Any

from pydantic import Field, model_validator

from banderole.plan.refusal import Table


class Rise(Table):
    """While heating with more than 10 °C to go, at least this much within this time."""

    degrees: float = Field(
        default=3, gt=0, le=100, description="°C; above a sensor's noise, below what a weak heater still does"
    )
    within_s: float = Field(
        default=25, gt=0, le=3600, description="s; longer than a hot end's dead time with room to spare"
    )


class Runaway(Table):
    """This far below the setpoint for this long, once settled."""

    degrees: float = Field(default=12, gt=0, le=200, description="°C; a fan switched on full takes less from a hot end")
    for_s: float = Field(default=15, gt=0, le=3600, description="s; longer than a controller needs to catch a draught")


class Overshoot(Table):
    """This far above the setpoint for this long, once settled."""

    degrees: float = Field(default=12, gt=0, le=200, description="°C; a badly tuned controller overshoots less")
    for_s: float = Field(
        default=8, gt=0, le=3600, description="s; short, since a heater that is stuck on goes on rising"
    )


class Jump(Table):
    """Faster than a heater can: the sensor or its wire."""

    degrees_per_s: float = Field(default=60, gt=0, le=100_000, description="°C/s; ten times what strong hot ends do")


class BedRise(Rise):
    """The plate's own: slower."""

    degrees: float = Field(default=2, gt=0, le=100, description="°C; a plate near its end still does it")
    within_s: float = Field(
        default=90, gt=0, le=7200, description="s; 0.02 °C/s, what a weak 12 V plate under glass still does"
    )


class BedRunaway(Runaway):
    """The plate's own: slower."""

    degrees: float = Field(
        default=8, gt=0, le=200, description="°C; nothing but a dead heater takes this from a heavy plate"
    )
    for_s: float = Field(default=60, gt=0, le=7200, description="s; an opened door cools the sensor before the plate")


class BedOvershoot(Overshoot):
    """The plate's own: slower."""

    degrees: float = Field(
        default=12, gt=0, le=200, description="°C; switched, not regulated, plates swing some degrees"
    )
    for_s: float = Field(default=30, gt=0, le=7200, description="s; a plate goes on rising after its heater is off")


class HeaterInterlocks(Table):
    """The trip levels of one heater."""

    rise: Rise = Rise()
    runaway: Runaway = Runaway()
    overshoot: Overshoot = Overshoot()
    jump: Jump = Jump()
    stale_s: float = Field(
        default=6, ge=0.15, le=600, description="s without a fresh reading; some seconds of blind heat at most"
    )
    stuck_s: float = Field(default=60, gt=0, le=7200, description="s of one reading while the model expects it to move")


class BedInterlocks(HeaterInterlocks):
    """The bed's trip levels. ``jump``, left out, is the nozzle's: it judges sensors, which are alike."""

    rise: BedRise = BedRise()
    runaway: BedRunaway = BedRunaway()
    overshoot: BedOvershoot = BedOvershoot()
    stale_s: float = Field(
        default=15, ge=0.15, le=600, description="s without a fresh reading; a plate moves less in 15 s"
    )
    stuck_s: float = Field(
        default=300, gt=0, le=7200, description="s of one reading; a plate may take minutes for one degree"
    )


class Interlocks(HeaterInterlocks):
    """The nozzle's trip levels, and the bed's in a table of their own."""

    bed: BedInterlocks = BedInterlocks()

    @model_validator(mode="before")
    @classmethod
    def _same_sensors(cls, data: Any) -> Any:
        if isinstance(data, dict) and "jump" in data and isinstance(data.get("bed", {}), dict):
            return {**data, "bed": {"jump": data["jump"], **data.get("bed", {})}}
        return data
