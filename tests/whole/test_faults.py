"""Whole runs on a printer that fails: each fault ends as it should, by the exit code and by what the printer really did."""

from concurrent.futures import Future
from functools import partial
from random import Random

import pytest

from tests.faults import rows
from tests.support.judge import Log, Verdict
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, How, schedule, tower
from tests.support.whole import PATIENCE_S, UNHURRIED, Place, Run

pytestmark = pytest.mark.slow

FAST = """[interlocks]
jump = {{ degrees_per_s = 9000 }}
rise = {{ degrees = 3, within_s = {rise} }}
runaway = {{ degrees = 12, for_s = 0.5 }}
overshoot = {{ degrees = 12, for_s = 0.5 }}
stale_s = {stale}
stuck_s = {stuck}
"""
"""Trip levels for heat that runs 150 times faster than life (`jump`: 150 times what it is by default, since a board that the
machine keeps waiting for a tenth of a second has heated by 100 °C between two readings)."""
PRINTING = 60
"""Commands: in the first band, past the first crossing."""


def faulty(
    place: Place, *faults: str, window: int = 0, rise: float = 1.0, stuck: float = 60.0, stale: float = 6.0,
    tower_of: How | None = None, unhurried: bool = False, **settle: object,
) -> tuple[int, Run, Log]:  # fmt: skip
    """One run on a printer with these faults to come; every one of them must have come."""
    place.write(
        tower(tower_of), schedule(NOZZLE, **settle), serial=f"window_bytes = {window}",
        more=FAST.format(rise=rise, stuck=stuck, stale=stale),
    )  # fmt: skip
    with place.bench(*faults, **(UNHURRIED if unhurried else {})) as bench, place.run() as run:
        code = run.end(90)
        log = bench.stop()
    assert len(log.faults()) == len(faults), (
        f"came: {log.faults()}, wanted: {faults}; exit {code}, {run.stderr()[-500:]}"
    )
    return code, run, log


def finishes(place: Place, *, faults: tuple[str, ...], window: int) -> None:
    """The accepted commands are the file's, whatever happened to the line."""
    code, run, log = faulty(place, *faults, window=window)
    assert code == 0, run.stderr()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def many(place: Place, *, seed: int) -> None:
    """Several line faults at seeded moments, on one of the ways of writing the file."""
    chance = Random(seed)
    faults = tuple(f"{chance.choice(('S1', 'S3', 'S4', 'S5', 'S7'))}@{chance.randint(6, 115)}" for _ in range(4))
    how = How(arcs=chance.random() < 0.3, relative_e=chance.random() < 0.5, waits=chance.random() < 0.3)
    code, run, log = faulty(place, *faults, window=chance.choice((0, 48, 96)), tower_of=how)
    assert code == 0, (faults, run.stderr())
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def setpoint_falsified(place: Place, *, window: int) -> None:
    """The XOR misses it; the printer's own report does not: set again before anything is laid down."""
    code, run, log = faulty(place, "S2@55", window=window)
    assert code == 0, run.stderr()
    wrong = [
        row for row in log.kind("setpoint") if row["channel"] == "nozzle" and row["value"] not in (220, 212, 204, 0)
    ]
    assert wrong, "no setpoint was falsified"
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


def motion_falsified(place: Place, *, window: int, faults: tuple[str, ...]) -> None:
    """The XOR misses it, and the next block may set it right again: on a line that damages each block is asked after."""
    code, run, log = faulty(place, *faults, window=window)
    assert code == 5, (code, run.stderr())
    ended = run.events()[-1]
    assert ended["first_out"] == "position_audit", ended
    assert "of the file" in ended["reason"]
    assert ended["inserted"]["readback"] > 1
    place.verdict(log, whole=False).heat_off()
    blocks = {line.split(";")[0].strip() for line in place.data.decode().splitlines()}
    texts = [row["text"] for row in log.commands]
    texts = texts[: texts.index("M104 S0", texts.index("G28"))]  # the one before was the proof at the start
    wrong = max(at for at, text in enumerate(texts) if text.startswith("G") and text not in blocks)
    after = [text for text in texts[wrong + 1 :] if text not in ("M114", "M105")]
    assert len(after) <= 1, (
        f"the file went on after the wrong motion: {after}"
    )  # one, where a way back of ours was falsified


def trips(
    place: Place, *, faults: tuple[str, ...], alarms: tuple[str, ...], proven: bool = True, **how: object
) -> None:
    """Heat off, latched, exit 5, with the first cause told; what is not proven off is never called so."""
    code, run, log = faulty(place, *faults, **how)  # type: ignore[arg-type]
    assert code == 5, (code, run.stderr())
    ended = run.events()[-1]
    assert ended["kind"] == "run_ended"
    assert ended["first_out"] in alarms, ended
    assert ended["heat_proven_off"] is proven, ended
    assert proven or "mains" in run.stderr() + ended["reason"], "what cannot be switched off must be said plainly"
    verdict = place.verdict(log, whole=False)
    _no_more_than_was(verdict)
    with place.run() as again:
        assert again.end() == 3, "the trip is not latched"
    assert not proven or ended["first_out"] in again.stderr()  # else the printer is made safe first, and is gone here


def _no_more_than_was(verdict: Verdict) -> None:
    verdict.same_part()
    verdict.travel_clear()
    verdict.heat_off()


def halted(place: Place) -> None:
    """The firmware's own words are the first cause."""
    code, run, log = faulty(place, f"S15@{PRINTING}")
    assert code == 5, (code, run.stderr())
    trip = next(event for event in run.events() if event["kind"] == "trip")
    assert "thermal failure" in trip["text"]
    assert trip["first_out"]
    _no_more_than_was(place.verdict(log, whole=False))


def silent(place: Place) -> None:
    """Nothing heard: heat is cut on the same link, unheard, then by opening the port anew; nothing claims that it is off."""
    code, run, log = faulty(place, f"S10@{PRINTING}", stale=1.0)
    assert code == 6, (code, run.stderr())
    _no_more_than_was(place.verdict(log, whole=False))
    assert "link_lost" in run.kinds()


def restarted(place: Place, *, window: int) -> None:
    """Heat off goes to the fresh firmware too; the run is never resumed."""
    code, run, log = faulty(place, f"S11@{PRINTING}", window=window)
    assert code == 6, (code, run.stderr())
    ended = run.events()[-1]
    assert ended["state"] == "Aborted"
    assert "printer_reset" in run.kinds()
    verdict = place.verdict(log, whole=False)
    _no_more_than_was(verdict)
    restart = [row["at"] for row in log.kind("event") if row["kind"] == "restart"][-1]
    since = [row["text"] for row in log.commands if row["at"] > restart]
    assert "M104 S0" in since, since
    assert not verdict.file_commands_since(0.0, restart)


def weak(place: Place, *, when_late: str) -> None:
    """Too weak to settle: patience, then what the schedule says."""
    code, run, log = faulty(place, "T5@3", rise=25.0, patience_s=3, when_late=when_late)
    assert "settle_late" in run.kinds()
    assert code == 5, (code, run.stderr())
    _no_more_than_was(place.verdict(log, whole=False))
    assert not log.deposits


def weak_held(place: Place) -> None:
    """The same, with a person who decides."""
    place.write(tower(), schedule(NOZZLE, patience_s=2, when_late="hold"), more=FAST.format(rise=25, stuck=60, stale=6))
    with place.bench("T5@3") as bench, place.run() as run:
        run.wait_for("settle_late")
        run.wait_for("held")
        assert run.ask("abort")["accepted"]
        assert run.end() == 4, run.stderr()
        log = bench.stop()
    _no_more_than_was(place.verdict(log, whole=False))
    assert not log.deposits


LINE_FAULTS = {
    "S1 a bit flips": (f"S1@{PRINTING}", "S1@90"),
    "S3 an ok is lost": (f"S3@{PRINTING}",),
    "S4 an ok too many": (f"S4@{PRINTING}", "S4@80"),
    "S5 ten requests to resend": (f"S5@{PRINTING}",),
    "S1, S3, S4 and S5": ("S1@30", "S3@50", "S4@70", "S5@90"),
}
CASES = {
    "T4 stuck on": partial(trips, faults=(f"T4@{PRINTING}",), alarms=("heat_overshoot", "heat_over_limit", "sensor_impossible"),
                           proven=False),
    "S10 silent": silent,
    **{f"{name}, window {window}": partial(finishes, faults=faults, window=window)
       for name, faults in LINE_FAULTS.items() for window in (0, 96)},
    **{f"many at once, seed {seed}": partial(many, seed=seed) for seed in range(5)},
    **{f"S2 a setpoint falsified, window {window}": partial(setpoint_falsified, window=window) for window in (0, 96)},
    **{f"S11 restarts, window {window}": partial(restarted, window=window) for window in (0, 96)},
    **{f"S2b a motion falsified, window {window}": partial(motion_falsified, window=window, faults=(f"S1@{PRINTING}", "S2b@75"))
       for window in (0, 96)},
    "S2b in a layer": partial(motion_falsified, window=96, faults=("S1@50", "S2b@87")),
    "S15 halts": halted,
    "T1 sensor open": partial(trips, faults=(f"T1@{PRINTING}",), alarms=("sensor_impossible",)),
    "T1 sensor short": partial(trips, faults=(f"T1b@{PRINTING}",), alarms=("sensor_impossible",)),
    "T2 reading frozen": partial(trips, faults=(f"T2@{PRINTING}",), alarms=("sensor_stuck",), rise=25.0, stuck=1.0),
    "T3 no rise": partial(trips, faults=("T3@3",), alarms=("heat_rise",)),
    "T3 falls": partial(trips, faults=(f"T3@{PRINTING}",), alarms=("heat_runaway",)),
    "T5 weak, abort": partial(weak, when_late="abort"),
    "T5 weak, hold": weak_held,
}  # fmt: skip


@pytest.mark.parametrize("case", rows.cases(CASES, on="terminal"))
def test_faults(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
