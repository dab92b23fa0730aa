"""State × hearing × input: what is done about what happens, in one table. The law beside `state`, and its only reader of silence.

Theory of operation
-------------------
*State* is the run's. *Hearing* is what is known of the printer at this moment, silence included, since silence is a
reading too. *Input* is what happened. Each cell says what is done, in one of seven ways; a cell that is missing is an
error, and a test puts a real engine into every one of them.

- What makes the machine safer (hold, stop, abort, estop) does not ask how well the printer is heard.
- `resume`, which heats, is obeyed on fresh readings only.
- While a run is under way, silence ends it (`TICK`); while heat is being turned off, silence is the ladder's to judge, and
  the first cause stands.
- Before anybody has answered, silence and restarts are what a start is made of: it greets again.
- After the end nothing is under way, and nothing follows.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from itertools import product
from types import MappingProxyType
from typing import Final

from banderole.run.state import ACCEPTED, Command, State


class Hearing(Enum):
    """What is known of the printer now. Exactly one holds."""

    FRESH = "fresh"  # readings are young
    BLIND = "blind"  # it may say nothing: nobody has answered yet, or it owes an answer to something slow
    QUIET = "quiet"  # readings are old, and nothing is hot and nothing owed for long
    STALE = "stale"  # something is hot, the printer talks, and no reading comes
    SILENT = "silent"  # something is hot or owed, and nothing is heard


class Input(Enum):
    """What happens to a run: a person's commands, and what comes from the printer, the port or ourselves."""

    START = "start"
    HOLD = "hold"
    RESUME = "resume"
    STOP = "stop"
    ABORT = "abort"
    ESTOP = "estop"
    RESET = "reset"
    TICK = "time passes"
    TRIP = "an interlock decides"
    FATAL = "the printer has stopped itself"
    RESTARTED = "the printer restarts"
    NUMBERS = "line numbers have no common ground"
    PORT_LOST = "the port is gone"


class Does(Enum):
    """What is done."""

    OBEY = "obey"  # the command; the state that follows is `state.after`'s
    REFUSE = "refuse"  # the command, with the reason
    TRIP = "trip"  # heat off, latched until a person resets it
    LOSE = "lose"  # heat off as far as the link goes
    GREET = "greet"  # begin the conversation anew
    TELL = "tell"  # recorded; the first cause stands, and what is under way goes on
    NOTHING = "nothing"


_COMMANDS: Final = {Input.START: Command.START, Input.HOLD: Command.HOLD, Input.RESUME: Command.RESUME,
                    Input.STOP: Command.STOP, Input.ABORT: Command.ABORT, Input.ESTOP: Command.ABORT,
                    Input.RESET: Command.RESET}  # fmt: skip
UNDER_WAY: Final = frozenset({State.IDLE, State.RUNNING, State.HOLDING, State.HELD, State.RESTARTING, State.STOPPING})
"""Idle too: an engine exists only while its printer is spoken to."""


def _cell(state: State, hearing: Hearing, happens: Input) -> Does:
    if happens in _COMMANDS:
        heard = hearing is Hearing.FRESH or happens is not Input.RESUME
        return Does.OBEY if heard and (state, _COMMANDS[happens]) in ACCEPTED else Does.REFUSE
    if state is State.ABORTING:
        return Does.NOTHING if happens is Input.TICK else Does.TELL
    if state not in UNDER_WAY:
        return Does.NOTHING
    if state is State.IDLE and hearing is Hearing.BLIND and happens in (Input.RESTARTED, Input.NUMBERS):
        return Does.GREET
    match happens:
        case Input.TICK:
            return {Hearing.STALE: Does.TRIP, Hearing.SILENT: Does.LOSE}.get(hearing, Does.NOTHING)
        case Input.RESTARTED | Input.PORT_LOST:
            return Does.LOSE
        case _:
            return Does.TRIP


TABLE: Final[Mapping[tuple[State, Hearing, Input], Does]] = MappingProxyType(
    {cell: _cell(*cell) for cell in product(State, Hearing, Input)}
)


def decide(state: State, hearing: Hearing, happens: Input) -> Does:
    """What is done. Total: every cell is there."""
    return TABLE[state, hearing, happens]


def as_table() -> str:
    """The cells that are no person's commands, as Markdown; states that are alike in all of them share their rows."""
    happenings = [happens for happens in Input if happens not in _COMMANDS]
    rows = [["State", "hearing", *(happens.value for happens in happenings)], ["---"] * (len(happenings) + 2)]
    alike: dict[tuple[tuple[str, ...], ...], list[str]] = {}
    for state in State:
        cells = tuple(tuple(decide(state, hearing, one).value for one in happenings) for hearing in Hearing)
        alike.setdefault(cells, []).append(state.value)
    for cells, states in alike.items():
        hearings: dict[tuple[str, ...], list[str]] = {}
        for hearing, row in zip(Hearing, cells, strict=True):
            hearings.setdefault(row, []).append(hearing.value)
        for row, heard in hearings.items():
            rows.append([", ".join(states), "any" if len(heard) == len(Hearing) else ", ".join(heard), *row])
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"
