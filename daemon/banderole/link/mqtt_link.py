"""One MQTT 5 connection, opened and closed within a bound. Everything we know of the client library's traps is here.

Connecting blocks in the library (name look-up, TCP, TLS: many seconds with a dead broker) and would run in the loop's
own pool, whose threads an ending program waits for. A run that has ended must not wait for a broker: the blocking part
runs in a daemon thread, and a connection that comes up after it was given up is closed again.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import ssl
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager

import aiomqtt
from aiomqtt import MqttError, ProtocolVersion, Will
from paho.mqtt.client import WebsocketConnectionError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from banderole.link.broker_access import Access
from banderole.link.service import Beat, attended, unheard

log = logging.getLogger("banderole.broker")

KEEPALIVE_S = 20  # the broker calls us gone after 1.5 times that (MQTT 5.0 §3.1.2.10): a dead printer shows in 30 s
ANSWER_S = 10.0  # for each acknowledgement; a half-open connection is found then, before the keep-alive
LEAVE_S = 0.3  # for the farewell: the broker has had its presence message before
INBOUND = 4000  # messages not yet looked at: 4 s of the worst flood we have tried …
PACKET_BYTES = 4096  # … of at most this size each, commands being below 1 kB
_JSON = {"ContentType": "application/json", "PayloadFormatIndicator": 1}


class Denied(MqttError):
    """The broker's access list says no; the connection is as good as before."""


class Connection(aiomqtt.Client):
    """A new one for each attempt: a connect that was cancelled spoils the object."""

    def _client_connect(self) -> None:
        """Nothing is left to do: `connect_ahead` did it, in a thread nobody waits for."""

    async def connect_ahead(self) -> None:
        """The blocking part of connecting. Raises MqttError; may be cancelled at any time."""
        given_up = threading.Event()

        def connect() -> None:
            aiomqtt.Client._client_connect(self)
            if given_up.is_set():
                self.hang_up()

        try:
            await _in_daemon_thread(connect)
        except (OSError, WebsocketConnectionError, ValueError) as why:  # ValueError: a name that cannot be looked up
            raise MqttError(str(why) or type(why).__name__) from why
        except asyncio.CancelledError:
            given_up.set()
            raise

    def hang_up(self) -> None:
        """Farewell and close, without waiting for anything."""
        self._client.disconnect()

    def forget_the_end(self) -> None:
        """Why the connection broke was told by what failed on it; else the collector would complain a second time."""
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()


@asynccontextmanager
async def connected(connection: Connection, beat: Beat = unheard) -> AsyncIterator[Connection]:
    """The connection, up; left in order, within `LEAVE_S`, however the block ends. Raises MqttError."""
    await attended(connection.connect_ahead(), beat)
    try:
        await connection.__aenter__()
    except BaseException:
        connection.hang_up()
        connection.forget_the_end()
        raise
    try:
        yield connection
    finally:
        connection.timeout = LEAVE_S
        try:
            await connection.__aexit__(None, None, None)
        except MqttError as why:
            log.debug("left without a farewell: %s", why)  # the keep-alive ends what is left of it
        connection.forget_the_end()


def make_connection(
    access: Access, identifier: str | None = None, will: Will | None = None, packet_bytes: int = PACKET_BYTES
) -> Connection:
    """In a running loop. No session is kept (clean start, no expiry): nothing is queued for us while we are away.

    `packet_bytes`: the broker keeps back what is larger (Maximum Packet Size, MQTT 5.0 §3.1.2.11.4).
    """
    properties = _properties(PacketTypes.CONNECT, {"MaximumPacketSize": packet_bytes})
    return Connection(
        access.host,
        access.port,
        username=access.user,
        password=access.password,
        identifier=identifier,
        protocol=ProtocolVersion.V5,
        will=will,
        transport=access.transport,
        timeout=ANSWER_S,
        keepalive=KEEPALIVE_S,
        clean_start=True,
        max_queued_incoming_messages=INBOUND,
        properties=properties,
        tls_context=ssl.create_default_context(cafile=access.ca_file) if access.tls else None,
        websocket_path=access.path if access.transport == "websockets" else None,
        logger=logging.getLogger("banderole.broker.wire"),
    )


def client_id(root: str, printer: str) -> str:
    """The same for every start of one printer's daemon: the broker then ends a half-open predecessor first, and its
    will cannot come after our presence (MQTT 5.0 §3.1.4-3). 23 letters and digits every broker takes (§3.1.3-5)."""
    return "banderole" + hashlib.sha256(f"{root}/{printer}".encode()).hexdigest()[:14]


def message_properties(
    expiry_s: int | None = None, correlation: bytes | None = None, response: str | None = None
) -> Properties:
    """`expiry_s` in whole seconds, counted by the broker: no clock of ours needs to agree with another's."""
    given = {"MessageExpiryInterval": expiry_s, "CorrelationData": correlation, "ResponseTopic": response}
    return _properties(PacketTypes.PUBLISH, _JSON | {name: value for name, value in given.items() if value is not None})


def will_properties() -> Properties:
    return _properties(PacketTypes.WILLMESSAGE, _JSON)


def _properties(packet: int, values: Mapping[str, object]) -> Properties:
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    for name, value in values.items():
        setattr(properties, name, value)
    return properties


async def subscribe(connection: Connection, topic: str, qos: int = 1, live_only: bool = False) -> None:
    """`live_only`: nothing retained at subscribing (Retain Handling 2), nothing of our own, and the retain flag of
    what comes is kept as it was sent, so that it can be refused (Retain As Published). Raises MqttError if denied."""
    options = SubscribeOptions(qos, live_only, live_only, 2 if live_only else 0)
    reasons = await connection.subscribe(topic, options=options)
    # A list of reason codes from MQTT 5 on; 128 and above are refusals (§3.9.3).
    if any(getattr(reason, "value", reason) >= 0x80 for reason in reasons):
        raise Denied(f"the broker does not let us read {topic}: check its access list")


async def _in_daemon_thread(work: Callable[[], None]) -> None:
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def tell(error: Exception | None) -> None:
        if done.done():
            log.debug("connecting ended after it was given up: %s", error or "connected, and closed again")
        elif error is None:
            done.set_result(None)
        else:
            done.set_exception(error)

    def go() -> None:
        error = None
        try:
            work()
        except Exception as why:  # told in the loop, to whoever waits
            error = why
        try:
            loop.call_soon_threadsafe(tell, error)
        except RuntimeError:  # the loop has been closed meanwhile: nobody waits any more
            log.debug("connecting ended after the program's loop: %s", error)

    threading.Thread(target=go, name="banderole-connect", daemon=True).start()
    await done
