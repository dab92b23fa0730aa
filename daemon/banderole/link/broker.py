"""The MQTT outlet of one printer: what it does and got is told there, and a few commands come in.

The run never waits for it. Every `publish_…` puts something into the outbox and returns; one task holds the
connection, tries again with growing waits, and never raises. Commands are judged by `commands.py` and handed to the
run's handler in the loop, as those of the local socket are.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Protocol

from aiomqtt import Message, MqttError, Will

from banderole.link.backoff import Backoff
from banderole.link.broker_access import Credentials, open_access
from banderole.link.commands import Accepted, CommandDesk, Inbound, Mode, Refused
from banderole.link.encoding import to_json
from banderole.link.mqtt_link import (
    Connection,
    Denied,
    client_id,
    connected,
    make_connection,
    message_properties,
    subscribe,
    will_properties,
)
from banderole.link.outbox import Outbox, Outgoing
from banderole.link.service import ROUND_S, Beat, attended, unheard

log = logging.getLogger("banderole.broker")

Handler = Callable[[dict[str, Any], dict[str, Any]], dict[str, Any]]

CLOSE_S = 1.4  # all of closing, before it is cut off; with the farewell it stays within 2 s
FLUSH_S = 0.8  # of that, for events still waiting; the rest is for presence
STABLE_S = 30.0  # a connection that lasted this long was a good one: the next wait begins small again (twin ids fight)
TELL_S = 1.0  # refused commands are told to the run at most this often; the count is told with them
TOPIC_CHARS = 512  # of a response topic; ours have some 60


class Settings(Protocol):
    """The broker table of the printer file."""

    @property
    def url(self) -> str: ...
    @property
    def root(self) -> str: ...
    @property
    def user(self) -> str | None: ...
    @property
    def password_file(self) -> str | None: ...
    @property
    def ca_file(self) -> str | None: ...
    @property
    def commands(self) -> Mode: ...


class Broker:
    """One printer on one broker. Making it raises AccessRefused, before anything is heated; nothing later does.

    `handler` gets (request, {"via": "broker", "key": None, "id": …}) and must return at once. `on_refused`, if given,
    is told of refused commands, at most once a second: {"reason": …, "command": …, "id": …, "count": refused so far}.
    `beat` is called each time the task comes round, whether there is a broker or not.
    """

    def __init__(
        self,
        settings: Settings,
        printer_name: str,
        version: str,
        handler: Handler,
        *,
        run_id: Callable[[], str | None],
        on_refused: Callable[[dict[str, Any]], None] | None = None,
        backoff: Backoff | None = None,
        beat: Beat = unheard,
    ) -> None:
        self._access = open_access(settings.url, Credentials(settings.user, settings.password_file, settings.ca_file))
        self._root = settings.root
        self._base = f"{settings.root}/{printer_name}"
        self._id = client_id(settings.root, printer_name)
        self._version = version
        self._handler = handler
        self._on_refused = on_refused
        self._desk = CommandDesk(settings.commands, run_id)
        self._backoff = backoff or Backoff()
        self._beat = beat
        self._outbox = Outbox()
        self._wake = asyncio.Event()
        self._closing = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._told_at = float("-inf")
        self._trouble = ""
        self.online = False
        self.refused: Counter[str] = Counter()  # by the first words of the reason

    def publish_run(self, status: dict[str, Any]) -> None:
        """The whole status. An edge goes out at once, anything else at most once a second, the newest only."""
        self._put(self._outbox.run, status)

    def publish_bands(self, bands: list[dict[str, Any]]) -> None:
        self._put(self._outbox.bands, bands)

    def event(self, event: dict[str, Any]) -> None:
        """In order, all of them: also those of an outage, then marked late."""
        self._put(self._outbox.event, event)

    def thermal(self, reading: dict[str, Any]) -> None:
        """Dropped when there is no connection."""
        self._put(lambda value: self._outbox.thermal(value, _now()), reading)

    def alarm(self, alarms: list[dict[str, Any]]) -> None:
        """All alarms that are not normal, first-out marked; [] when all is well."""
        self._put(self._outbox.alarm, alarms)

    def _put(self, into: Callable[[Any], None], value: Any) -> None:
        try:
            into(value)
        except (TypeError, ValueError, RecursionError):  # a fault of ours in what is told must not end the run
            log.exception("cannot be told to the broker")
            return
        self._wake.set()

    async def run(self) -> None:
        """Until `close`. Never raises (being cancelled apart)."""
        self._task = asyncio.current_task()
        while not self._closing.is_set():
            begun = _now()
            try:
                await self._session()
            except (MqttError, OSError) as why:
                self._say(str(why))
            except Exception:  # a fault of ours here ends the telling, never the run
                log.exception("the broker's connection failed")
            if _now() - begun >= STABLE_S:
                self._backoff.reset()
            await attended(_within(self._closing.wait(), self._backoff.next()), self._beat)

    def _say(self, trouble: str) -> None:
        """Once for each new reason, not once for each attempt."""
        level = logging.DEBUG if trouble == self._trouble else logging.WARNING
        log.log(level, "%r: %s; trying again, the run goes on", self._access, trouble)
        self._trouble = trouble

    async def _session(self) -> None:
        will = Will(f"{self._base}/presence", self._presence(False, None), 1, True, will_properties())
        async with connected(make_connection(self._access, self._id, will), self._beat) as connection:
            try:
                await subscribe(connection, f"{self._base}/command", live_only=True)
            except Denied as why:
                log.warning("%s; no commands come in, everything else goes out", why)
            self._beat()
            await self._publish(connection, self._here(True))
            log.info("%r: connected, %d events follow late", self._access, self._outbox.backlog)
            self._trouble = ""
            self.online = True
            self._outbox.connected()
            tasks = [asyncio.create_task(self._read(connection)), asyncio.create_task(self._send(connection))]
            try:
                done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self.online = False
                self._outbox.lost()
                for task in tasks:
                    task.cancel()
                ended = await asyncio.gather(*tasks, return_exceptions=True)
            for task in done:
                task.result()
            log.debug("session ended: %s", ended)

    async def _send(self, connection: Connection) -> None:
        """Ends when closing, after what waits has gone out or its time is over."""
        while True:
            self._beat()
            self._wake.clear()
            if self._closing.is_set():
                await self._flush(connection)
                return
            outgoing = self._outbox.take(_now())
            if outgoing is None:
                due = self._outbox.next_due(_now())
                await _within(self._wake.wait(), ROUND_S if due is None else min(due, ROUND_S))
                continue
            await self._publish(connection, outgoing)
            self._outbox.done(outgoing)

    async def _flush(self, connection: Connection) -> None:
        self._outbox.hurry()
        until = _now() + FLUSH_S
        while _now() < until and (outgoing := self._outbox.take(_now())) is not None:
            await self._publish(connection, outgoing)
            self._outbox.done(outgoing)
        await self._publish(connection, self._here(False))

    async def _publish(self, connection: Connection, outgoing: Outgoing) -> None:
        topic = outgoing.topic if outgoing.full else f"{self._base}/{outgoing.topic}"
        properties = message_properties(outgoing.expiry_s, outgoing.correlation)
        await connection.publish(topic, outgoing.payload, outgoing.qos, outgoing.retain, properties)

    def _here(self, online: bool) -> Outgoing:
        since = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        return Outgoing("presence", self._presence(online, since), retain=True)

    def _presence(self, online: bool, since: str | None) -> bytes:
        """The will says since null: it is written before we are gone, and only the broker knows when that was."""
        return to_json({"online": online, "since": since, "version": self._version})

    async def _read(self, connection: Connection) -> None:
        async for message in connection.messages:
            self._take(message)

    def _take(self, message: Message) -> None:
        """One command: judged, done, answered; each in this turn of the loop."""
        payload = message.payload if isinstance(message.payload, bytes) else b""
        match self._desk.judge(Inbound(payload, message.retain), datetime.now(UTC), _now()):
            case Accepted(ident, request):
                reply = {"id": ident, **self._handled(request, ident)}
            case Refused(reason, ident, command) as refusal:
                self._count(refusal)
                reply = {"id": ident, "accepted": False, "command": command, "reason": reason, "exit": 3}
        response = getattr(message.properties, "ResponseTopic", None)
        correlation = getattr(message.properties, "CorrelationData", None)
        self._outbox.reply(reply_topic(response, self._root, self._base), reply, correlation)
        self._wake.set()

    def _handled(self, request: dict[str, Any], ident: str) -> dict[str, Any]:
        try:
            return self._handler(request, {"via": "broker", "key": None, "id": ident})
        except Exception:  # a fault of ours in one command must not take the outlet, or the run, with it
            log.exception("command %r failed", request.get("command"))
            return {"accepted": False, "reason": "a fault of ours: see the log", "exit": 70}

    def _count(self, refusal: Refused) -> None:
        self.refused[refusal.reason.split(":")[0]] += 1
        if _now() - self._told_at < TELL_S:
            return
        self._told_at = _now()
        count = self.refused.total()
        log.warning("command over the broker refused (%d so far): %s", count, refusal.reason)
        if self._on_refused is not None:
            told = {"reason": refusal.reason, "command": refusal.command, "id": refusal.id, "count": count}
            try:
                self._on_refused(told)
            except Exception:  # as in _handled
                log.exception("a refused command could not be told to the run")

    async def close(self) -> None:
        """What waits goes out as far as there is time, then presence false. Within 2 s, also when nobody is there."""
        self._closing.set()
        self._wake.set()
        task = self._task
        if task is None or task.done():
            return
        if self.online:
            await asyncio.wait({task}, timeout=CLOSE_S)
        if not task.done():
            task.cancel()
            await asyncio.wait({task}, timeout=2 - CLOSE_S)


def reply_topic(response: str | None, root: str, base: str) -> str:
    """Where a reply goes. A response topic inside our own tree must be below …/reply: whoever may only send commands
    must not have us speak, with our rights, on a topic others believe. No wildcards (MQTT 5.0 §3.3.2-14), no `$`."""
    usual = f"{base}/reply"
    if not response or len(response) > TOPIC_CHARS or response.startswith("$") or not response.isprintable():
        return usual
    if "+" in response or "#" in response:
        return usual
    inside = response == root or response.startswith(f"{root}/")
    return usual if inside and not response.startswith(f"{usual}/") else response


async def _within(waited: Any, seconds: float | None) -> None:
    """Until it comes, or the time is over; either is fine."""
    try:
        async with asyncio.timeout(seconds):
            await waited
    except TimeoutError:
        pass  # the time being over is one of the two things waited for


def _now() -> float:
    return asyncio.get_running_loop().time()
