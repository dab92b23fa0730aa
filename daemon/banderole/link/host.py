"""The computer beside the printer: what it lacks, told as cautions. Never ends a run.

Read in a thread of its own, since a dying disk may hold whoever asks it up for as long as it likes; what is new comes into
the event loop. A caution is told when it comes, and again only after it has been away for `AWAY_S`.
"""

from __future__ import annotations

import asyncio
import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from banderole.link.handover import KEEP_FREE_BYTES

log = logging.getLogger("banderole.host")

EVERY_S: Final = 5.0
"""Between two looks. The board's own driver asks for its voltage every 2 s; a dip that is over by then has done its harm."""
AWAY_S: Final = 600.0
"""A weak supply comes and goes with each load: one word for all of that."""
LOW_BYTES: Final = 2 * KEEP_FREE_BYTES
"""Twice what a start must leave free, for the journal of some eight hours: told before one is refused for want of room."""
EARLIEST_YEAR: Final = 2026
"""Of this release: a clock that says less has not been set."""
SETTLING_S: Final = 180.0
"""After the machine's start: a time server has not been heard yet, and that is no wonder."""
SLOWED: Final = 0b1110
"""Bits 1 to 3 of the board's word: clock capped, throttled, soft temperature limit (Raspberry Pi documentation, get_throttled).
Bit 0 is the voltage, which the hwmon device has; 16 and above are the same since the start."""


@dataclass(frozen=True, slots=True)
class Host:
    """Where it is looked. What is not there is not a fault: another kind of board, another service for the time."""

    folder: Path  # of the records; it need not be there yet
    hwmon: Path = Path("/sys/class/hwmon")
    firmware: Path = Path("/sys/devices/platform/soc/soc:firmware/get_throttled")  # from memory
    timesync: Path = Path("/run/systemd/timesync")
    wall: Callable[[], datetime] = lambda: datetime.now(UTC)
    up_s: Callable[[], float] = time.monotonic  # since the machine's start (clock_gettime(2))

    def look(self) -> dict[str, str]:
        """What it lacks now: a sentence for each alarm. May hang with the disk."""
        said = {
            "under_voltage": self._voltage(),
            "throttled": self._slowed(),
            "clock": self._clock(),
            "disk": self._disk(),
        }
        return {alarm: text for alarm, text in said.items() if text}

    def _voltage(self) -> str:
        """Linux, Documentation/hwmon/raspberrypi-hwmon.rst: in0_lcrit_alarm of the device called rpi_volt."""
        for name in self.hwmon.glob("*/name"):
            if _read(name) == "rpi_volt" and _read(name.with_name("in0_lcrit_alarm")) == "1":
                return "this computer's supply is too weak (under-voltage), it may hang: take the maker's, and a short cable"
        return ""

    def _slowed(self) -> str:
        try:
            word = int(_read(self.firmware) or "0", 16)
        except ValueError:
            return ""
        return (
            "this computer is slowed down (heat, or its supply), lines may come late: cool it" if word & SLOWED else ""
        )

    def _clock(self) -> str:
        now = self.wall()
        wrong = "times in the record may be wrong; the run does not go by them"
        if now.year < EARLIEST_YEAR:
            return f"this computer's clock has not been set (it says {now:%Y-%m-%d}): {wrong}"
        if self.timesync.is_dir() and not (self.timesync / "synchronized").exists() and self.up_s() > SETTLING_S:
            return f"this computer's clock has not been set since its start, no time server was heard: {wrong}"
        return ""

    def _disk(self) -> str:
        folder = next((one for one in (self.folder, *self.folder.parents) if one.exists()), self.folder)
        try:
            seen = os.statvfs(folder)
        except OSError as why:
            log.info("%s: %s", folder, why)
            return ""  # the journal says what it cannot write
        if seen.f_flag & os.ST_RDONLY:  # writing to a file that is open may seem to succeed all the same
            return "the disk of the records is read-only, as Linux makes one that fails: nothing more is kept; see to the card"
        left = seen.f_bavail * seen.f_frsize
        return (
            f"the disk of the records is nearly full, {left >> 20} MiB are left: free some" if left < LOW_BYTES else ""
        )


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""


class Edges:
    """What is lacking now, and what of it is worth a word. Pure."""

    def __init__(self) -> None:
        self.present: dict[str, str] = {}
        self._seen: dict[str, float] = {}  # when last, s

    def take(self, found: dict[str, str], now: float) -> dict[str, str]:
        """One look's result, at `now` in s; what is to be told of it."""
        new = {one: text for one, text in found.items() if now - self._seen.get(one, -AWAY_S) >= AWAY_S}
        self._seen.update(dict.fromkeys(found, now))
        self.present = found
        return new

    def begin(self) -> dict[str, str]:
        """A run begins: what it is told at once. What comes later is new to it, however lately it was told to others."""
        self._seen = {one: at for one, at in self._seen.items() if one in self.present}
        return self.present


class HostWatch:
    """Looks again and again while its block lasts; `tell(alarm, text)` is called in the loop that it was entered in."""

    def __init__(self, host: Host, tell: Callable[[str, str], None]) -> None:
        self.edges = Edges()
        self._host = host
        self._tell = tell
        self._over = threading.Event()

    def __enter__(self) -> HostWatch:
        loop = asyncio.get_running_loop()
        threading.Thread(target=self._watch, args=(loop,), name="host", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()  # not waited for: it may hang with the disk

    def _watch(self, loop: asyncio.AbstractEventLoop) -> None:
        while not self._over.is_set():
            try:
                found = self._host.look()
            except Exception:  # of our own making; a caution is not worth more than a line
                log.exception("the computer cannot be looked at")
                return
            try:
                loop.call_soon_threadsafe(self._take, found)
            except RuntimeError:
                return  # the loop is closed
            self._over.wait(EVERY_S)

    def _take(self, found: dict[str, str]) -> None:
        if self._over.is_set():
            return
        for alarm, text in self.edges.take(found, asyncio.get_running_loop().time()).items():
            log.info("%s: %s", alarm, text)
            self._tell(alarm, text)
