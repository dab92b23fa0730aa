"""The tables of the printer file that say what the machine is: line, firmware, volume, limits, manners.

Ranges are sanity bounds: what no desktop machine exceeds, so a misprint is found. What may really be asked for is
``[limits]``.
"""

from collections.abc import Callable
from typing import Annotated, Any, Literal, Self

from banderole_protocol.channels import CHANNELS
from pydantic import AfterValidator, Field, Strict, StringConstraints, ValidationError, WrapValidator, model_validator

from banderole.plan.refusal import Table, Wrong, shown

CHANNEL_UNITS = {channel.name: channel.unit for channel in CHANNELS.values()}
HEAT_OFF_BYTES = 24  # what a framed heat-off takes on the wire, kept free in the board's receive buffer
PTFE_LIMIT = 250.0  # °C; PTFE deteriorates from about 260 °C (Callister): 10 °C stay for overshoot and sensor error


def _pair(least: float, most: float) -> AfterValidator:
    def check(value: tuple[float, float]) -> tuple[float, float]:
        low, high = value
        if not least <= low < high <= most:
            raise Wrong(
                f"= [{shown(low)}, {shown(high)}] is no range here",
                f"give [lowest, highest], rising, within {shown(least)} to {shown(most)}",
            )
        return value

    return AfterValidator(check)


_List = Strict(False)  # TOML has lists, no tuples; their elements stay strict
Extent = Annotated[tuple[float, float], _List, _pair(-2000, 2000)]  # mm; larger is a misprint on a desktop machine
Point = Annotated[tuple[float, float], _List]
Rectangle = Annotated[tuple[float, float, float, float], _List]


class Serial(Table):
    """The line to the board."""

    port: Annotated[str, StringConstraints(min_length=1, max_length=4096, pattern=r"^[^\x00-\x1f]+$")] = Field(
        description='a device by its stable name (/dev/serial/by-id/…), or "emulated"'
    )
    baud: int = Field(
        default=115200, gt=0, le=20_000_000, description="bits per second, any whole number the port takes"
    )
    window_bytes: int = Field(
        default=0, ge=0, le=65536, description="bytes that may be unacknowledged; 0 = stop-and-wait"
    )
    receive_bytes: int = Field(default=127, ge=64, le=65536, description="bytes of the board's receive buffer")
    silence_s: float = Field(
        default=15, ge=1, le=3600, description="s of silence, while something is owed, that mean link lost"
    )
    ahead_s: float = Field(default=4, gt=0, le=60, description="s of motion that may be sent and not yet acknowledged")

    @model_validator(mode="after")
    def _leaves_room(self) -> Self:
        most = self.receive_bytes - HEAT_OFF_BYTES
        if self.window_bytes > most:
            raise Wrong(
                f"= {self.window_bytes} leaves no room for a heat-off in receive_bytes = {self.receive_bytes}",
                f"give at most {most}",
                "window_bytes",
            )
        return self


class Firmware(Table):
    """What the board's firmware does by itself."""

    e_mode: Literal["joined", "apart"] | None = Field(
        default=None,
        description='"joined" (G90 and G91 set E too) or "apart"; left out, a file that depends on it is refused',
    )
    idle_release_s: float = Field(
        default=60, ge=0, le=86400, description="s without motion until motors are let go; 0 = never"
    )
    inactivity_s: float = Field(
        default=0, ge=0, le=86400, description="s for the board's own shutdown (M85); 0 = leave it"
    )


class Motion(Table):
    """For predicted times, where the file does not say."""

    acceleration: float = Field(default=1000, gt=0, le=100_000, description="mm/s²")
    junction: float = Field(default=0.02, gt=0, le=1, description="junction deviation in mm")


class Filament(Table):
    """What is fed."""

    diameter: float = Field(default=1.75, gt=0, le=10, description="diameter in mm")
    density: float = Field(default=1.24, gt=0, le=20, description="density in g/cm³")


class Volume(Table):
    """Where the nozzle may go, mm; nothing inserted leaves it. No default: a guessed volume is a crash."""

    x: Extent = Field(description="[least, most] in mm")
    y: Extent = Field(description="[least, most] in mm")
    z: Extent = Field(description="[least, most] in mm")
    shape: Literal["box", "round"] = Field(default="box", description="round: a circle that fills x and y")
    keep_out: Annotated[tuple[Rectangle, ...], _List] = Field(
        default=(), max_length=100, description="[[x0, y0, x1, y1], …] in mm; clips, probes"
    )

    @model_validator(mode="after")
    def _shapes(self) -> Self:
        width, depth = self.x[1] - self.x[0], self.y[1] - self.y[0]
        if self.shape == "round" and abs(width - depth) > 1:  # mm; a circle has one diameter
            raise Wrong(f"is round, but {width:g} mm wide and {depth:g} mm deep", "make x and y alike", "shape")
        for number, (x0, y0, x1, y1) in enumerate(self.keep_out, 1):
            if not (x0 < x1 and y0 < y1):
                raise Wrong("has no area", "give [x0, y0, x1, y1] with x0 < x1, y0 < y1", "keep_out", number)
        return self

    def holds(self, x: float, y: float) -> bool:
        """Whether the nozzle may stand at this place: inside, and not over a clip."""
        if not (self.x[0] <= x <= self.x[1] and self.y[0] <= y <= self.y[1]):
            return False
        if self.shape == "round":
            radius = min(self.x[1] - self.x[0], self.y[1] - self.y[0]) / 2
            across, along = x - sum(self.x) / 2, y - sum(self.y) / 2
            if across**2 + along**2 > radius**2:
                return False
        return not any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in self.keep_out)


class Limits(Table):
    """What this machine may ever be asked for. The outer bounds are sanity bounds: what no desktop machine exceeds."""

    nozzle: Annotated[tuple[float, float], _List, _pair(0, 500)] = Field(description="[lowest, highest] in °C")
    bed: Annotated[tuple[float, float], _List, _pair(0, 200)] = Field(
        default=(0, 110), description="[lowest, highest] in °C"
    )
    fan: Annotated[tuple[float, float], _List, _pair(0, 100)] = Field(
        default=(0, 100), description="[lowest, highest] in %"
    )
    flow: Annotated[tuple[float, float], _List, _pair(1, 999)] = Field(
        default=(80, 120), description="[lowest, highest] in %"
    )
    feed: Annotated[tuple[float, float], _List, _pair(1, 999)] = Field(
        default=(30, 200), description="[lowest, highest] in %"
    )
    advance: Annotated[tuple[float, float], _List, _pair(0, 10)] = Field(
        default=(0, 2), description="[lowest, highest] in s"
    )
    retract: Annotated[tuple[float, float], _List, _pair(0, 100)] = Field(
        default=(0, 8), description="[lowest, highest] in mm"
    )
    nozzle_step: float = Field(
        default=30, gt=0, le=500, description="largest difference between neighbouring bands in °C"
    )
    deposit_above: float = Field(default=160, ge=0, le=500, description="measured °C below which nothing deposits")
    ptfe_in_hot_zone: bool = Field(
        default=True, description="true or false; while true nothing above 250 °C is asked for"
    )

    @model_validator(mode="after")
    def _can_deposit(self) -> Self:
        if self.deposit_above >= self.nozzle[1]:
            raise Wrong(
                f"= {shown(self.deposit_above)} is not below "
                f"the highest nozzle temperature, {shown(self.nozzle[1])} °C",
                "correct one of the two",
                "deposit_above",
            )
        return self

    def of(self, channel: str) -> tuple[float, float]:
        """The range of one channel, in the channel's unit; KeyError for a name that is no channel."""
        if channel not in CHANNEL_UNITS:
            raise KeyError(channel)
        low, high = getattr(self, channel)
        return (low, min(high, PTFE_LIMIT)) if channel == "nozzle" and self.ptfe_in_hot_zone else (low, high)


def _auto_or_point(value: Any, handler: Callable[[Any], Any]) -> Any:
    try:
        return handler(value)
    except ValidationError:
        raise Wrong(f"= {shown(value)} is no place", 'give "auto" or [x, y] in mm') from None


class Aside(Table):
    """Where the nozzle waits, and how it gets there."""

    at: Annotated[Literal["auto"] | Point, WrapValidator(_auto_or_point)] = Field(
        default="auto", description='"auto" or [x, y] in mm'
    )
    lift: float = Field(default=5, gt=0, le=100, description="mm above the nozzle, or above all that is printed")
    retract: float = Field(default=2, ge=0, le=50, description="mm of filament pulled back")
    speed: float = Field(default=120, gt=0, le=1000, description="mm/s")
    purge_mm: float = Field(default=0, ge=0, le=500, description="mm of filament pushed out aside before coming back")
    purge_mm_per_min: float = Field(default=0, ge=0, le=100, description="mm of filament more for each minute waited")


class Thermal(Table):
    """How often the temperatures are heard."""

    report_s: float = Field(default=1.0, ge=0.05, le=5, description="s between readings, 0.05 to 5")


class Hold(Table):
    """What a hold does to the heat when it lasts."""

    nozzle_off_after_s: float = Field(
        default=600, gt=0, le=86400, description="s of holding until the nozzle is cooled"
    )
    bed_off_after_s: float = Field(
        default=7200, gt=0, le=604800, description="s of holding until the bed is cooled too"
    )
