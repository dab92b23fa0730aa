"""The printer file: what one machine is, what it may be asked for, and how it is watched.

Attribute names are the keys of the file. Only what has no default here is required. Every figure is checked for its
kind and range when the file is read; ``Printer.objection`` is the one place that says whether a setpoint is allowed,
and is asked before a run, on every amendment and again before the wire.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from banderole_protocol.channels import CHANNELS
from pydantic import AfterValidator, Field, Strict, StringConstraints, ValidationError, WrapValidator, model_validator

from banderole.plan.interlock_settings import Interlocks
from banderole.plan.key_lines import find_key_line
from banderole.plan.refusal import InputError, Table, TomlFile, Wrong, shown

__all__ = ["CHANNEL_UNITS", "InputError", "Printer", "find_key_line", "load_printer"]

CHANNEL_UNITS = {channel.name: channel.unit for channel in CHANNELS.values()}
HEAT_OFF_BYTES = 24  # what a framed heat-off takes on the wire, kept free in the board's receive buffer
PTFE_LIMIT = 250.0  # °C; PTFE deteriorates from about 260 °C (Callister): 10 °C stay for overshoot and sensor error
_NAME = re.compile(r"[a-z0-9-]{1,32}")


def _pair(least: float, most: float) -> Callable[[tuple[float, float]], tuple[float, float]]:
    def check(value: tuple[float, float]) -> tuple[float, float]:
        low, high = value
        if not least <= low < high <= most:
            raise Wrong(
                f"= [{shown(low)}, {shown(high)}] is no range here",
                f"give [lowest, highest], rising, within {shown(least)} to {shown(most)}",
            )
        return value

    return AfterValidator(check)  # type: ignore[return-value]


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


class BrokerSettings(Table):
    """The MQTT broker to tell."""

    url: str = Field(
        default="mqtt://localhost:1883", max_length=1024, description="mqtt://, mqtts://, ws:// or wss://HOST:PORT"
    )
    root: str = Field(default="banderole", min_length=1, max_length=200, description="topic above the printer's name")
    user: str | None = Field(default=None, min_length=1, max_length=200, description="user name at the broker")
    password_file: str | None = Field(default=None, min_length=1, description="path of a file of mode 0600")
    ca_file: str | None = Field(default=None, min_length=1, description="path of the authority's certificate")
    commands: Literal["off", "lenient", "signed"] = Field(
        default="lenient", description="what may come in over the broker"
    )
    keys_dir: str | None = Field(
        default=None, min_length=1, description="folder with one key file a person, for signed"
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        _check_url(self.url)
        if re.search(r"[+#\x00-\x1f]|^[/$]|/$|//", self.root):
            raise Wrong(f"= {shown(self.root)} is no topic", "use letters, digits and single / between them", "root")
        if self.password_file is not None and self.user is None:
            raise Wrong("is given without a user", "add user", "password_file")
        if self.commands == "signed" and self.keys_dir is None:
            raise Wrong('= "signed" needs keys', "add keys_dir", "commands")
        return self


def _check_url(url: str) -> None:
    todo = "write mqtt://HOST:PORT (or mqtts, ws, wss)"
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise Wrong(f"= {shown(url)} cannot be read", todo, "url") from None
    if parts.scheme not in ("mqtt", "mqtts", "ws", "wss") or not host or port == 0 or not url.isprintable():
        raise Wrong(f"= {shown(url)} names no broker", todo, "url")
    if parts.username is not None or parts.password is not None:
        raise Wrong("holds a user or a password", "move them to user and password_file", "url")


class Restore(Table):
    """What channels go back to where neither the printer nor the file tells."""

    flow: float = Field(default=100, gt=0, description="%")
    feed: float = Field(default=100, gt=0, description="%")
    advance: float | None = Field(default=None, ge=0, description="s; no default")
    retract: float | None = Field(default=None, ge=0, description="mm; no default")

    def of(self, channel: str) -> float | None:
        """The fallback for one channel; None where there is none (heat and fan go off instead)."""
        value = getattr(self, channel, None)
        return None if value is None else float(value)


class Told(Table):
    """A command that is told of what a person should know."""

    command: Annotated[tuple[Annotated[str, StringConstraints(pattern=r"^[^\x00]*$")], ...], _List] = Field(
        default=(), max_length=100, description='["program", "argument", …]; gets the event as JSON on stdin'
    )

    @model_validator(mode="after")
    def _has_program(self) -> Self:
        if self.command and not self.command[0]:
            raise Wrong("names no program", "put the program first", "command")
        return self


class Printer(Table):
    """One printer file."""

    name: Annotated[str, StringConstraints(pattern=r"\A[a-z0-9-]{1,32}\z")] = Field(
        description="1 to 32 of a-z, 0-9 and -"
    )
    serial: Serial
    firmware: Firmware = Firmware()
    motion: Motion = Motion()
    filament: Filament = Filament()
    volume: Volume
    limits: Limits
    aside: Aside = Aside()
    thermal: Thermal = Thermal()
    interlocks: Interlocks = Interlocks()
    hold: Hold = Hold()
    broker: BrokerSettings | None = None
    restore: Restore = Restore()
    told: Told = Told()

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        for stale in (self.interlocks.stale_s, self.interlocks.bed.stale_s):
            if self.thermal.report_s > stale / 3:  # two readings may be lost before the third counts as stale
                raise Wrong(
                    f"= {shown(self.thermal.report_s)} is above a third of stale_s = {shown(stale)}",
                    "report more often, or raise stale_s",
                    "thermal",
                    "report_s",
                )
        if self.aside.at != "auto" and not self.volume.holds(*self.aside.at):
            raise Wrong(
                f"= [{self.aside.at[0]:g}, {self.aside.at[1]:g}] is outside the volume or in keep_out",
                "choose a free place",
                "aside",
                "at",
            )
        for channel in ("flow", "feed", "advance", "retract"):
            value = self.restore.of(channel)
            if value is not None and (words := self.objection(channel, value)) is not None:
                raise Wrong(f"will not do: {words}", "correct it, or the limit", "restore", channel)
        return self

    def objection(self, channel: str, value: float) -> str | None:
        """Why this setpoint may not be asked for, or None. ``value`` in the channel's unit; nan is refused."""
        low, high = self.limits.of(channel)
        if low <= value <= high:
            return None
        unit = CHANNEL_UNITS[channel]
        said = f"{channel} = {shown(value)} {unit}"
        if channel == "nozzle" and self.limits.nozzle[1] >= value > PTFE_LIMIT:
            return f"{said} is above {PTFE_LIMIT:g} {unit}, too hot for the PTFE in the hot zone"
        return f"{said} is outside limits.{channel} = [{shown(low)}, {shown(high)}] {unit}"


def load_printer(path_or_name: str | Path) -> Printer:
    """The printer file at a path, or of a name; InputError says in one line what is wrong with it.

    A path has a slash, ends in .toml or exists; anything else is a name that is looked up in the known folders.
    """
    given = str(path_or_name)
    if "/" in given or given.endswith(".toml") or (given and "\0" not in given and Path(given).exists()):
        return TomlFile(given, "printer file").into(Printer)
    from banderole.places import find_printer_file  # here: a path needs no knowledge of the folders

    if _NAME.fullmatch(given) is None:
        raise InputError(f"{shown(given)} is no printer's name", "--printer", "give a file, or 1 to 32 of a-z, 0-9, -")
    try:
        found = find_printer_file(given)
    except OSError as error:  # no home folder, and the like
        raise InputError(
            f"printer {given} cannot be looked up ({error})", "--printer", "give the file's path"
        ) from None
    if found is None:
        raise InputError(
            f"no printer file {given}.toml",
            f"/etc/banderole/{given}.toml or in your configuration folder",
            "write one (banderole setup), or give its path",
        )
    return TomlFile(str(found), "printer file").into(Printer)
