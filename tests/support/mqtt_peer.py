"""Another client on the broker, speaking the client library directly: it shares nothing with what it tests."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from aiomqtt import Message, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


class Peer:
    """Keeps every message it gets."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.got: list[Message] = []

    def on(self, topic: str) -> list[Message]:
        return [message for message in self.got if str(message.topic) == topic]

    def bodies(self, topic: str) -> list[Any]:
        return [body_of(message) for message in self.on(topic)]

    def last(self, topic: str) -> Any:
        """The body of the newest message there, or None: to be looked at often, unlike all of a thousand."""
        newest = next((message for message in reversed(self.got) if str(message.topic) == topic), None)
        return None if newest is None else body_of(newest)

    async def send(self, topic: str, body: Any, retain: bool = False, **properties: Any) -> None:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        made = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in properties.items():
            setattr(made, name, value)
        await self.client.publish(topic, payload, 1, retain, made)

    async def _read(self) -> None:
        try:
            async for message in self.client.messages:
                self.got.append(message)
        except aiomqtt.MqttError:
            return  # the broker was killed: the test sees it by what does not come


def body_of(message: Message) -> Any:
    assert isinstance(message.payload, bytes)
    return json.loads(message.payload)


def property_of(message: Message, name: str) -> Any:
    """None where the message has none of that name."""
    return getattr(message.properties, name, None)


@asynccontextmanager
async def peer(port: int, *topics: str, session: str | None = None) -> AsyncIterator[Peer]:
    """`session`: a name under which the broker keeps what comes for it while it is away."""
    connect = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    connect.SessionExpiryInterval = 0 if session is None else 3600
    client = aiomqtt.Client(
        "127.0.0.1", port, identifier=session, protocol=ProtocolVersion.V5, timeout=2, clean_start=session is None,
        properties=connect,
    )  # fmt: skip
    try:
        async with client:
            made = Peer(client)
            for topic in topics:
                await client.subscribe(topic, qos=1)
            reader = asyncio.create_task(made._read())
            yield made
            reader.cancel()
            await asyncio.gather(reader, return_exceptions=True)
    except aiomqtt.MqttError:
        if not (client._disconnected.done() and client._disconnected.exception()):
            raise  # a broker killed in the middle of a test is no fault of this end; all else is
