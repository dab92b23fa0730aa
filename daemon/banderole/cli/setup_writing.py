"""What `setup` found, in words: the remarks of the printer file, the file itself, the answer for `--json`."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from banderole.cli.inquiry import Answers
from banderole.cli.say import clean
from banderole.cli.setup_trials import Manners
from banderole.plan.config import Printer, load_printer
from banderole.plan.refusal import InputError
from banderole.setup import heaters_file
from banderole.setup.first_order import Identified
from banderole.setup.printer_file import Draft


@dataclass(slots=True)
class Found:
    """What the printer said and showed; `breaks`: whether M108 ended a wait of its own. None: not tried, or not told."""

    said: Answers
    manners: Manners
    heater: Identified | None = None
    breaks: bool | None = None


def remark(draft: Draft, found: Found) -> None:
    """What has no key goes above the keys."""
    about = ", ".join(f"{key}: {clean(value)}" for key, value in list(found.said.identity.items())[:3])
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    draft.remarks.insert(0, f"Written by banderole setup on {today}. Behind each value: where it is from.")
    able = found.said.capabilities.get("EMERGENCY_PARSER")
    draft.remarks += [
        f"The printer says: {about or 'not who it is'}",
        f"Reports by itself (M155 S1): {word(found.manners.reports)}, measured",
        f"Restarts by its DTR line, as its banner tells: {word(found.manners.restarts)}",
        f"Says it can break a wait of its own: {word(able)}; M108 did: {word(found.breaks)}",
    ]
    if found.heater is not None:
        draft.remarks.append(f"Heater, kept in the state folder ({heaters_file.FILE}): {heater_line(found.heater)}")


def check_place(out: Path) -> None:
    """Can the file be written there? Asked before anything is tried. Raises InputError."""
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise _unwritable(out, why) from None
    if not os.access(out.parent, os.W_OK) or out.is_dir():
        raise InputError("the printer file cannot be written", str(out), "choose another --out")


def write(draft: Draft, out: Path) -> Printer:
    """Whole or not at all, and read back before it takes its place. Raises InputError."""
    fresh = out.with_name(f".{out.name}.new")
    try:
        with open(fresh, "w", encoding="utf-8") as written:
            written.write(draft.text())
            written.flush()
            os.fsync(written.fileno())
        printer = load_printer(fresh)
        fresh.replace(out)
    except OSError as why:
        raise _unwritable(out, why) from None
    finally:
        fresh.unlink(missing_ok=True)
    return printer


def keep_heater(name: str, heater: Identified, complain: Callable[[str], None]) -> None:
    """The heater's figures into the state folder; the printer file stands without them."""
    at = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    try:
        heaters_file.write(name, {"nozzle": heaters_file.as_json(heater, at)})
    except OSError as why:
        complain(f"{heaters_file.FILE} of {name} cannot be written ({why}): the heater's figures are not kept")


def as_json(draft: Draft, out: Path, printer: Printer, found: Found) -> dict[str, Any]:
    """For `--json`."""
    return {
        "file": str(out),
        "name": printer.name,
        "values": [
            {"table": e.table, "key": e.key, "value": e.value, "origin": e.origin} for e in draft.entries.values()
        ],
        "identity": found.said.identity,
        "capabilities": found.said.capabilities,
        "reports": found.manners.reports,
        "restarts": found.manners.restarts,
        "breaks_wait": found.breaks,
        "heater": heaters_file.as_json(found.heater, "") if found.heater else None,
    }


def heater_line(heater: Identified | None) -> str:
    """What was identified, for a person."""
    if heater is None:
        return "the heater could not be identified from this step: too little was seen at full power"
    line = (
        f"time constant {heater.tau:.0f} ± {heater.tau_off:.0f} s, gain {heater.gain:.0f} ± {heater.gain_off:.0f} °C at "
        f"full power, dead time {heater.dead_time:.1f} ± {heater.dead_time_off:.1f} s (95 % intervals)"
    )
    return (
        line if heater.good else f"{line}; not good enough to rely on: begin again from cold, with a higher --heat-to"
    )


def word(answer: bool | None) -> str:
    return "not tried" if answer is None else "yes" if answer else "no"


def _unwritable(out: Path, why: OSError) -> InputError:
    return InputError(f"the printer file cannot be written: {why.strerror or why}", str(out), "choose another --out")
