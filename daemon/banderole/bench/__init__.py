"""An emulated printer: a small board with its firmware's manners, heaters, motion and faults.

It shares no code with the rest of the project, so that a mistake there cannot hide in a like mistake here.

The core is `EmulatedPrinter` (firmware.py), sans-I/O: `receive(bytes, now)`, `advance(now) -> bytes to the host`,
`next_event(now) -> clock | None`, and `opened(now)`, `pulse_dtr(now)`; its clock is in s and begins at 0. `Manners`
holds every way in which boards differ, the seed and the faults to come (`faults=("S1@120", "T3@30s", "T5-bed@200")`);
`Manners().sped(20)` is the same board with wire, motion and heat 20 times faster, while reports, `busy`, idle release
and booting keep the host's time. What really happened is in `printer.log` (records.py): lines, commands, moves,
setpoints, events.

Three outlets: `MemoryPort` (in the event loop, by the loop's clock, real or virtual), `PtyPrinter` (a pseudo-terminal,
in a thread), and `python -m banderole.bench` (a pseudo-terminal in a process of its own).
"""

from banderole.bench.firmware import EmulatedPrinter
from banderole.bench.heater import HeaterBuild
from banderole.bench.manners import Manners
from banderole.bench.memory_port import MemoryPort
from banderole.bench.pty_port import PtyPrinter
from banderole.bench.records import Command, Event, Log, Move, Received, Setpoint

__all__ = [
    "Command",
    "EmulatedPrinter",
    "Event",
    "HeaterBuild",
    "Log",
    "Manners",
    "MemoryPort",
    "Move",
    "PtyPrinter",
    "Received",
    "Setpoint",
]
