"""The MQTT outlet against a real broker, killed and frozen on the way. Clauses are those of MQTT 5.0 (OASIS, 2019)."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any
from unittest.mock import ANY

import pytest
from banderole.link.backoff import Backoff
from banderole.link.broker import Broker

from tests.support.mosquitto import Mosquitto, needs_mosquitto, password_line, running
from tests.support.mqtt_peer import Peer, body_of, peer, property_of
from tests.support.outlet import STATUS, Run, Settings, make
from tests.support.waiting import until

pytestmark = [needs_mosquitto, pytest.mark.slow]

BASE = "yard/bench-a"


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    async with running(tmp_path) as made:
        yield made


@pytest.fixture
def run() -> Run:
    return Run()


@pytest.fixture
async def broker(mosquitto: Mosquitto, run: Run) -> AsyncIterator[Broker]:
    made = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    yield made
    await made.close()
    await task


async def command(to: Peer, ident: str = "c1", retain: bool = False, **keys: Any) -> dict[str, Any]:
    """Sends one and gives the answer to it."""
    reply = f"elsewhere/{ident}"
    await to.client.subscribe(reply, qos=1)
    body = {"v": 1, "id": ident, "command": "hold", **keys}
    await to.send(f"{BASE}/command", body, retain, ResponseTopic=reply, CorrelationData=b"\x00\xff" + ident.encode())
    await until(lambda: bool(to.on(reply)))
    (answer,) = to.on(reply)
    assert property_of(answer, "CorrelationData") == b"\x00\xff" + ident.encode(), "altered (3.3.2-16)"
    assert property_of(answer, "ContentType") == "application/json"
    assert not answer.retain
    found = body_of(answer)
    assert isinstance(found, dict)
    return found


async def test_a_late_viewer_sees_the_whole_status(broker: Broker, mosquitto: Mosquitto) -> None:
    bands = [{"band": 1, "from_mm": 0.0, "to_mm": 8.7, "setpoints": {"nozzle": 248}, "state": "at work"}]
    alarms = [{"alarm": "heat_rise", "state": "unacknowledged", "first_out": True}]
    broker.publish_run(STATUS)
    broker.publish_bands(bands)
    broker.alarm(alarms)
    broker.event({"seq": 1, "kind": "run_started"})
    broker.thermal({"nozzle": 201.5})
    async with peer(mosquitto.port, f"{BASE}/#") as early:
        await until(lambda: bool(early.on(f"{BASE}/bands")))
    async with peer(mosquitto.port, f"{BASE}/#") as late:
        await until(lambda: len(late.got) >= 4)
        await asyncio.sleep(0.05)
        assert all(message.retain and message.qos == 1 for message in late.got)
        assert {str(message.topic).removeprefix(f"{BASE}/") for message in late.got} == {
            "presence", "run", "bands", "alarm",
        }  # fmt: skip
        assert late.bodies(f"{BASE}/run") == [STATUS]
        assert late.bodies(f"{BASE}/bands") == [bands]
        assert late.bodies(f"{BASE}/alarm") == [alarms]
        (presence,) = late.bodies(f"{BASE}/presence")
        assert presence["online"] is True
        assert presence["version"] == "0.1.0"
        assert all(property_of(message, "ContentType") == "application/json" for message in late.got)


async def test_a_hold_acts_and_is_answered(broker: Broker, mosquitto: Mosquitto, run: Run) -> None:
    async with peer(mosquitto.port, f"{BASE}/reply") as someone:
        answer = await command(someone, at="band:3", run="r1")
        assert answer == {"id": "c1", "accepted": True, "state": "Holding", "reason": "", "exit": 0}
        assert run.got == [
            ({"command": "hold", "at": "band:3"}, {"via": "broker", "key": None, "id": "c1"}),
        ]
        await someone.send(f"{BASE}/command", {"v": 1, "id": "c2", "command": "abort"})
        await until(lambda: bool(someone.on(f"{BASE}/reply")))  # no response topic given
        assert someone.bodies(f"{BASE}/reply")[0]["id"] == "c2"
        assert run.got[1][0] == {"command": "abort"}


@pytest.mark.fault("M1", on="terminal")
async def test_what_is_never_obeyed(broker: Broker, mosquitto: Mosquitto, run: Run) -> None:
    """M1. The retained ones come live with their flag (3.3.1-12), and not at all at subscribing (3.3.1-11)."""
    async with peer(mosquitto.port) as someone:
        assert "retained" in (await command(someone, "k1", retain=True))["reason"]
        assert (await command(someone, "k2"))["accepted"]
        assert "expired" in (await command(someone, "k3", expires="2001-01-01T00:00:00Z"))["reason"]
        assert "another run" in (await command(someone, "k4", run="r0"))["reason"]
        assert "only hold" in (await command(someone, "k5", command="resume"))["reason"]
        await someone.send(f"{BASE}/command", {"v": 1, "id": "k2", "command": "abort"})
        await until(lambda: broker.refused.total() == 5)
    assert len(run.got) == 1
    assert len(run.refused) == 1, "told more than once a second"
    assert run.refused[0]["reason"].startswith("retained")


@pytest.mark.fault("M1", on="terminal")
async def test_a_command_left_behind_is_not_obeyed_at_the_next_start(mosquitto: Mosquitto, run: Run) -> None:
    """Retained, and queued for the same client id while it was away: neither arrives (3.3.1-11, 3.1.2-4)."""
    first = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(first.run())
    await until(lambda: first.online)
    await first.close()
    await task
    async with peer(mosquitto.port) as someone:
        await someone.send(f"{BASE}/command", {"v": 1, "id": "r", "command": "abort"}, retain=True)
        await someone.send(f"{BASE}/command", {"v": 1, "id": "q", "command": "abort"})
    second = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(second.run())
    await until(lambda: second.online)
    async with peer(mosquitto.port) as someone:
        assert (await command(someone, "now"))["accepted"]
    await second.close()
    await task
    assert [who["id"] for _, who in run.got] == ["now"]
    assert second.refused.total() == 0


async def test_events_of_an_outage_follow_late_without_a_gap(broker: Broker, mosquitto: Mosquitto, run: Run) -> None:
    broker.publish_run(STATUS)
    async with peer(mosquitto.port, f"{BASE}/event") as before:
        for seq in range(1, 11):
            broker.event({"seq": seq, "kind": "settled"})
        await until(lambda: len(before.got) == 10)
        assert before.bodies(f"{BASE}/event") == [{"seq": seq, "kind": "settled"} for seq in range(1, 11)]
    async with peer(mosquitto.port, f"{BASE}/event", session="viewer"):
        pass  # from now on the broker keeps for it whatever comes: nothing can be missed between two starts
    await until(lambda: "Saving in-memory database" in mosquitto.log().partition("SUBACK to viewer")[2])
    await until(lambda: "Client viewer disconnected" in mosquitto.log())
    mosquitto.freeze()
    for seq in range(11, 16):
        broker.event({"seq": seq, "kind": "settled"})  # the first is on its way, unanswered, when the broker dies
    await asyncio.sleep(0.02)
    mosquitto.kill()
    for seq in range(16, 31):
        broker.event({"seq": seq, "kind": "settled"})
    broker.publish_run({**STATUS, "band": 2})
    await until(lambda: not broker.online)
    for seq in range(31, 41):
        broker.event({"seq": seq, "kind": "settled"})
    await mosquitto.start()
    await until(lambda: broker.online)
    async with peer(mosquitto.port, f"{BASE}/run", f"{BASE}/presence", session="viewer") as after:
        await until(lambda: [event["seq"] for event in after.bodies(f"{BASE}/event")][-1:] == [40])
        broker.event({"seq": 41, "kind": "run_ended"})
        await until(lambda: after.bodies(f"{BASE}/event")[-1]["seq"] == 41)
        seen = after.bodies(f"{BASE}/event")
        assert [event["seq"] for event in seen] == list(range(11, 42)), "a gap, a double or another order"
        assert all(event.get("late") for event in seen[:-1])
        assert "late" not in seen[-1]
        await until(lambda: bool(after.on(f"{BASE}/run")) and bool(after.on(f"{BASE}/presence")))
        assert after.bodies(f"{BASE}/run")[-1]["band"] == 2
        assert after.bodies(f"{BASE}/presence")[-1]["online"] is True
        assert (await command(after))["accepted"]


@pytest.mark.fault("M3", on="terminal")
async def test_half_open_is_found_and_the_run_never_waits(
    mosquitto: Mosquitto, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """M3. The connection stands, nobody answers: publishing returns at once, what waits follows late."""
    monkeypatch.setattr("banderole.link.mqtt_link.ANSWER_S", 1.0)
    made = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    async with peer(mosquitto.port, f"{BASE}/event") as viewer:
        mosquitto.freeze()
        begun = time.monotonic()
        for seq in range(1, 1001):
            made.event({"seq": seq, "kind": "settled"})
            made.publish_run({**STATUS, "height": float(seq)})
            made.thermal({"nozzle": 200.0})
        assert time.monotonic() - begun < 0.5
        await until(lambda: not made.online)
        mosquitto.thaw()
        await until(lambda: (viewer.last(f"{BASE}/event") or {}).get("seq") == 1000)
        seqs = [event["seq"] for event in viewer.bodies(f"{BASE}/event")]
        # The one on its way may come twice (at least once, 4.3.2); its number tells.
        assert list(dict.fromkeys(seqs)) == list(range(1, 1001))
        assert len(seqs) <= 1002
    await made.close()
    await task


async def test_the_status_is_told_on_edges_and_else_once_a_second(broker: Broker, mosquitto: Mosquitto) -> None:
    async with peer(mosquitto.port, f"{BASE}/run") as viewer:
        for step in range(100):
            broker.publish_run({**STATUS, "height": step / 10})
            await asyncio.sleep(0.002)
        broker.publish_run({**STATUS, "height": 10.0, "band": 2})
        await until(lambda: (viewer.last(f"{BASE}/run") or {}).get("band") == 2)
        assert len(viewer.got) <= 3
        broker.publish_run({**STATUS, "height": 10.2, "band": 2})
        begun = time.monotonic()
        await until(lambda: viewer.bodies(f"{BASE}/run")[-1]["height"] == 10.2)
        assert 0.7 < time.monotonic() - begun < 1.5


@pytest.mark.fault("M2", on="terminal")
async def test_a_flood_does_not_stand_before_an_abort(broker: Broker, mosquitto: Mosquitto, run: Run) -> None:
    """M2: 1,000 commands within a second; then abort acts within 1 s. The loop stays free meanwhile."""
    worst = 0.0

    async def heartbeat() -> None:
        nonlocal worst
        while True:
            begun = time.monotonic()
            await asyncio.sleep(0.005)
            worst = max(worst, time.monotonic() - begun)

    beating = asyncio.create_task(heartbeat())
    async with peer(mosquitto.port) as attacker:
        attacker.client.timeout = 30  # it shares this loop with what it floods
        sends = [
            attacker.client.publish(f"{BASE}/command", json.dumps({"v": 1, "id": f"f{n}", "command": "hold"}), 1)
            for n in range(1000)
        ]
        for first in range(0, 1000, 50):  # to hand the library a thousand in one go would hold up the loop it shares
            await asyncio.gather(*sends[first : first + 50])
        begun = time.monotonic()
        await attacker.send(f"{BASE}/command", {"v": 1, "id": "stop it", "command": "abort"})
        await until(lambda: any(request["command"] == "abort" for request, _ in run.got), 2)
        assert time.monotonic() - begun < 1.0
    beating.cancel()
    assert len(run.got) < 100
    assert broker.refused.total() > 800
    assert worst < 0.5


async def another_process(url: str) -> asyncio.subprocess.Process:
    """A daemon of the same printer, online; it ends in order when its stdin does."""
    code = f"""
        import asyncio, sys
        from banderole.link.broker import Broker
        from tests.support.outlet import Settings
        async def main():
            broker = Broker(Settings({url!r}), "bench-a", "9", lambda r, w: {{}}, run_id=lambda: None)
            task = asyncio.create_task(broker.run())
            while not broker.online:
                await asyncio.sleep(0.01)
            print("up", flush=True)
            await asyncio.to_thread(sys.stdin.readline)
            await broker.close()
            await task
        asyncio.run(main())
    """
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", textwrap.dedent(code), stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    assert await process.stdout.readline() == b"up\n"
    return process


async def test_a_killed_process_is_told_by_its_will(mosquitto: Mosquitto) -> None:
    """3.1.2-8: the will is published when the connection ends without a farewell; a clean end says it itself."""
    async with peer(mosquitto.port, f"{BASE}/presence") as viewer:
        for killed in (True, False):
            viewer.got.clear()
            process = await another_process(mosquitto.url)
            if killed:
                process.kill()
            await process.communicate(b"")
            await until(lambda: len(viewer.got) >= 2)
            online, offline = viewer.bodies(f"{BASE}/presence")[-2:]
            assert (online["online"], offline["online"]) == (True, False)
            assert (offline["since"] is None) == killed
    async with peer(mosquitto.port, f"{BASE}/presence") as late:
        await until(lambda: bool(late.got))
        assert late.got[0].retain
        assert late.bodies(f"{BASE}/presence")[0]["online"] is False


@pytest.mark.parametrize("how", ["alive", "frozen", "dead", "never"])
async def test_closing_takes_two_seconds_at_most(mosquitto: Mosquitto, run: Run, how: str) -> None:
    made = make(Settings(mosquitto.url), run)
    if how == "never":
        mosquitto.kill()
    task = asyncio.create_task(made.run())
    if how != "never":
        await until(lambda: made.online)
    if how == "frozen":
        mosquitto.freeze()
    elif how == "dead":
        mosquitto.kill()
    made.event({"seq": 1, "kind": "run_ended"})
    await asyncio.sleep(0.01)
    begun = time.monotonic()
    await made.close()
    assert time.monotonic() - begun < 2.0
    assert task.done()
    if how in ("dead", "never"):
        await mosquitto.start()  # the fixture ends it


async def test_what_waits_goes_out_before_presence_says_false(mosquitto: Mosquitto, run: Run) -> None:
    async with peer(mosquitto.port, f"{BASE}/#") as viewer:
        made = make(Settings(mosquitto.url), run)
        task = asyncio.create_task(made.run())
        await until(lambda: made.online)
        for seq in range(1, 51):
            made.event({"seq": seq, "kind": "settled"})
        made.publish_run(STATUS)
        made.publish_run({**STATUS, "height": 44.0})
        await made.close()
        await task
        await until(
            lambda: viewer.bodies(f"{BASE}/presence")[-1:] != [] and not viewer.bodies(f"{BASE}/presence")[-1]["online"]
        )
        assert [event["seq"] for event in viewer.bodies(f"{BASE}/event")] == list(range(1, 51))
        assert viewer.bodies(f"{BASE}/run")[-1]["height"] == 44.0
        assert str(viewer.got[-1].topic) == f"{BASE}/presence"


async def test_a_half_open_predecessor_cannot_say_we_are_gone(mosquitto: Mosquitto, run: Run) -> None:
    """M3. 3.1.4-3: the same client id ends the other connection; its will comes before our presence, not after."""
    older = await another_process(mosquitto.url)
    older.send_signal(signal.SIGSTOP)  # its connection stands, as after a broken line
    newer = make(Settings(mosquitto.url), run)
    task = asyncio.create_task(newer.run())
    await until(lambda: newer.online)
    older.kill()
    await older.wait()
    async with peer(mosquitto.port) as someone:
        assert (await command(someone))["accepted"]
    async with peer(mosquitto.port, f"{BASE}/presence") as late:
        await until(lambda: bool(late.got))
        assert late.bodies(f"{BASE}/presence") == [{"online": True, "since": ANY, "version": "0.1.0"}]
    await newer.close()
    await task


@pytest.mark.fault("M3", on="terminal")
async def test_twins_do_not_fight_without_a_pause(mosquitto: Mosquitto, run: Run) -> None:
    """M3. Each takes the place of the other; the waits grow all the same, since no connection lasted."""
    twins = [make(Settings(mosquitto.url), run, Backoff(0.02, 5.0, seed=seed)) for seed in (1, 2)]
    tasks = [asyncio.create_task(twin.run()) for twin in twins]
    connected = "New client connected"
    await until(lambda: mosquitto.log().count(connected) >= 12)
    before = mosquitto.log().count(connected)
    await asyncio.sleep(0.25)
    assert mosquitto.log().count(connected) - before <= 3  # each waits 0.3 s and more by now
    await asyncio.gather(*(twin.close() for twin in twins))
    await asyncio.gather(*tasks, return_exceptions=True)


async def test_over_websockets(mosquitto: Mosquitto, run: Run) -> None:
    made = make(Settings(mosquitto.web_url), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    async with peer(mosquitto.port, f"{BASE}/event") as viewer:
        made.event({"seq": 1, "kind": "run_started"})
        await until(lambda: viewer.bodies(f"{BASE}/event") == [{"seq": 1, "kind": "run_started"}])
        assert (await command(viewer))["accepted"]
    await made.close()
    await task


async def test_a_password(tmp_path: Path, run: Run, caplog: pytest.LogCaptureFixture) -> None:
    """The right password gets in; a wrong one is said once, and never shown."""
    passwords = tmp_path / "passwords"
    passwords.write_text(password_line("bench-a", "s3cret"))
    async with running(tmp_path, f"password_file {passwords}") as mosquitto:
        secret = tmp_path / "secret"
        secret.write_text("s3cret\n")
        secret.chmod(0o600)
        settings = Settings(mosquitto.url, user="bench-a", password_file=str(secret))
        made = make(settings, run)
        task = asyncio.create_task(made.run())
        await until(lambda: made.online)
        await made.close()
        await task
        assert "trying again" not in caplog.text
        secret.write_text("wrong\n")
        stranger = make(settings, run)
        task = asyncio.create_task(stranger.run())
        await until(lambda: "trying again" in caplog.text)
        await asyncio.sleep(0.2)
        assert not stranger.online
        assert sum("trying again" in record.getMessage() for record in caplog.records) == 1
        assert "wrong" not in caplog.text
        await stranger.close()


async def test_a_broker_that_denies_the_commands_is_still_told_everything(
    run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    """SUBACK with reason 0x87, not authorized (§3.9.3): Mosquitto's access list does not say so, others do."""
    told: list[bytes] = []

    async def deny(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.read(1):
            length = shift = 0
            while True:  # Variable Byte Integer, §1.5.5
                (byte,) = await reader.readexactly(1)
                length |= (byte & 0x7F) << shift
                shift += 7
                if byte < 0x80:
                    break
            body = await reader.readexactly(length)
            match head[0] >> 4:
                case 1:
                    writer.write(b"\x20\x03\x00\x00\x00")  # CONNACK, success, no properties
                case 8:
                    writer.write(b"\x90\x04" + body[:2] + b"\x00\x87")  # SUBACK
                case 3:
                    told.append(body)
                    after = 2 + int.from_bytes(body[:2], "big")
                    writer.write(b"\x40\x02" + body[after : after + 2])  # PUBACK
        writer.close()

    server = await asyncio.start_server(deny, "127.0.0.1", 0)
    made = make(Settings(f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}"), run)
    task = asyncio.create_task(made.run())
    await until(lambda: made.online)
    made.event({"seq": 1, "kind": "run_started"})
    await until(lambda: any(b"run_started" in body for body in told))
    assert "no commands come in" in caplog.text
    await made.close()
    await task
    server.close()
    await server.wait_closed()
