"""The judge itself: a good run passes, and every fault that it is there for is found."""

import copy
from collections.abc import Callable

import pytest
from banderole.bench import EmulatedPrinter, Manners

from tests.support.judge import Log, Row, Verdict
from tests.support.towers import LAYER, STEPS, How, commands, numbered, tower

MANNERS = Manners(baud=0, restart_on_open=False)
FILE = numbered("\n".join(commands(tower(How(waits=True)).encode())))
VALUES = {"nozzle": (220.0, 220.0, 220.0)}


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    """Of a printer that got the file line by line, and an excursion above the part in the middle of it."""
    rows: list[Row] = []
    printer, now = EmulatedPrinter(MANNERS, rows.append), 0.0

    def give(line: bytes) -> None:
        nonlocal now
        printer.receive(line + b"\n", now)
        while b"ok" not in printer.advance(now):
            at = printer.next_event(now)
            assert at is not None
            now = at

    for number, line in enumerate(FILE.splitlines()):
        if b"M104 S0" in line:  # else the board would act on it with motions still to be carried out
            give(b"M400")
        give(line)
        if number == 40:
            here = printer.machine.x, printer.machine.y, printer.machine.z
            for aside in (b"M400", b"G1 Z20 F600", b"G1 X5 Y5 F7200", b"M105", b"G1 X%.4f Y%.4f F7200" % here[:2]):
                give(aside)
            give(b"G1 Z%.4f F2400" % here[2])
    for off in (b"M400", b"M104 S0", b"M140 S0"):
        give(off)
    return rows


def judged(rows: list[Row]) -> None:
    verdict = Verdict(Log(tuple(rows)), commands(FILE), MANNERS)
    verdict.all_of_it(LAYER, STEPS, VALUES, 1.5)


def drop(rows: list[Row]) -> None:
    rows.remove(next(row for row in rows if row.get("text", "").startswith("G1 X115")))


def twice(rows: list[Row]) -> None:
    at = [n for n, row in enumerate(rows) if row["row"] == "command"][30]
    rows.insert(at, {**rows[at], "text": "G28"})


def swap(rows: list[Row]) -> None:
    a, b = (n for n, row in enumerate(rows) if row.get("text") in ("G90", "M83"))
    rows[a], rows[b] = rows[b], rows[a]


def laid(rows: list[Row]) -> list[Row]:
    return [row for row in rows if row["row"] == "move" and row["filament"] > 0 and row["kind"] == "line"]


def elsewhere(rows: list[Row]) -> None:
    laid(rows)[20]["x1"] += 0.01


def less(rows: list[Row]) -> None:
    laid(rows)[20]["e"] -= 0.001


def slower(rows: list[Row]) -> None:
    laid(rows)[20]["feed"] = 1200.0


def cold(rows: list[Row]) -> None:
    laid(rows)[20]["nozzle"] = 215.0


def unset(rows: list[Row]) -> None:
    laid(rows)[20]["target"] = 212.0


def let_go(rows: list[Row]) -> None:
    laid(rows)[20]["known"] = False


def low(rows: list[Row]) -> None:
    for row in rows:
        if row["row"] == "move" and row["z0"] == row["z1"] == 20.0:
            row["z0"] = row["z1"] = 0.3


def extruded(rows: list[Row]) -> None:
    next(row for row in rows if row["row"] == "move" and row["x1"] == 5.0)["filament"] = 1.0


def hot(rows: list[Row]) -> None:
    [row for row in rows if row["row"] == "setpoint" and row["channel"] == "nozzle"][-1]["value"] = 220.0


FAULTS: dict[str, tuple[Callable[[list[Row]], None], str]] = {
    "a command dropped": (drop, "neither the file's next|never executed"),
    "a command added": (twice, "G28"),
    "two commands swapped": (swap, "neither the file's next"),
    "a deposit elsewhere": (elsewhere, "x1"),
    "less filament": (less, ": e: "),
    "another feedrate": (slower, ": feed: "),
    "too cold": (cold, "nozzle at 215"),
    "another setpoint": (unset, "target 212"),
    "motors let go": (let_go, "let go"),
    "low travel": (low, "passes at 0.3"),
    "an insertion that lays down": (extruded, "insertion lays"),
    "heat left on": (hot, "220"),
}


def test_a_good_run_passes(rows: list[Row]) -> None:
    judged(copy.deepcopy(rows))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_found(fault: str, rows: list[Row]) -> None:
    spoil, told = FAULTS[fault]
    spoilt = copy.deepcopy(rows)
    spoil(spoilt)
    with pytest.raises(AssertionError, match=told):
        judged(spoilt)
