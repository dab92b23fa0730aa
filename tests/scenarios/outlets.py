"""The outlets of a simulated run: the real broker client and the real journal, with stand-ins for the network and the thread.

The broker's connection is one in memory, with drops and half-open phases; the journal's thread is a timer of the virtual clock,
its disk a real SQLite file that may be full, slow or failing. Whatever befalls them, the stream must be as it is without them.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any, Final
from unittest import mock

from aiomqtt import MqttError
from banderole.link import broker as broker_module
from banderole.link.backoff import Backoff
from banderole.link.broker import Broker
from banderole.plan.outlet_tables import BrokerSettings
from banderole.record import journal as journal_module
from banderole.record.journal import MOST_QUEUED, Journal
from banderole.record.recorder import Facts, Recorder

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.runner import Runner

    from tests.scenarios.play import Play

HANGS_S: Final = 10.0
"""A half-open connection is found by an acknowledgement that does not come (`ANSWER_S` of the client)."""
GONE: Final = "2001-01-01T00:00:00Z"
"""Over by any clock: the virtual one's as well as life's."""
COMES: Final = "2099-01-01T00:00:00Z"
BROKER_KINDS: Final = frozenset({"broker", "flood", "replay"})


class Outlets:
    """Made for each play. `close` at its end."""

    def __init__(self, play: Play) -> None:
        kinds = set(play.scenario.kinds)
        self._line = play.line
        self.network = Network(play) if kinds & BROKER_KINDS else None
        self.shelf = Shelf(play) if "journal" in kinds else None
        if self.network is not None or self.shelf is not None:
            play.stage.event.append(self._event)
            play.stage.thermal.append(self._thermal)

    def _event(self, event: dict[str, Any]) -> None:
        if self._line.dead:
            return
        for one in (self.shelf, self.network):
            if one is not None:
                one.event(event)

    def _thermal(self, reading: dict[str, Any]) -> None:
        for one in (self.shelf, self.network):
            if one is not None:
                one.thermal(reading)

    def close(self) -> None:
        for one in (self.shelf, self.network):
            if one is not None:
                one.close()


class Network:
    """A broker in memory. `received`: what has come, by topic; `verdicts`: the replies to what was sent in."""

    def __init__(self, play: Play) -> None:
        self._play = play
        self._rng = Random(f"{play.scenario.seed} network")
        self.up = True
        self.half_open = False
        self.events: list[dict[str, Any]] = []
        self.verdicts: dict[str, dict[str, Any]] = {}
        self.expected: dict[str, str] = {}  # by id: refused, accepted, either
        self.befell: Counter[str] = Counter()
        self.most_waiting = 0
        self._closing = False  # no outage begins any more: what it holds back is to come yet
        self._inbound: asyncio.Queue[Any] = asyncio.Queue()
        self._patched = contextlib.ExitStack()
        for name, stand_in in (
            ("make_connection", lambda *_, **__: self),
            ("connected", self._connected),
            ("subscribe", self._subscribe),
        ):
            self._patched.enter_context(mock.patch.object(broker_module, name, stand_in))
        self.broker = Broker(
            BrokerSettings(), "simulated", "0", self._handle, run_id=lambda: self.run_id, on_refused=self._refused,
            backoff=Backoff(seed=1),
        )  # fmt: skip
        self.task = play.stage.loop.create_task(self.broker.run())

    @property
    def runner(self) -> Runner | None:
        return self._play.stage.runner

    @property
    def run_id(self) -> str | None:
        return self.runner.run_id if self.runner is not None else None

    # ---- towards the run

    def _handle(self, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        words = {key: value for key, value in request.items() if key != "command"}
        answer = self._play.command(str(request["command"]), words)
        return answer or {"accepted": False, "reason": "no run is under way", "exit": 3}

    def _refused(self, refusal: dict[str, Any]) -> None:
        if self.runner is not None and not self._play.line.dead:
            self.runner.refused(refusal)

    def event(self, event: dict[str, Any]) -> None:
        self.broker.event(event)
        if (runner := self.runner) is not None:
            status = runner.status()
            self.broker.publish_run(status)
            self.broker.publish_bands(runner.bands())
            self.broker.alarm(status["alarms"])
        self.most_waiting = max(self.most_waiting, len(self.broker._outbox._events))

    def thermal(self, reading: dict[str, Any]) -> None:
        self.broker.thermal(reading)

    # ---- as the client sees it

    @contextlib.asynccontextmanager
    async def _connected(self, connection: Any, *_: Any) -> AsyncIterator[Network]:
        if not self.up:
            self.befell["refused"] += 1
            raise MqttError("nobody there")
        self._inbound = asyncio.Queue()  # nothing is kept for who was away
        yield self

    async def _subscribe(self, *_: Any, **__: Any) -> None:
        await asyncio.sleep(0.01)

    async def publish(self, topic: str, payload: bytes, qos: int, retain: bool, properties: Any) -> None:
        await asyncio.sleep(self._rng.uniform(0.001, 0.02))
        if self.half_open:
            self.befell["half_open"] += 1
            await asyncio.sleep(HANGS_S)
            raise MqttError("no acknowledgement")
        if not self.up:
            self.befell["dropped"] += 1
            raise MqttError("gone")
        if topic.endswith("/event"):
            self.events.append(json.loads(payload))
        elif "/reply" in topic:
            reply = json.loads(payload)
            self.verdicts[str(reply.get("id"))] = reply

    @property
    def messages(self) -> AsyncIterator[Any]:
        return self._messages()

    async def _messages(self) -> AsyncIterator[Any]:
        while True:
            message = await self._inbound.get()
            if message is None:
                raise MqttError("gone")
            yield message

    # ---- what befalls it

    def drop(self, seconds: float) -> None:
        if self._closing:
            return
        self.up = False
        self._inbound.put_nowait(None)
        self._play.stage.loop.call_later(seconds, self._back)

    def _back(self) -> None:
        self.up, self.half_open = True, False

    def hang(self, seconds: float) -> None:
        if self._closing:
            return
        self.half_open = True
        self._play.stage.loop.call_later(seconds, self._back)

    def send(self, expected: str, retain: bool = False, **words: Any) -> None:
        """One message to the command topic; dropped where nobody is connected, as by any broker."""
        if self.broker.online:
            self.expected[words["id"]] = expected
            self.befell["sent"] += 1
            payload = json.dumps({"v": 1, **words}).encode()
            self._inbound.put_nowait(SimpleNamespace(payload=payload, retain=retain, properties=None))

    def flood(self, each_s: float, count: int, last: str) -> None:
        """So many holds to be withdrawn, and junk, then one last word that has to get through."""
        for number in range(count):
            word = ("hold", "stopp", "resume", "M104 S300")[number % 4]
            self._play.stage.loop.call_later(number * each_s, self._one_of_flood, number, word)
        self._play.stage.loop.call_later(count * each_s, self._last_of_flood, last)

    def _one_of_flood(self, number: int, word: str) -> None:
        withdraw = {"withdraw": True} if word == "hold" else {}
        self.send("either" if word == "hold" else "refused", id=f"flood-{number}", command=word, **withdraw)

    def _last_of_flood(self, last: str) -> None:
        self.send("either", id="last", command=last)

    def replay(self) -> None:
        """All that must never be obeyed."""
        run = self.run_id or "none"
        self.send("refused", retain=True, id="r1", command="abort")
        self.send("refused", id="r2", command="abort", expires=GONE)
        self.send("refused", id="r3", command="abort", run=f"{run}x")
        self.send("refused", id="r4", command="resume", run=run)
        self.send("refused", id="r5", command="estop", proof="0" * 64)
        self.send("refused", id="r6", command="abort", gcode="M104 S250")
        self.send("refused", id="r7", command="start")
        self.send("refused", id="r8", command="hold", at="band:0")
        self.send("either", id="r9", command="hold", withdraw=True, run=run, expires=COMES)
        self._play.stage.loop.call_later(3.0, self._again)

    def _again(self) -> None:
        """The same id once more: the answer that counts is the second."""
        if self.verdicts.get("r9") is not None:
            self.send("refused", id="r9", command="abort")

    def close(self) -> None:
        self.up, self.half_open, self._closing = True, False, True
        loop = self._play.stage.loop
        if not loop.is_closed():
            loop.run_until_complete(asyncio.sleep(90.0))  # the longest backoff and what follows late
            loop.run_until_complete(self.broker.close())
            self.task.cancel()
            loop.run_until_complete(asyncio.gather(self.task, return_exceptions=True))
        self._patched.close()


class _NoThread:
    """The journal's writer, where its work is done by a timer of the virtual clock."""

    def __init__(self, **_: Any) -> None:
        pass

    def start(self) -> None:
        pass

    def join(self, _: float = 0.0) -> None:
        pass


class Shelf:
    """The journal of a simulated run; its writer looks twice a second, unless it is stalled."""

    LOOKS_S: Final = 0.5

    def __init__(self, play: Play) -> None:
        self._play = play
        self.stalled_until = 0.0
        self.refuses: str | None = None
        self.befell: Counter[str] = Counter()
        self.deepest = 0
        self.told: list[str] = []
        self._patched = contextlib.ExitStack()
        clock = SimpleNamespace(monotonic=play.stage.loop.time)
        self._patched.enter_context(mock.patch.object(journal_module, "time", clock))
        threads = SimpleNamespace(Thread=_NoThread, Event=journal_module.threading.Event)
        self._patched.enter_context(mock.patch.object(journal_module, "threading", threads))
        self.journal = Journal(Path(play.folder), self.told.append)
        self._write = self.journal._write
        self.journal._write = self._written  # type: ignore[method-assign]
        self._recorders: dict[int, Recorder] = {}
        play.stage.loop.call_later(self.LOOKS_S, self._look)

    def _recorder(self) -> Recorder | None:
        runner = self._play.stage.runner
        if runner is None:
            return None
        if id(runner) not in self._recorders:
            facts = Facts(
                runner.run_id, "run" if runner.job is not None else "make-safe", "simulated", "tower.gcode", "t"
            )
            self._recorders[id(runner)] = Recorder(
                self.journal, facts, runner.status, runner.bands, self._play.stage.loop.time
            )
        return self._recorders[id(runner)]

    def event(self, event: dict[str, Any]) -> None:
        if (recorder := self._recorder()) is not None:
            recorder.event(event)
        self.deepest = max(self.deepest, self.journal._queue.qsize())

    def thermal(self, reading: dict[str, Any]) -> None:
        if (recorder := self._recorder()) is not None:
            recorder.thermal(reading)

    def _look(self) -> None:
        loop = self._play.stage.loop
        if loop.time() >= self.stalled_until:
            self._work()
        loop.call_later(self.LOOKS_S, self._look)

    def _work(self) -> None:
        """What the writer's thread does in one go, without its waiting."""
        journal = self.journal
        while not journal._queue.empty():
            journal._take(journal._queue.get_nowait())
        if self._play.stage.now >= journal._not_before:
            journal._commit()
        journal._answer()

    def _written(self) -> None:
        if self.refuses is not None:
            self.befell["refused"] += 1
            raise sqlite3.OperationalError(self.refuses)
        self._write()

    def stall(self, seconds: float) -> None:
        self.befell["stalled"] += 1
        self.stalled_until = self._play.stage.now + seconds

    def refuse(self, why: str, seconds: float) -> None:
        self.refuses = why
        self._play.stage.loop.call_later(seconds, self._well_again)

    def _well_again(self) -> None:
        self.refuses = None

    def events_kept(self) -> int:
        """Entries of the run's own in the file, after all is well again."""
        self.refuses, self.stalled_until = None, 0.0
        self.journal._not_before = 0.0
        self._work()
        connection = self.journal._connection
        if connection is None:
            return 0
        return int(connection.execute("SELECT count(*) FROM entries WHERE seq IS NOT NULL").fetchone()[0])

    def close(self) -> None:
        self.kept = self.events_kept()
        self.left_out = sum(self.journal.left_out.values())
        self.most_queued = MOST_QUEUED
        self.journal._let_go()
        self._patched.close()
