"""Whole runs with a real broker: it is seen, it is obeyed, and its death changes nothing on the wire."""

import asyncio
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from itertools import pairwise
from typing import Any

import pytest

from tests.faults import rows
from tests.support.judge import Log
from tests.support.mosquitto import Mosquitto, needs_mosquitto, running
from tests.support.mqtt_peer import Peer, peer, property_of
from tests.support.towers import BANDS, LAYER, NOZZLE, STEPS, TOLERANCE, schedule, tower
from tests.support.waiting import until
from tests.support.whole import INTERLOCKS, PATIENCE_S, UNHURRIED, Place, Run, heat_off_delay

pytestmark = [pytest.mark.slow, needs_mosquitto]

LONGEST_GAP_S = 0.6
"""Between two lines on the wire: readings are asked for each tenth of a second."""


def with_broker(scenario: Callable[[Place, Mosquitto], Coroutine[Any, Any, None]]) -> Callable[[Place], None]:
    """A case with a broker of its own."""

    async def played(place: Place) -> None:
        (place.folder / "broker").mkdir()
        async with running(place.folder / "broker") as mosquitto:
            place.write(
                tower(), schedule(NOZZLE), more=f'{INTERLOCKS}[broker]\nurl = "{mosquitto.url}"\nroot = "yard"\n'
            )
            await scenario(place, mosquitto)

    return lambda place: asyncio.run(played(place))


def everything(place: Place) -> str:
    return f"yard/{place.name}/#"


def topic(place: Place, name: str) -> str:
    return f"yard/{place.name}/{name}"


async def wait_for(run: Run, kind: str, **fields: Any) -> None:
    await asyncio.to_thread(run.wait_for, kind, **fields)


async def ended(run: Run) -> int:
    return await asyncio.to_thread(run.end)


async def late_viewer(place: Place, mosquitto: Mosquitto) -> None:
    """Who subscribes in the middle sees the whole status at once; and at the end, how it ended."""
    with place.bench(**UNHURRIED) as bench, place.run() as run:
        await wait_for(run, "band_entered", band=2)
        async with peer(mosquitto.port, everything(place)) as late:
            await until(lambda: all(late.on(topic(place, name)) for name in ("run", "bands", "presence")), 2.0)
            first = late.bodies(topic(place, "run"))[0]
            assert first["state"] == "Running"
            assert first["run"] == run.events()[0]["run"]
            assert first["printer"] == place.name
            assert first["title"] == "test tower"
            assert {"phase", "height", "fraction", "remaining_s", "measured", "setpoint", "alarms", "nonce"} <= set(
                first
            )
            bands = late.bodies(topic(place, "bands"))[0]
            rows = bands["bands"] if isinstance(bands, dict) else bands
            assert [row["setpoints"]["nozzle"] for row in rows] == [220.0, 212.0, 204.0]
            assert late.bodies(topic(place, "presence"))[0]["online"] is True
            assert await ended(run) == 0, run.stderr()
            await until(lambda: late.bodies(topic(place, "presence"))[-1]["online"] is False, 3.0)
            assert late.bodies(topic(place, "run"))[-1]["state"] == "Complete"
            told = late.bodies(topic(place, "event"))
            assert told[-1]["kind"] == "run_ended"
            numbers = [event["seq"] for event in told]
            assert numbers == list(range(numbers[0], numbers[0] + len(numbers))), "an event is missing"
        async with peer(mosquitto.port, everything(place)) as after:
            await until(lambda: bool(after.on(topic(place, "run"))), 2.0)
            assert after.bodies(topic(place, "run"))[0]["state"] == "Complete"
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)


async def obeyed(place: Place, mosquitto: Mosquitto) -> None:
    """Hold, and an abort in time, from another process' client; what the broker may not carry is refused."""
    async with peer(mosquitto.port, everything(place)) as person:
        with place.bench(**UNHURRIED) as bench, place.run() as run:
            await wait_for(run, "run_started")
            assert await _order(place, run, person, "hold", at="band:2")
            await wait_for(run, "held")
            assert not await _order(place, run, person, "resume"), "going on is for who can prove who they are"
            asked = time.monotonic()
            assert await _order(place, run, person, "abort")
            assert await ended(run) == 4, run.stderr()
            log = bench.stop()
    assert heat_off_delay(bench, log, asked) <= 0.5
    verdict = place.verdict(log, whole=False)
    verdict.same_part()
    verdict.travel_clear()
    verdict.heat_off()
    assert len(log.deposits) == 12, "the hold was at band 2"


async def _order(place: Place, run: Run, person: Peer, command: str, **words: Any) -> bool:
    """Sends a command and waits for its answer: whether it was accepted."""
    body = {"v": 1, "id": f"id-{command}", "run": run.events()[0]["run"], "command": command, **words}
    answers, mark = topic(place, "reply/somebody"), command.encode()
    await person.send(topic(place, "command"), body, ResponseTopic=answers, CorrelationData=mark)

    def answered() -> list[dict[str, Any]]:
        return [
            answer
            for message, answer in zip(person.on(answers), person.bodies(answers), strict=True)
            if property_of(message, "CorrelationData") == mark
        ]

    await until(lambda: bool(answered()), 3.0)
    return bool(answered()[0]["accepted"])


async def killed(place: Place, mosquitto: Mosquitto) -> None:
    """The broker dies in band 1 and comes back while the run is held: all is told late, and the wire knows nothing of it."""
    with place.bench() as bench, place.run() as run:
        await wait_for(run, "run_started")
        run.ask("hold", at="band:3")
        await wait_for(run, "crossing_begun", band=1)
        mosquitto.kill()
        await wait_for(run, "held")
        await mosquitto.start()
        async with peer(mosquitto.port, everything(place)) as viewer:
            await until(lambda: any(body["state"] == "Held" for body in viewer.bodies(topic(place, "run"))), 10.0)
            run.ask("resume")
            assert await ended(run) == 0, run.stderr()
            await until(lambda: "run_ended" in [body["kind"] for body in viewer.bodies(topic(place, "event"))], 3.0)
            told = viewer.bodies(topic(place, "event"))
        with_death = bench.stop()
    assert "settled" in [event["kind"] for event in told if event.get("late")], "what was missed is not told late"
    place.verdict(with_death).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)
    place.write(place.data, schedule(NOZZLE))
    with place.bench() as bench, place.run() as run:
        await wait_for(run, "run_started")
        run.ask("hold", at="band:3")
        await wait_for(run, "held")
        run.ask("resume")
        assert await ended(run) == 0, run.stderr()
        alone = bench.stop()
    assert _lines(with_death) == _lines(alone)
    assert _longest_gap(with_death) <= LONGEST_GAP_S


def _lines(log: Log) -> list[str]:
    """All commands but requests for temperatures, which go by time."""
    return [row["text"] for row in log.commands if row["text"] != "M105"]


def _longest_gap(log: Log) -> float:
    """s between two lines, once the printer has said who it is."""
    first = next(at for at, row in enumerate(log.commands) if row["text"] == "M115")
    times = [row["at"] for row in log.commands[first:]]
    return float(max(after - before for before, after in pairwise(times)))


async def never_there(place: Place, mosquitto: Mosquitto) -> None:
    """No broker all the time: the run is what it is without one in its file."""
    mosquitto.kill()
    with place.bench() as bench, place.run() as run:
        assert await ended(run) == 0, run.stderr()
        log = bench.stop()
    place.verdict(log).all_of_it(LAYER, STEPS, BANDS, TOLERANCE)
    assert _longest_gap(log) <= LONGEST_GAP_S
    await mosquitto.start()


CASES = {
    "a late viewer": with_broker(late_viewer),
    "hold and abort": with_broker(obeyed),
    "M3 the broker dies and comes back": with_broker(killed),
    "M3 the broker is never there": with_broker(never_there),
}


@pytest.mark.parametrize("case", rows.cases(CASES, on="terminal"))
def test_broker(case: str, begun: dict[str, Future[None]]) -> None:
    begun[case].result(PATIENCE_S)
