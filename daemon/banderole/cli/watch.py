"""`watch`: one printer, live, from its local socket or over a broker. Looking on changes nothing."""

from __future__ import annotations

from typing import Annotated

import typer

from banderole.cli.control import BrokerUrl, Root, To, named
from banderole.cli.errors import NoName
from banderole.cli.safe_command import AT_REST
from banderole.link import client

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from banderole.cli.live import LiveView


def register(app: typer.Typer) -> None:
    app.command("watch")(watch)


def watch(
    to: To = None,
    broker: BrokerUrl = None,
    root: Root = "banderole",
    json: Annotated[bool, typer.Option("--json", help="as it comes, one JSON object a line")] = False,
) -> None:
    """Look on, until the run ends; where a daemon waits for one, until that one ends. Ctrl-C leaves; the run goes on.

    Example: banderole watch --to bench-a
    """
    from banderole.cli.live import LiveView

    if broker is not None and to is None:
        raise NoName("which printer? say --to NAME with --broker")
    name = named(to)
    view = LiveView(json=json)
    onlooker = Onlooker(view, json)
    try:
        if broker is None:
            for entry in client.watch(name):
                onlooker.take(entry)
                if onlooker.run_ended and "bands" in entry:  # the last picture; a daemon goes on after it
                    break
        else:
            _over_broker(onlooker, broker, root, name)
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    finally:
        view.close()
    if not onlooker.ended:
        raise client.NobodyThere(f"{name}: gone without saying how the run ended; look at the printer")


class Onlooker:
    """What came in so far, and where it goes."""

    def __init__(self, view: LiveView, json: bool) -> None:
        self._view = view
        self._json = json
        self._status: dict[str, Any] = {}
        self._bands: list[dict[str, Any]] = []
        self._run_ended = False

    @property
    def ended(self) -> bool:
        """Has the run said its last, or was none under way?"""
        return self._run_ended or self._status.get("state") in AT_REST

    @property
    def run_ended(self) -> bool:
        return self._run_ended

    def take(self, entry: dict[str, Any]) -> None:
        """One entry of either stream."""
        event = entry.get("event")
        if isinstance(event, dict):
            self._run_ended = event.get("kind") == "run_ended"
        if self._json:
            from banderole.link.encoding import to_json

            self._view.write(to_json(entry).decode() + "\n")
            return
        if isinstance(event, dict):
            self._view.event(event)
        if isinstance(bands := entry.get("bands"), list):
            self._bands = bands
        if isinstance(status := entry.get("status"), dict):
            self._status = status
        if entry.keys() & {"status", "bands"} and self._status:
            self._view.show(self._status, self._bands)

    def note(self, text: str) -> None:
        """Of the broker, not of the run."""
        self._view.note(text)


def _over_broker(onlooker: Onlooker, url: str, root: str, name: str) -> None:
    import asyncio

    asyncio.run(_follow(onlooker, url, root, name))


async def _follow(onlooker: Onlooker, url: str, root: str, name: str) -> None:
    """Until the run ends, or its daemon leaves the broker. Raises NobodyThere, AccessRefused."""
    from banderole.link import broker_client

    seen_online = False
    async for entry in broker_client.watch(url, root, name, broker_client.user_credentials()):
        match entry:
            case {"broker": False}:
                onlooker.note(f"the broker is out of reach ({entry.get('reason')}); trying again")
            case {"presence": {"online": False}}:
                where = "has left the broker" if seen_online else "is not on the broker"
                if not onlooker.ended:
                    raise client.NobodyThere(f"{name}: its daemon {where}; that says nothing about heat")
                return
            case {"presence": {"online": True}}:
                seen_online = True
        if "broker" not in entry:
            onlooker.take(entry)
        if onlooker.run_ended:
            return
