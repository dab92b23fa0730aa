"""The printer file: what one machine is, what it may be asked for, and how it is watched.

Attribute names are the keys of the file. Only what has no default here is required. Every figure is checked for its
kind and range when the file is read; ``Printer.objection`` is the one place that says whether a setpoint is allowed,
and is asked before a run, on every amendment and again before the wire.
"""

import re
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from banderole.plan.interlock_settings import Interlocks
from banderole.plan.key_lines import find_key_line
from banderole.plan.machine_tables import (
    CHANNEL_UNITS,
    PTFE_LIMIT,
    Aside,
    Filament,
    Firmware,
    Hold,
    Limits,
    Motion,
    Serial,
    Thermal,
    Volume,
)
from banderole.plan.outlet_tables import BrokerSettings, Restore, Told
from banderole.plan.refusal import InputError, Table, TomlFile, Wrong, shown

__all__ = ["CHANNEL_UNITS", "BrokerSettings", "InputError", "Printer", "find_key_line", "load_printer"]

_NAME = re.compile(r"[a-z0-9-]{1,32}")


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
            "write one, or give its path",
        )
    return TomlFile(str(found), "printer file").into(Printer)
