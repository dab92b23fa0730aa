"""The client's end of control and viewing over a broker: ask one printer, or watch one or all.

What is asked is bounded by the broker's own clock (message expiry), not by ours: a command that was held up on its
way is never delivered late, and no two clocks need to agree.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator
from typing import Any

from aiomqtt import Message, MqttError

from banderole.link.backoff import Backoff
from banderole.link.broker_access import Access, AccessRefused, Credentials, open_access, user_credentials
from banderole.link.client import NobodyThere
from banderole.link.encoding import to_json
from banderole.link.mqtt_link import Connection, connected, make_connection, message_properties, subscribe

__all__ = ["AccessRefused", "Credentials", "NobodyThere", "ask", "read_status", "user_credentials", "watch"]

PACKET_BYTES = 1 << 20  # of what we read: bands of a tall tower are some 10 kB
FIRST_S = 1.5  # what is retained comes right behind the subscription's answer; this is for a slow network
SETTLE_S = 0.25  # s without another one: that was all
_KINDS = {"presence": "presence", "run": "status", "bands": "bands", "alarm": "alarm", "thermal": "thermal"}


def ask(
    url: str, root: str, printer: str, request: dict[str, Any], credentials: Credentials, timeout: float = 5.0
) -> dict[str, Any]:
    """Sends one command ({"command": "hold", "at": "now"}, "run" if it is meant for one) and gives the reply.

    `timeout` in seconds for all of it. Raises NobodyThere (no broker, no daemon, no answer) and AccessRefused.
    """
    return asyncio.run(_asked(open_access(url, credentials), f"{root}/{printer}", request, timeout))


async def _asked(access: Access, base: str, request: dict[str, Any], seconds: float) -> dict[str, Any]:
    token = secrets.token_hex(8)
    presence: dict[str, Any] = {}
    try:
        async with asyncio.timeout(seconds), connected(_connection(access, seconds)) as connection:
            response = f"{base}/reply/{token}"
            await subscribe(connection, response)
            await subscribe(connection, f"{base}/presence")
            properties = message_properties(max(1, round(seconds)), token.encode(), response)
            body = to_json({"v": 1, "id": token, **request})
            await connection.publish(f"{base}/command", body, 1, False, properties)
            return await _reply(connection, response, token, presence)
    except MqttError as why:
        raise NobodyThere(f"{access!r}: {why}; is the broker there, and the address right?") from why
    except TimeoutError:
        raise NobodyThere(f"{base}: no answer within {seconds:g} s; {_told(presence)}") from None


async def _reply(connection: Connection, response: str, token: str, presence: dict[str, Any]) -> dict[str, Any]:
    """The answer that carries our correlation data; what the presence says meanwhile is kept for an error."""
    async for message in connection.messages:
        body = _body(message)
        if str(message.topic) != response:
            presence.update(body if isinstance(body, dict) else {})
        elif getattr(message.properties, "CorrelationData", None) == token.encode() and isinstance(body, dict):
            return body
    raise MqttError("the broker ended the connection")


def _told(presence: dict[str, Any]) -> str:
    match presence.get("online"):
        case True:
            return "its daemon counts as online: try the local socket on that machine"
        case False:
            return "its daemon is not connected; that says nothing about heat: look at the printer"
        case _:
            return "no daemon of that name has ever told this broker: check the root and the name"


def read_status(
    url: str, root: str, printer: str, credentials: Credentials, timeout: float = 5.0
) -> dict[str, dict[str, Any]]:
    """What is retained now, for each printer: {"bench-a": {"presence": …, "status": …, "bands": …, "alarm": …}}.

    `printer` may be "+" for every printer. {} where the broker knows none. Raises NobodyThere, AccessRefused.
    """
    return asyncio.run(_status(open_access(url, credentials), root, printer, timeout))


async def _status(access: Access, root: str, printer: str, seconds: float) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    heard = False
    try:
        async with asyncio.timeout(seconds), connected(_connection(access, seconds)) as connection:
            for topic in ("presence", "run", "bands", "alarm"):
                await subscribe(connection, f"{root}/{printer}/{topic}")
            heard = True
            messages = aiter(connection.messages)
            while (message := await _next(messages, SETTLE_S if found else FIRST_S)) is not None:
                entry = _entry(message, root)
                found.setdefault(entry.pop("printer"), {}).update(entry)
    except MqttError as why:
        raise NobodyThere(f"{access!r}: {why}; is the broker there, and the address right?") from why
    except TimeoutError:
        if not heard:
            raise NobodyThere(f"{access!r}: no answer within {seconds:g} s; is it a broker?") from None
    return found


async def _next(messages: AsyncIterator[Message], seconds: float) -> Message | None:
    try:
        async with asyncio.timeout(seconds):
            return await anext(messages)
    except TimeoutError:
        return None


async def watch(
    url: str, root: str, printer: str, credentials: Credentials, backoff: Backoff | None = None
) -> AsyncIterator[dict[str, Any]]:
    """{"printer": "bench-a", "status": …}, likewise "presence", "bands", "alarm", "thermal", "event", as they come.

    `printer` may be "+" for every printer. {"broker": true} after each connection, {"broker": false, "reason": …} when
    it is lost; then it is tried again, for ever. Raises AccessRefused at once, and NobodyThere if the first try fails.
    """
    access = open_access(url, credentials)
    waits, ever = backoff or Backoff(), False
    while True:
        try:
            async with connected(_connection(access)) as connection:
                for topic in (*_KINDS, "event"):
                    await subscribe(connection, f"{root}/{printer}/{topic}")
                ever = True
                waits.reset()
                yield {"broker": True}
                async for message in connection.messages:
                    yield _entry(message, root)
        except MqttError as why:
            if not ever:
                raise NobodyThere(f"{access!r}: {why}; is the broker there, and the address right?") from why
            yield {"broker": False, "reason": str(why)}
        await asyncio.sleep(waits.next())


def _entry(message: Message, root: str) -> dict[str, Any]:
    printer, kind = str(message.topic)[len(root) + 1 :].rsplit("/", 1)
    return {"printer": printer, _KINDS.get(kind, kind): _body(message)}


def _body(message: Message) -> Any:
    """None for what is no JSON: others may write to a broker too."""
    try:
        return json.loads(message.payload) if isinstance(message.payload, bytes) else None
    except (ValueError, RecursionError):
        return None


def _connection(access: Access, timeout: float | None = None) -> Connection:
    made = make_connection(access, packet_bytes=PACKET_BYTES)
    if timeout is not None:
        made.timeout = timeout
    return made
