"""State × hearing × input: the table is whole, says what it should, and a real engine does so in every cell."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest
from banderole.plan.schedule import Schedule
from banderole.rehearsal import some_printer
from banderole.run.decisions import TABLE, UNDER_WAY, Does, Hearing, Input, as_table, decide
from banderole.run.effects import Latch, Notify, Ours, PortLost
from banderole.run.engine import Engine
from banderole.run.make_safe import Cause
from banderole.run.state import ACCEPTED, Command, Refused, State, after
from banderole.run.steps import Procedure
from banderole.run.trips import Trip
from banderole_protocol.state import LinkState

COMMANDS = {one for one in Input if one.value in {command.value for command in Command} or one is Input.ESTOP}
STALE_S = some_printer().interlocks.bed.stale_s + 1.0
"""The bed's is the longer one."""
ENDED = (State.STOPPED, State.ABORTED, State.COMPLETE)


def test_the_table_is_whole() -> None:
    assert set(TABLE) == set(product(State, Hearing, Input))
    assert len(TABLE) == 10 * 5 * 13


@pytest.mark.parametrize(("state", "hearing"), list(product(State, Hearing)))
def test_what_makes_safer_never_asks_how_well_the_printer_is_heard(state: State, hearing: Hearing) -> None:
    """ISA-88's cells, and abort everywhere (our extension)."""
    assert decide(state, hearing, Input.ABORT) is decide(state, hearing, Input.ESTOP) is Does.OBEY
    for one in (Input.HOLD, Input.STOP):
        assert (decide(state, hearing, one) is Does.OBEY) == ((state, Command(one.value)) in ACCEPTED)


@pytest.mark.parametrize("hearing", Hearing)
def test_heat_comes_back_on_fresh_readings_only(hearing: Hearing) -> None:
    assert (decide(State.HELD, hearing, Input.RESUME) is Does.OBEY) == (hearing is Hearing.FRESH)


@pytest.mark.parametrize("state", State)
def test_silence_ends_what_is_under_way_and_nothing_else(state: State) -> None:
    """Fault rows S10 and S10b; and S9, S9b: a printer that may be silent is left alone."""
    ends = {hearing: decide(state, hearing, Input.TICK) for hearing in Hearing}
    live = state in UNDER_WAY
    assert ends == {
        Hearing.FRESH: Does.NOTHING,
        Hearing.BLIND: Does.NOTHING,
        Hearing.QUIET: Does.NOTHING,
        Hearing.STALE: Does.TRIP if live else Does.NOTHING,
        Hearing.SILENT: Does.LOSE if live else Does.NOTHING,
    }


def waits(e: Engine) -> Procedure:
    del e
    while True:
        yield


class Desk:
    """An engine in a state, hearing the printer in one of the ways; then something happens to it."""

    def __init__(self, state: State, hearing: Hearing) -> None:
        self.e = e = Engine(some_printer(), Schedule.empty(), None)
        e.start(0.0, waits)
        e.answered, e.phase = True, "printing"
        e.window.greet()
        for _ in ("M110", "M115"):
            assert e.data_to_send(0.1)
            self.hear("ok", 0.2)
        assert e.window.state is LinkState.FLOWING
        e.state = state
        getattr(self, hearing.value)()
        if state is State.ABORTING:
            e.cause = Cause(4, "before")
        if state in ENDED:
            e.end(state, 0, "before", True)
        self.now = e.now
        self.told = [*e._out()]
        assert e._guards.hearing(e) is hearing

    def hear(self, line: str, now: float = 0.0) -> None:
        self.e.receive(line.encode() + b"\n", now)

    def fresh(self) -> None:
        self.hear("T:200.0 /200.0 B:60.0 /60.0", 1.0)

    def quiet(self) -> None:
        self.hear("T:25.0 /0.0 B:25.0 /0.0", 1.0)
        self.e.now = 1.0 + STALE_S

    def stale(self) -> None:
        self.fresh()
        for seconds in range(1, int(STALE_S) + 1):  # behind a long hush a reading would have time to come
            self.hear("echo:something", 1.0 + seconds)

    def silent(self) -> None:
        self.fresh()
        self.e.now = 1.0 + STALE_S

    def blind(self) -> None:
        self.fresh()
        self.e.queue(Ours(b"G28", "file"))
        assert b"G28" in self.e.data_to_send(1.0)
        self.e.tick(1.1)  # the time of what is owed runs from here
        self.e.now = 1.0 + STALE_S
        if self.e.state is State.IDLE:
            self.e.phase = "starting"

    def happens(self, one: Input) -> dict[str, Any] | None:
        e, now = self.e, self.now
        if one in COMMANDS:
            answer, effects = e.command({"command": one.value}, now)
            self.told += effects
            return answer
        does: dict[Input, Callable[[], list[Any]]] = {
            Input.TICK: lambda: e.tick(now),
            Input.TRIP: lambda: self.trips(),
            Input.FATAL: lambda: e.receive(b"Error:Printer halted. kill() called!\n", now),
            Input.RESTARTED: lambda: e.receive(b"start\n", now),
            Input.NUMBERS: lambda: self.numbers(),
            Input.PORT_LOST: lambda: e.port(PortLost("the device is gone"), now),
        }
        self.told += does[one]()
        return None

    def trips(self) -> list[Any]:
        self.e.trip(Trip("heat_runaway", 100.0, 188.0, "made up"))
        return self.e._out()

    def numbers(self) -> list[Any]:
        self.e._broken(False, "a line was asked for that is not kept")
        return self.e._out()

    @property
    def kinds(self) -> list[str]:
        return [effect.kind for effect in self.told if isinstance(effect, Notify)]

    @property
    def latched(self) -> bool:
        return any(isinstance(effect, Latch) for effect in self.told)


@pytest.mark.parametrize(
    ("state", "hearing", "one"),
    [
        cell
        for cell in TABLE
        if cell[2] not in (Input.START, Input.RESET) and not (cell[2] in COMMANDS and cell[0] in ENDED)
    ],
)
def test_a_real_engine_does_what_the_cell_says(state: State, hearing: Hearing, one: Input) -> None:
    """START and RESET are a daemon's, and so are the commands to a run that is over: an engine does not hear of them."""
    desk = Desk(state, hearing)
    answer = desk.happens(one)
    does, e = TABLE[state, hearing, one], desk.e
    if answer is not None:
        obeyed(desk, one, answer, does, state)
        return
    aborting = does in (Does.TRIP, Does.LOSE)
    assert (e.state is State.ABORTING) == (aborting or state is State.ABORTING)
    assert desk.latched == (does is Does.TRIP)
    assert ("aborting" in desk.kinds) == aborting
    assert e.restarted_while_starting == (does is Does.GREET)
    if aborting:
        assert e.cause is not None
        assert e.cause.exit == (5 if does is Does.TRIP else 6)
        assert e.alarms.first_out is not None
        assert len(e.alarms.as_json()) == 1
    if does is Does.TELL:
        assert e.cause == Cause(4, "before")
        assert e.alarms.as_json() == []
    if does is Does.NOTHING:
        assert e.state is state
        assert "trip" not in desk.kinds


def obeyed(desk: Desk, one: Input, answer: dict[str, Any], does: Does, state: State) -> None:
    assert answer["accepted"] == (does is Does.OBEY)
    assert answer["exit"] == (0 if answer["accepted"] else 3)
    command = Command.ABORT if one is Input.ESTOP else Command(one.value)
    if does is Does.REFUSE:
        assert answer["reason"]
        assert desk.e.state is state
        assert desk.kinds == ["command_refused"]
    elif command is Command.ABORT:
        assert desk.e.cause is not None
        assert desk.e.state in (State.ABORTING, State.ABORTED)
    else:
        assert desk.e.state is after(state, command)


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("command", [Command.START, Command.RESET])
def test_start_and_reset_are_the_daemons(state: State, command: Command) -> None:
    """The daemon asks `after` of the state; the table must say the same, however the printer is heard."""
    try:
        after(state, command)
        obeys = True
    except Refused:
        obeys = False
    assert {decide(state, hearing, Input(command.value)) for hearing in Hearing} == {
        Does.OBEY if obeys else Does.REFUSE
    }


def test_the_picture_shows_each_state_and_what_follows() -> None:
    drawn = as_table()
    assert all(state.value in drawn for state in State)
    assert drawn.count("\n") < 20
