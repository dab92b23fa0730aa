"""States of a run: the law, its table, and the two questions one may ask of it.

Theory of operation
-------------------
The states and commands are those of ISA-88.00.01 / IEC 61512-1, without Pausing and Paused; our `resume` is the
standard's Restart. A command is either accepted, and names the state that begins, or refused with a reason. A state
that ends in `-ing` does work of its own and leaves by completion alone, or by a stronger command:

- Idle: nothing runs. `start` begins a run.
- Running: the file goes to the printer; crossings between bands belong to it.
- Holding → Held: coming to rest aside, then waiting there, part printable. `resume` leaves Held only.
- Restarting → Running: heating and settling again, then back to the part.
- Stopping → Stopped: in order, after the current layer, then heat off.
- Aborting → Aborted: heat off first, proven; everything else after that.
- Stopped, Aborted, Complete wait for `reset`, which leads to Idle.

Heat never comes back by itself: from every state at rest only `start` or `resume` leads to one that heats.

One marked extension of the standard: `abort` is accepted in every state and may be repeated. A nozzle can be hot in
Idle too (set by hand at the panel), and a person in alarm must never be told "not now". In the standard alone, abort
is refused in Idle, Aborting, Aborted and Complete; `STANDARD` below is that, kept to be checked against.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType


class State(Enum):
    """A state of the run; the value is the standard's name, as published and shown."""

    IDLE = "Idle"
    RUNNING = "Running"
    HOLDING = "Holding"
    HELD = "Held"
    RESTARTING = "Restarting"
    STOPPING = "Stopping"
    STOPPED = "Stopped"
    ABORTING = "Aborting"
    ABORTED = "Aborted"
    COMPLETE = "Complete"


class Command(Enum):
    """What a person or a program may ask of the run; the value is the word typed and sent."""

    START = "start"
    HOLD = "hold"
    RESUME = "resume"
    STOP = "stop"
    ABORT = "abort"
    RESET = "reset"


Cells = Mapping[tuple[State, Command], State]

# The standard's table, row by row: what each state accepts. A cell that is not here is refused.
STANDARD: Cells = MappingProxyType(
    {
        (State.IDLE, Command.START): State.RUNNING,
        (State.RUNNING, Command.HOLD): State.HOLDING,
        (State.RUNNING, Command.STOP): State.STOPPING,
        (State.RUNNING, Command.ABORT): State.ABORTING,
        (State.HOLDING, Command.STOP): State.STOPPING,
        (State.HOLDING, Command.ABORT): State.ABORTING,
        (State.HELD, Command.RESUME): State.RESTARTING,
        (State.HELD, Command.STOP): State.STOPPING,
        (State.HELD, Command.ABORT): State.ABORTING,
        (State.RESTARTING, Command.HOLD): State.HOLDING,
        (State.RESTARTING, Command.STOP): State.STOPPING,
        (State.RESTARTING, Command.ABORT): State.ABORTING,
        (State.STOPPING, Command.ABORT): State.ABORTING,
        (State.STOPPED, Command.ABORT): State.ABORTING,
        (State.STOPPED, Command.RESET): State.IDLE,
        (State.ABORTED, Command.RESET): State.IDLE,
        (State.COMPLETE, Command.RESET): State.IDLE,
    }
)

# What this daemon obeys: the standard, and abort everywhere.
ACCEPTED: Cells = MappingProxyType({**STANDARD, **{(state, Command.ABORT): State.ABORTING for state in State}})

# What a state becomes when its own work is done. States that are not here do not end by themselves.
COMPLETION: Mapping[State, State] = MappingProxyType(
    {
        State.RUNNING: State.COMPLETE,
        State.HOLDING: State.HELD,
        State.RESTARTING: State.RUNNING,
        State.STOPPING: State.STOPPED,
        State.ABORTING: State.ABORTED,
    }
)

# What each state is, in words that end the sentence "the run …"; for the reason of a refusal.
_MEANING: Mapping[State, str] = MappingProxyType(
    {
        State.IDLE: "has not been started",
        State.RUNNING: "is under way",
        State.HOLDING: "is coming to rest",
        State.HELD: "is at rest, waiting to be resumed",
        State.RESTARTING: "is on its way back to the part",
        State.STOPPING: "is being stopped",
        State.STOPPED: "was stopped",
        State.ABORTING: "is being aborted",
        State.ABORTED: "was aborted",
        State.COMPLETE: "is complete",
    }
)


class Refused(Exception):
    """A command that the state does not allow; nothing has changed. `reason` is for a person to read."""

    def __init__(self, state: State, command: Command) -> None:
        self.state = state
        self.command = command
        self.reason = f"{command.value} is refused in {state.value}: the run {_MEANING[state]}; {_advice(state)}"
        super().__init__(self.reason)


class NothingToComplete(Exception):
    """Our own fault: a completion was reported in a state that has none."""


def after(state: State, command: Command) -> State:
    """The state that `command` leads to from `state`. Raises Refused."""
    successor = ACCEPTED.get((state, command))
    if successor is None:
        raise Refused(state, command)
    return successor


def completed(state: State) -> State:
    """The state that follows when the work of `state` is done. Raises NothingToComplete."""
    successor = COMPLETION.get(state)
    if successor is None:
        raise NothingToComplete(f"{state.value} does not end by itself: the run {_MEANING[state]}")
    return successor


def accepts(state: State) -> tuple[Command, ...]:
    """The commands that `state` accepts, in the order of `Command`."""
    return tuple(command for command in Command if (state, command) in ACCEPTED)


def _advice(state: State) -> str:
    names = [command.value for command in accepts(state)]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
    return f"it accepts {listed}" if len(names) > 1 else f"it accepts {listed} only"


def as_table() -> str:
    """The table as Markdown, one row a state, drawn from the cells above; extensions are marked with a plus."""
    rows = [
        ["State", *(command.value for command in Command), "on completion"],
        ["---"] * (len(Command) + 2),
        *([state.value, *(_cell(state, c) for c in Command), _named(COMPLETION.get(state))] for state in State),
    ]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"


def as_diagram() -> str:
    """The same as a Mermaid state diagram; aborts accepted everywhere are left to the note, as they hide the rest."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.IDLE.value}"]
    lines += [
        f"    {state.value} --> {successor.value} : {command.value}"
        for (state, command), successor in ACCEPTED.items()
        if command is not Command.ABORT
    ]
    lines += [f"    {state.value} --> {successor.value}" for state, successor in COMPLETION.items()]
    note = f"abort leads to {State.ABORTING.value} from every state, this one included"
    lines += [f"    note right of {State.ABORTING.value} : {note}"]
    return "\n".join(lines) + "\n"


def _cell(state: State, command: Command) -> str:
    extension = "+" if (state, command) in ACCEPTED and (state, command) not in STANDARD else ""
    return _named(ACCEPTED.get((state, command))) + extension


def _named(state: State | None) -> str:
    return "" if state is None else state.value
