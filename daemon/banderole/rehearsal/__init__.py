"""Rehearsals: the run's own engine, runner and window against the emulated printer, in memory and in virtual time.

A `Stage` (stage.py) is one emulated printer with one virtual clock (virtual_time.py): runs on it, one after another,
commands, faults and crashes at moments of that clock. Nothing of the world outside is read or written, and nothing
depends on it: the same file, schedule, printer and seed give the same events, byte for byte. `boards` says which
emulated printer stands in for a real one, `StandIn` is the person who is not there.
"""

from banderole.rehearsal.boards import board_for, some_printer
from banderole.rehearsal.stage import Marks, Stage
from banderole.rehearsal.stand_in import StandIn
from banderole.rehearsal.virtual_time import VirtualLoop, run_virtually

__all__ = ["Marks", "Stage", "StandIn", "VirtualLoop", "board_for", "run_virtually", "some_printer"]
