"""The machine's modal state, and what a block does to it: the centre of every decision about height.

`Modal.apply` is on the hot path of survey and run, so it returns a small integer and leaves details in attributes.
Two coordinates are kept for each axis: where the machine is (mm from its home, what a height means) and what the file
calls it (after G92, in the file's unit). Modal groups, the order of execution in a block, and the meaning of G90–G92,
G20/G21, arcs follow NIST RS274/NGC (NISTIR 6556 v3, §3.5 and table 8); E, M82/M83 and the two families of G90/G91 are the
printing convention.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from operator import attrgetter
from typing import Final, Literal

from .arcs import arc_of, box_of, flaw_of
from .channels import FileSetpoint, setpoint_of
from .doubts import doubt_of
from .errors import OurError
from .words import Word, head_of, is_mode, scan

EMode = Literal["joined", "apart"]
"""joined: G90 and G91 set the E axis too. apart: they leave E alone. Two families of firmware differ."""

# What a block is. Plain integers, since the hot path compares them a few hundred thousand times a second.
OTHER: Final = 0  # passes: modes, fans that nobody scheduled, messages, unknown codes
TRAVEL: Final = 1  # motion without deposit; a retraction or de-retraction is one too
DEPOSIT: Final = 2  # motion while net filament goes forward
SETPOINT: Final = 3  # sets a channel; details in `setpoint`
HOME: Final = 4  # G28, G29, parking and the like: afterwards the position is asked, not assumed
DWELL: Final = 5  # G4; seconds in `seconds`
PERSON: Final = 6  # M0, M1, M600: waits for a person

NET_MM: Final = 1e-6
"""Filament that counts as going forward, mm. Below it is rounding of absolute E (5 decimals are usual)."""

MOVED_MM: Final = 1e-6
"""A shorter way is no motion but the rounding of a sum: a place named again after G92 or G91 must not count as one."""

_N = rb"([-+]?(?:\d+\.?\d*|\.\d+))"
_MOVE = re.compile(
    rb"[Gg]0?([01])(?: [Ff]%b)?(?: [Xx]%b)?(?: [Yy]%b)?(?: [Zz]%b)?(?: [Ff]%b)?(?: [Ee]%b)?(?: [Ff]%b)?" % ((_N,) * 7)
)
_HOMING = frozenset(
    (
        *("G12", "G26", "G27", "G28", "G29", "G30", "G32", "G33", "G34", "G35", "G38.2", "G38.3", "G38.4", "G38.5"),
        *("G42", "G61", "G76", "G425", "M48", "M125"),
    )
)
"""Homing, probing, parking, wiping: all that moves the nozzle to where the file does not say. Common practice, no source."""
_PERSON = ("M0", "M1", "M600", "M601")
_STIRRING: Final = frozenset(("M18", "M84", "M82", "M83", *_HOMING, *_PERSON))
"""Commands of M that let go of a place, move, or say how others are meant."""
MODES: Final = {mode.encode(): mode for mode in ("G90", "G91", "M82", "M83")}
"""Modes as files write them, some at every layer: known without taking them apart."""
_AXES = "XYZ"


@lru_cache(maxsize=256)
def _read(block: bytes) -> tuple[list[Word], str, str, FileSetpoint | None]:
    """What does not depend on any state: words (not to be changed), command, doubt, setpoint. Files repeat themselves."""
    words, clean = scan(block)
    head = head_of(words)
    return words, head, doubt_of(head, words, block, clean), setpoint_of(words)


class Modal:
    """Modal state of a machine with one active extruder. Lengths mm, feed mm/min, both as the machine has them."""

    __slots__ = (
        "arc_box",
        "debt",
        "e",
        "e_joined",
        "e_relative",
        "e_seen_apart",
        "e_seen_joined",
        "e_split",
        "fed",
        "feed",
        "firmware_back",
        "head",
        "known",
        "net",
        "off_e",
        "off_x",
        "off_y",
        "off_z",
        "plane",
        "relative",
        "scale",
        "seconds",
        "setpoint",
        "tool",
        "unclear",
        "values",
        "x",
        "x0",
        "y",
        "y0",
        "z",
        "z0",
    )

    def __init__(self, e_mode: EMode | None = "joined") -> None:
        self.x = self.y = self.z = self.e = 0.0
        self.off_x = self.off_y = self.off_z = self.off_e = 0.0
        self.x0 = self.y0 = self.z0 = 0.0  # where the last motion began
        self.relative = False
        self.e_relative = False
        self.e_joined = e_mode != "apart"
        self.e_seen_joined = self.e_seen_apart = False  # what E's mode would be in each family
        self.e_split = False  # an E word was met while the two families differ
        self.scale = 1.0
        self.feed = 0.0  # mm/min; 0 until the file names one
        self.fed = 0.0  # filament moved by the last motion, mm, backwards negative
        self.net = 0.0  # filament laid by the last motion beyond what had been pulled back, mm
        self.debt = 0.0  # filament pulled back and not yet given forward, mm
        self.firmware_back = False  # G10 without G11
        self.plane = "G17"
        self.known = ""  # axes whose position is known: a subset of "XYZ"
        self.tool = 0
        self.values: dict[str, float] = {}  # the file's own last value of each channel
        self.seconds = 0.0  # the least time the last block can take, from length and feed
        self.head = ""
        self.unclear = (
            ""  # why the last such block may mean different things to different machines; the reader clears it
        )
        self.setpoint: FileSetpoint | None = None
        self.arc_box: tuple[float, float, float, float] | None = None

    def copy(self) -> Modal:
        """An independent copy; needed where a stretch is cut, not on the hot path."""
        other = Modal.__new__(Modal)
        for name, value in zip(Modal.__slots__, _STATE(self), strict=True):
            setattr(other, name, value)
        other.values = dict(self.values)
        return other

    @property
    def back(self) -> bool:
        """Is filament pulled back, by the file or by the firmware on its word?"""
        return self.firmware_back or self.debt > NET_MM

    @property
    def e_doubtful(self) -> bool:
        """Would an E word be the first that the two families of firmware take differently?"""
        return self.e_seen_joined != self.e_seen_apart and not self.e_split

    # ---- one block

    def apply(self, block: bytes) -> int:
        """Take one block; says what it is (OTHER, TRAVEL, DEPOSIT, SETPOINT, HOME, DWELL, PERSON)."""
        plain = _MOVE.fullmatch(block)
        if plain is not None:
            _, f1, x, y, z, f2, e, f3 = plain.groups()
            f = f3 or f2 or f1
            self.head = "G1"
            return self._move(
                None if x is None else float(x),
                None if y is None else float(y),
                None if z is None else float(z),
                None if e is None else float(e),
                None if f is None else float(f),
            )
        if (mode := MODES.get(block)) is not None:
            self.head = mode
            self.seconds = self.fed = self.net = 0.0
            self.set_mode(mode)
            return OTHER
        return self._apply_words(block)

    def _apply_words(self, block: bytes) -> int:
        words, head, doubt, setpoint = _read(block)
        self.head = head
        self.seconds = self.fed = self.net = 0.0
        if doubt:
            self.unclear = doubt
            if sum(letter in "GM" for letter, _ in words) > 1:  # which is one of the doubts
                # NIST table 8: modes take effect before the command, wherever they stand in the block; M82 and M83 last.
                for mode in sorted(filter(is_mode, words)):
                    self.set_mode(head_of([mode]))
        if head in ("G0", "G1", "G2", "G3"):
            return self._motion_words(head, words)
        if setpoint is not None:
            return self._set(setpoint)
        return self._other(head, dict(words))

    def pass_by(self, block: bytes) -> int | None:
        """As `apply`, of a plainly written command of M that leaves alone where the machine is and what motions mean.

        None for any other block: nothing is taken of it.
        """
        _, head, doubt, setpoint = _read(block)
        if head[:1] != "M" or doubt or head in _STIRRING:
            return None
        self.head = head
        self.seconds = self.fed = self.net = 0.0
        return OTHER if setpoint is None else self._set(setpoint)

    def _set(self, setpoint: FileSetpoint) -> int:
        self.setpoint = setpoint
        if setpoint.tool is None or setpoint.tool == self.tool:
            self.values[setpoint.channel] = setpoint.value
        return SETPOINT

    def _other(self, head: str, named: dict[str, float | None]) -> int:
        match head:
            case "G4":
                # Printing convention: P is milliseconds (seconds in NIST §3.5.4), S is seconds.
                self.seconds = max(0.0, (named.get("S") or 0.0) + (named.get("P") or 0.0) / 1000)
                return DWELL
            case "G10" if "P" not in named and "L" not in named:
                self.firmware_back = True
            case "G11":
                self.firmware_back = False
            case "G17" | "G18" | "G19" | "G20" | "G21" | "G90" | "G91" | "M82" | "M83":
                self.set_mode(head)
            case "G92":
                self._set_origin(named)
            case (
                "G92.1" | "G92.2"
            ):  # NIST §3.5.18: the offsets of all axes become zero; E, without a home, is none of them
                self.off_x = self.off_y = self.off_z = 0.0
            case "M18" | "M84":
                self._let_go(named)
            case _ if head in _HOMING:
                self._home(head, named)
                return HOME
            case _ if head in _PERSON:
                return PERSON
            case _ if head[:1] == "T" and head[1:].isdigit():
                self.tool = int(head[1:])
        return OTHER

    def set_mode(self, head: str) -> None:
        """Take a command that only says how others are meant."""
        match head:
            case "G17" | "G18" | "G19":
                self.plane = head
            case "G20":
                self.scale = 25.4
            case "G21":
                self.scale = 1.0
            case "G90" | "G91":
                self.relative = self.e_seen_joined = head == "G91"
                if self.e_joined:
                    self.e_relative = self.relative
            case "M82" | "M83":
                self.e_relative = self.e_seen_joined = self.e_seen_apart = head == "M83"
            case _:
                raise OurError(f"{head} is no mode")

    def _let_go(self, named: dict[str, float | None]) -> None:
        """M18, M84: motors let go, all or those named; nothing holds their position any more. With S it sets a time."""
        if "S" in named:
            return
        released = [a for a in "XYZE" if a in named] or _AXES
        self.known = "".join(a for a in self.known if a not in released)

    def _set_origin(self, named: dict[str, float | None]) -> None:
        """G92: no motion; axes not named are left. Alone it zeroes all (printing convention, not NIST)."""
        axes = [a for a in "XYZE" if a in named] or list("XYZE")
        for axis in axes:
            low = axis.lower()
            setattr(self, "off_" + low, getattr(self, low) - (named.get(axis) or 0.0) * self.scale)

    def _home(self, head: str, named: dict[str, float | None]) -> None:
        """G28 homes, and drops what G92 has set of these axes (from memory); in NIST it is a motion, and offsets stay."""
        axes = [a for a in _AXES if a in named] or list(_AXES)
        if head == "G28":
            for axis in axes:  # assumed zero until the printer is asked
                setattr(self, axis.lower(), 0.0)
                setattr(self, "off_" + axis.lower(), 0.0)
            self.known = "".join(a for a in _AXES if a in self.known or a in axes)

    # ---- motion

    def _motion_words(self, head: str, words: list[Word]) -> int:
        named = {letter: number for letter, number in words if number is not None}
        get = named.get
        curved = head in ("G2", "G3")
        kind = self._move(get("X"), get("Y"), get("Z"), get("E"), get("F"), curved)
        return self._arc(head == "G2", named, kind) if curved else kind

    def _move(
        self, x: float | None, y: float | None, z: float | None, e: float | None, f: float | None, curved: bool = False
    ) -> int:
        x0 = self.x0 = self.x
        y0 = self.y0 = self.y
        z0 = self.z0 = self.z
        scale = self.scale
        self.arc_box = None
        if f is not None:
            if f > 0:
                self.feed = f * scale
            else:
                self.unclear = "a feedrate that is not above zero: some firmware leaves it out, some stops"
        if self.relative:
            x1 = x0 if x is None else x0 + x * scale
            y1 = y0 if y is None else y0 + y * scale
            z1 = z0 if z is None else z0 + z * scale
        else:
            x1 = x0 if x is None else x * scale + self.off_x
            y1 = y0 if y is None else y * scale + self.off_y
            z1 = z0 if z is None else z * scale + self.off_z
        self.x, self.y, self.z = x1, y1, z1
        length = math.dist((x0, y0, z0), (x1, y1, z1))
        moved = curved or length > MOVED_MM
        fed = net = 0.0
        if e is not None:
            if self.e_seen_joined != self.e_seen_apart:
                self.e_split = True
            fed = e * scale if self.e_relative else e * scale + self.off_e - self.e
            self.e += fed
            if fed < 0:
                self.debt -= fed
            else:
                paid = self.debt if self.debt < fed else fed
                self.debt -= paid
                net = fed - paid
                if self.debt < NET_MM:
                    self.debt = 0.0
        self.fed, self.net = fed, net
        self.seconds = 60.0 * (length if moved else abs(fed)) / self.feed if self.feed else 0.0
        return DEPOSIT if moved and net > NET_MM else TRAVEL

    def _arc(self, clockwise: bool, named: dict[str, float], kind: int) -> int:
        """Time and box of an arc whose ends are known; it may turn out to be no motion."""
        start, end = (self.x0, self.y0, self.z0), (self.x, self.y, self.z)
        arc = arc_of(clockwise, self.plane, start, end, named, self.scale)
        if flaw := flaw_of(arc, self.plane, start, end, named, self.scale):
            self.unclear = flaw
        if arc is None:
            length = math.dist(start, end)
        else:
            length = arc.length
            self.arc_box = box_of(arc, clockwise, self.plane, start, end)
        self.seconds = 60.0 * length / self.feed if self.feed else 0.0
        return TRAVEL if length <= MOVED_MM else kind

    # ---- what the file would call a place

    def told(self, axis: str, machine: float) -> float:
        """A machine coordinate (mm) as the file would write it now: after its G92, in its unit. Axis is one of XYZE."""
        return float((machine - getattr(self, "off_" + axis.lower())) / self.scale)

    def place(self, axis: str, told_mm: float) -> None:
        """Take what the printer reported (M114: mm, after G92) as the position of an axis."""
        setattr(self, axis.lower(), told_mm + getattr(self, "off_" + axis.lower()))


_STATE = attrgetter(*Modal.__slots__)
"""All of a state at once: `copy` is called at every gap of a file."""
