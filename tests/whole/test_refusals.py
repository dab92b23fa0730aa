"""What cannot be run is refused before a byte is sent: one clear line, the contract's exit code, and nothing done."""

import fcntl
import os
import re
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial

import pytest

from tests.faults import rows
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, How, schedule, tower
from tests.support.whole import INTERLOCKS, PATIENCE_S, UNHURRIED, Place

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Bad:
    """Something wrong, the exit code it must have, and what the one line must name."""

    code: int
    names: str
    tower: str = tower()
    schedule: str = schedule(NOZZLE)
    more: str = INTERLOCKS
    spoil: Callable[[Place], None] = lambda place: None


def missing(name: str) -> Callable[[Place], None]:
    return lambda place: (place.folder / name).unlink()


def put(name: str, data: bytes) -> Callable[[Place], None]:
    def spoil(place: Place) -> None:
        (place.folder / name).write_bytes(data)

    return spoil


def inserted(block: str) -> str:
    return tower(How(inside=((2, block),)))


SPOILT = {
    "the G-code file is not there": Bad(2, r"no such file.*tower\.gcode", spoil=missing("tower.gcode")),
    "the schedule is not there": Bad(2, r"schedule\.toml", spoil=missing("schedule.toml")),
    "the printer file is not there": Bad(2, r"printer\.toml", spoil=missing("printer.toml")),
    "F1 the schedule is no TOML": Bad(2, r"schedule\.toml:1", spoil=put("schedule.toml", b"title = [")),
    "F1 the schedule has an unknown key": Bad(2, "nozle", schedule=schedule(NOZZLE).replace("nozzle", "nozle")),
    "F1 the schedule has a word for a number": Bad(2, "dwell_s", schedule=schedule(NOZZLE, dwell_s="long")),
    "a setpoint over the limit": Bad(2, "nozzle.*25[0-9]", schedule=schedule((("nozzle", 240.0, 8.0),))),
    "a setpoint below deposit_above": Bad(2, "nozzle", schedule=schedule((("nozzle", 165.0, -5.0),))),
    "a step too large": Bad(2, "nozzle_step|30", schedule=schedule((("nozzle", 240.0, -35.0),))),
    "nothing scheduled": Bad(2, "nothing|no channel", schedule=schedule(())),
    "F1 the printer file has a malformed value": Bad(2, "stuck_s", more="[interlocks]\nstuck_s = -1\n"),
    "F2 the G-code file is binary": Bad(2, r"tower\.gcode", spoil=put("tower.gcode", bytes(range(256)) * 8)),
    "F2 the G-code file is empty": Bad(2, r"empty.*tower\.gcode", spoil=put("tower.gcode", b"")),
    "F2 nothing is laid down": Bad(2, "nothing is laid down", tower="G28\nM104 S200\nG1 X10 F600\n"),
    "F2 the file has M112": Bad(3, r"M112.*tower\.gcode:18", tower=inserted("M112")),
    "F2 the file prints from the card": Bad(3, "M23", tower=inserted("M23 other.gcode")),
    "the file allows cold extrusion": Bad(3, "M302", tower=inserted("M302 P1")),
    "F3 the file means two things": Bad(
        3,
        r"e_mode.*\b\d+\b|\b\d+\b.*e_mode",
        tower=tower(How(mode_last="G90")),
        spoil=lambda place: silent_e_mode(place),
    ),
}


def silent_e_mode(place: Place) -> None:
    text = (place.folder / "printer.toml").read_text()
    (place.folder / "printer.toml").write_text(text.replace('e_mode = "apart"', ""))


def refused(place: Place, *, bad: Bad) -> None:
    place.write(bad.tower, bad.schedule, more=place.usual if bad.more is INTERLOCKS else bad.more)
    bad.spoil(place)
    _nothing_done(place, bad.code, bad.names)


def _nothing_done(place: Place, code: int, names: str, *words: str) -> None:
    with place.bench() as bench, place.run(*words) as run:
        ended = run.end()
        log = bench.stop()
    said = run.stderr()
    assert ended == code, (ended, said)
    assert said.count("\n") == 1, said
    assert said.endswith("\n")
    assert "Traceback" not in said
    assert re.search(names, said), said
    assert not log.commands
    assert not log.kind("line"), "something was sent"
    assert not (place.folder / "out").read_text()


def no_such_port(place: Place) -> None:
    place.write(tower(), schedule(NOZZLE))
    _nothing_done(place, 3, "nowhere", "--port", str(place.folder / "nowhere"))


def no_serial_port(place: Place) -> None:
    """A file is no serial device, and stays as it is."""
    place.write(tower(), schedule(NOZZLE))
    (place.folder / "some-file").write_text("keep me")
    _nothing_done(place, 3, "some-file", "--port", str(place.folder / "some-file"))
    assert (place.folder / "some-file").read_text() == "keep me"


def locked_port(place: Place) -> None:
    """Another program holds the port by a lock, as serial programs do: nothing reaches the printer."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench() as bench:
        other = os.open(place.port, os.O_RDWR | os.O_NOCTTY)
        try:
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with place.run() as run:
                assert run.end() == 3, run.stderr()
            assert run.stderr().count("\n") == 1, run.stderr()
            assert str(place.port) in run.stderr() or os.ttyname(other) in run.stderr(), run.stderr()
        finally:
            os.close(other)
        assert not bench.stop().kind("line")


def two_runs(place: Place) -> None:
    """A second run on the same printer is refused, and the first one goes on as if it had never been tried."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        run.wait_for("run_started")
        assert run.ask("hold", at="band:2")["accepted"]  # there it stays, however long the others take to begin
        run.wait_for("held")
        text = (place.folder / "printer.toml").read_text()
        (place.folder / "other.toml").write_text(text.replace(place.name, f"{place.name}-b"))
        for printer in ("printer.toml", "other.toml"):  # by its name, and by its port
            with place.run(printer=printer, out="second") as second:
                assert second.end() == 3, second.stderr()
            assert second.stderr().count("\n") == 1, second.stderr()
        assert run.ask("resume")["accepted"]
        assert run.end() == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def nobody_at_the_port(place: Place) -> None:
    """A device that never answers gets nothing but greetings."""
    place.write(tower(), schedule(NOZZLE))
    with place.bench("S10@0s") as bench, place.run() as run:
        assert run.end() == 3, run.stderr()
        log = bench.stop()
    assert run.stderr().strip().count("\n") == 0, run.stderr()
    assert {row["text"].partition(" ")[0] for row in log.commands} <= {"M110", "M115"}, log.commands


CASES = {
    "S13 nobody answers at the port": nobody_at_the_port,
    "two runs at once": two_runs,
    **{name: partial(refused, bad=bad) for name, bad in SPOILT.items()},
    "the port is not there": no_such_port,
    "the port is a plain file": no_serial_port,
    "S13 the port is in use": locked_port,
}


@pytest.mark.parametrize("case", rows.cases(CASES, on="terminal"))
def test_refused(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
