"""States and commands of a run against ISA-88.00.01 / IEC 61512-1 (procedural states; the table is derived from quotations).

The standard's table is written out here once more, whole, with Pausing and Paused, and cut down as the project cuts it.
"""

from __future__ import annotations

import itertools

import pytest
from banderole.run.state import ACCEPTED, COMPLETION, STANDARD, Command, Refused, State, after, completed

COMMANDS = ("Start", "Pause", "Resume", "Hold", "Restart", "Stop", "Abort", "Reset", "completion")
TABLE = """
Idle       | Running |         |         |         |            |          |          |      |
Running    |         | Pausing |         | Holding |            | Stopping | Aborting |      | Complete
Pausing    |         |         |         | Holding |            | Stopping | Aborting |      | Paused
Paused     |         |         | Running | Holding |            | Stopping | Aborting |      |
Holding    |         |         |         |         |            | Stopping | Aborting |      | Held
Held       |         |         |         |         | Restarting | Stopping | Aborting |      |
Restarting |         |         |         | Holding |            | Stopping | Aborting |      | Running
Stopping   |         |         |         |         |            |          | Aborting |      | Stopped
Stopped    |         |         |         |         |            |          | Aborting | Idle |
Aborting   |         |         |         |         |            |          |          |      | Aborted
Aborted    |         |         |         |         |            |          |          | Idle |
Complete   |         |         |         |         |            |          |          | Idle |
"""
LEFT_OUT = {"Pausing", "Paused", "Pause", "Resume"}
OURS = {"Restart": "resume"}  # our word for the standard's Restart


def cells() -> dict[tuple[str, str], str]:
    """(state, command) → state that follows, "" where refused."""
    table: dict[tuple[str, str], str] = {}
    for row in TABLE.strip().splitlines():
        state, *successors = (cell.strip() for cell in row.split("|"))
        table.update({(state, command): to for command, to in zip(COMMANDS, successors, strict=True)})
    return table


def test_the_table_is_whole() -> None:
    """96 cells: 25 accepted, 71 refused; 6 completions."""
    commanded = {key: to for key, to in cells().items() if key[1] != "completion"}
    assert len(commanded) == 96
    assert sum(bool(to) for to in commanded.values()) == 25
    assert sum(bool(to) for key, to in cells().items() if key[1] == "completion") == 6


def test_the_project_follows_the_standard_cell_by_cell() -> None:
    """10 states × 6 commands: 17 accepted, 43 refused; 5 completions."""
    kept = {key: to for key, to in cells().items() if not LEFT_OUT & {*key, to}}
    commanded = {
        (State(state), Command(OURS.get(command, command.lower()))): to
        for (state, command), to in kept.items()
        if command != "completion"
    }
    assert {key: to.value for key, to in STANDARD.items()} == {key: to for key, to in commanded.items() if to}
    assert len(STANDARD) == 17
    assert len(State) * len(Command) - len(STANDARD) == 43
    finished = {State(state): to for (state, command), to in kept.items() if command == "completion" and to}
    assert {state: to.value for state, to in COMPLETION.items()} == finished
    assert len(finished) == 5


@pytest.mark.parametrize(("state", "command"), list(itertools.product(State, Command)))
def test_every_cell_is_obeyed_or_refused_with_its_reason(state: State, command: Command) -> None:
    """The one extension: abort is accepted everywhere, as a nozzle can be hot in Idle too."""
    if command is Command.ABORT:
        assert after(state, command) is State.ABORTING
    elif (state, command) in STANDARD:
        assert after(state, command) is STANDARD[state, command]
    else:
        with pytest.raises(Refused, match=f"{command.value} is refused in {state.value}"):
            after(state, command)


def test_only_abort_goes_beyond_the_standard() -> None:
    beyond = {key for key in ACCEPTED if key not in STANDARD}
    assert beyond == {(s, Command.ABORT) for s in (State.IDLE, State.ABORTING, State.ABORTED, State.COMPLETE)}


def test_work_ends_in_rest() -> None:
    """Every state that ends in -ing, and no other, ends by itself."""
    assert {state for state in State if state.value.endswith("ing")} == set(COMPLETION)
    assert [completed(state) for state in COMPLETION] == list(COMPLETION.values())
