"""Commands, the broker, clocks, disks and files that go wrong beside a run (M, C, D), on the simulation."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from aiomqtt import Message
from banderole import __version__
from banderole.link.broker import Broker
from banderole.record import journal as journal_module
from banderole.record.journal import Journal
from banderole.record.recorder import Facts, Recorder
from banderole.rehearsal.stage import Stage

from tests.faults.ends import finishes, trips
from tests.rehearsal.acts import Act, act, moment
from tests.support.outlet import Settings

PRINTING_S = 146.0


def the_same_but_for_its_dates(one: list[dict[str, Any]], other: list[dict[str, Any]]) -> bool:
    return [{**event, "at": ""} for event in one] == [{**event, "at": ""} for event in other]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Act:
    """A run with nothing beside it: what is written to the port then, and when."""
    with act(tmp_path_factory.mktemp("plain")) as play:
        finishes(play)
        return play


@pytest.fixture
def undisturbed(plain: Act) -> list[tuple[float, bytes]]:
    return plain.wire


# ---- M: commands and the broker


@contextmanager
def over_a_broker(play: Act) -> Iterator[tuple[Broker, Callable[..., None]]]:
    """The run's own outlet for a broker, without one: what it would get is given to it at a moment of the clock."""

    def handler(request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        assert play.stage.runner is not None
        return play.stage.runner.command(request, who)

    def refused(refusal: dict[str, Any]) -> None:
        if play.stage.runner is not None:
            play.stage.runner.refused(refusal)

    def run_id() -> str | None:
        return None if play.stage.runner is None else play.stage.runner.run_id

    broker = Broker(
        Settings("mqtt://127.0.0.1:1"), "rehearsal", __version__, handler, run_id=run_id, on_refused=refused
    )
    play.stage.event.append(broker.event)
    play.stage.thermal.append(broker.thermal)

    def send(at: float, body: dict[str, Any] | bytes, retain: bool = False) -> None:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        message = Message("yard/rehearsal/command", payload, 1, retain, 1, None)
        play.stage.at(at, lambda: broker._take(message))

    yield broker, send


FINE = {"v": 1, "id": "a", "command": "hold"}
NEVER = {
    "retained": (FINE, True),
    "expired": ({**FINE, "expires": "1999-12-31T23:59:59Z"}, False),
    "another run": ({**FINE, "run": "19991231-000000-aaaa"}, False),
    "strict, and unsigned": ({**FINE, "command": "resume"}, False),
    "an emergency stop, unsigned": ({**FINE, "command": "estop"}, False),
    "a start": ({**FINE, "command": "start"}, False),
    "G-code": ({**FINE, "command": "hold", "gcode": "M104 S0"}, False),
    "no JSON": (b"\x00\xff", False),
    "too long": (json.dumps({**FINE, "note": "x" * 2000}).encode(), False),
}


@pytest.mark.fault("M1", on="simulation")
def test_m1_what_is_never_obeyed(tmp_path: Path) -> None:
    """Each refused, counted and told; the run is what it is without them."""
    with act(tmp_path) as play, over_a_broker(play) as (broker, send):
        for number, (body, retain) in enumerate(NEVER.values()):
            send(PRINTING_S + 3.0 * number, body, retain)
        finishes(play)
        assert broker.refused.total() == len(NEVER)
        told = play.of("command_refused")
        assert [event["count"] for event in told] == list(range(1, len(NEVER) + 1))
        assert len({event["reason"] for event in told}) >= len(NEVER) - 2
        assert "held" not in play.kinds()


@pytest.mark.fault("M1", on="simulation")
def test_m1_one_id_is_obeyed_once(tmp_path: Path) -> None:
    """Repeated by a network, or by somebody who has listened: the run goes on, and is not held again."""
    with act(tmp_path) as play, over_a_broker(play) as (broker, send):
        for at in (PRINTING_S, 160.0, 190.0):
            send(at, FINE)
        play.stage.command(175.0, "resume")
        finishes(play)
        assert len(play.of("held")) == 1
        assert broker.refused.total() == 2
        assert [event["count"] for event in play.of("command_refused")] == [1, 2]


@pytest.mark.fault("M2", on="simulation")
def test_m2_a_thousand_commands_a_second_then_abort(tmp_path: Path) -> None:
    """Half of them fine: none stands before the abort, which is on the wire at once."""
    with act(tmp_path) as play, over_a_broker(play) as (broker, send):
        for number in range(3000):
            command = ("hold", "stop at once", "hold", "resume")[number % 4]
            send(PRINTING_S + number / 1000.0, {"v": 1, "id": f"h{number}", "command": command, "at": "band:3"})
        asked = PRINTING_S + 2.5
        send(asked, {"v": 1, "id": "enough", "command": "abort"})
        ended = play.stage.run(play.job)
        assert ended is not None
        assert (ended.state, ended.exit, ended.proven) == ("Aborted", 4, True)
        assert play.written(b"M104 S0", asked)[0] - asked < 1.0
        assert len(play.of("command_refused")) <= 5, "told at most once a second"
        assert broker.refused.total() > 2000


@pytest.mark.fault("M3", on="simulation")
def test_m3_no_broker_all_run(tmp_path: Path, undisturbed: list[tuple[float, bytes]]) -> None:
    """Not one byte on the wire is another, nor at another time; what could not be told is bounded."""
    with act(tmp_path) as play, over_a_broker(play) as (broker, _):
        task: list[Any] = []
        play.stage.at(0.1, lambda: task.append(play.stage.loop.create_task(_tries(broker))))
        finishes(play)
        task[0].cancel()
        assert play.wire == undisturbed
        assert not broker.online
        assert broker._outbox.backlog > 10


async def _tries(broker: Broker) -> None:
    """As `Broker.run` does, without a network, which has no virtual time: each try fails at once."""

    async def refused() -> None:
        raise OSError("nobody is there")

    broker._session = refused  # type: ignore[method-assign]
    await broker.run()


# ---- C1: clocks


@pytest.mark.parametrize("days", [400, -400])
@pytest.mark.fault("C1", on="simulation")
def test_c1_the_wall_clock_jumps_a_year(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plain: Act, days: int) -> None:
    """In the middle of a crossing: nothing but dates is another."""
    jump = moment(plain.of("crossing_begun")[1]) + 0.5
    before = Stage._wall

    def wall(stage: Stage) -> Any:
        return before(stage) + (timedelta(days=days) if stage.now > jump else timedelta())

    monkeypatch.setattr(Stage, "_wall", wall)
    with act(tmp_path) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 0
        assert play.events[-1]["at"][:4] == ("2001" if days > 0 else "1998")
        assert play.wire == plain.wire
        assert the_same_but_for_its_dates(play.events, plain.events)


# ---- D: disks and files


@contextmanager
def kept(play: Act, folder: Path) -> Iterator[list[str]]:
    """A journal of the run, as a run by hand has; what is told of it is a caution of the run."""
    told: list[str] = []

    def tell(text: str) -> None:
        told.append(text)

    journal = Journal(folder, tell)

    def of(name: str) -> Callable[[], Any]:
        return lambda: getattr(play.stage.runner, name)()

    recorder = Recorder(journal, Facts("r", "run", "rehearsal", "tower.gcode", "t"), of("status"), of("bands"))
    play.stage.event.insert(0, recorder.event)
    play.stage.thermal.insert(0, recorder.thermal)
    yield told
    journal.close(0.2)


def run_with(tmp_path: Path, undisturbed: list[tuple[float, bytes]], folder: Path) -> list[str]:
    (tmp_path / "kept").mkdir()
    with act(tmp_path / "kept") as play, kept(play, folder) as told:
        finishes(play)
        assert play.wire == undisturbed, "the journal was felt on the wire"
        return told


@pytest.mark.slow
@pytest.mark.fault("D1", on="simulation")
def test_d1_a_disk_that_stalls_all_run(
    tmp_path: Path, undisturbed: list[tuple[float, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    free = threading.Event()

    def stalled(path: Path) -> sqlite3.Connection:
        free.wait(20)
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(journal_module, "open_journal", stalled)
    try:
        run_with(tmp_path, undisturbed, tmp_path)
    finally:
        free.set()


@pytest.mark.fault("D1", on="simulation")
def test_d1_every_sync_fails(
    tmp_path: Path, undisturbed: list[tuple[float, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Failing(sqlite3.Connection):
        def commit(self) -> None:
            raise sqlite3.OperationalError("disk I/O error")

    plain = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: plain(*a, **{**k, "factory": Failing}))
    run_with(tmp_path, undisturbed, tmp_path)


@pytest.mark.parametrize("spoil", [b"", b"not a database at all" * 500])
@pytest.mark.fault("D1", on="simulation")
def test_d1_a_journal_that_was_torn_is_set_aside(
    tmp_path: Path, undisturbed: list[tuple[float, bytes]], spoil: bytes
) -> None:
    folder = tmp_path / "state"
    folder.mkdir()
    (folder / journal_module.FILE).write_bytes(spoil)
    told = run_with(tmp_path, undisturbed, folder)
    assert bool(list(folder.glob("*corrupt*"))) is bool(spoil)
    assert bool(told) is bool(spoil)


@pytest.mark.fault("D2", on="simulation")
def test_d2_a_disk_that_takes_nothing(
    tmp_path: Path, undisturbed: list[tuple[float, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path) -> sqlite3.Connection:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(journal_module, "open_journal", full)
    told = run_with(tmp_path, undisturbed, tmp_path)
    assert len(told) == 1
    assert "the run goes on" in told[0]


@pytest.mark.parametrize("change", ["shorter", "longer", "another byte", "gone and written anew"])
@pytest.mark.fault("D3", on="simulation")
def test_d3_the_file_changes_while_it_runs(tmp_path: Path, change: str) -> None:
    """Before its last layers are read. A file that is replaced is another one: the run goes on with the one it opened."""
    text = (tmp_path / "x").with_name("tower.gcode")

    def spoil() -> None:
        data = text.read_bytes()
        match change:
            case "shorter":
                with text.open("r+b") as file:
                    file.truncate(len(data) - 200)
            case "longer":
                with text.open("ab") as file:
                    file.write(b"G1 X10 E5\n")
            case "another byte":
                at = data.rindex(b"Z2.7000") + 1  # of the last layer
                with text.open("r+b") as file:
                    file.seek(at)
                    file.write(b"3")
            case _:
                text.unlink()
                text.write_bytes(b"G28\n")

    # Long enough that its end is not yet read when its middle is printed.
    with act(tmp_path, text=long_tower()) as play:
        play.stage.at(PRINTING_S + 20.0, spoil)
        if change == "gone and written anew":
            ended = play.stage.run(play.job)
            assert ended is not None
            assert ended.exit == 0, ended.reason
        else:
            trip = trips(play, "file_changed", as_sent=False)
            assert "file" in trip["text"]


def long_tower() -> str:
    """The small tower with 1.4 MB of comments at half its height: what is behind it is read when it is its turn."""
    from tests.support.towers import tower

    first, mark, rest = tower().partition("; layer 8\n")
    return first + "; a long word\n" * 100_000 + mark + rest
