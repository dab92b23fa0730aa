"""Control: status, hold, resume, stop, abort, estop, reset; over the local socket or a broker. Light imports only."""

from __future__ import annotations

import json as json_
import sys
from typing import Annotated

import typer

from banderole.link import client

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

To = Annotated[str | None, typer.Option("--to", help="the printer's name; left out where only one run is going")]
BrokerUrl = Annotated[str | None, typer.Option("--broker", help="mqtt://HOST:PORT, to act from another machine")]
Root = Annotated[str, typer.Option("--root", help="topic above the printer's name, with --broker")]
Json = Annotated[bool, typer.Option("--json", help="the answer as JSON")]


class NoName(Exception):
    """Which printer is meant? (exit 2)"""


def register(app: typer.Typer) -> None:
    for command in (status, hold, resume, stop, abort, estop, reset):
        app.command(command.__name__)(command)


def named(to: str | None) -> str:
    """The printer meant: the one named, else the only one that is going."""
    if to is not None:
        return to
    from banderole.places import known_names

    names = known_names()
    if len(names) == 1:
        return names[0]
    known = f"there are {', '.join(names)}" if names else "no run or daemon is going here"
    raise NoName(f"which printer? {known}: say --to NAME")


def ask(request: dict[str, Any], to: str | None, broker: str | None, root: str) -> dict[str, Any]:
    """The answer to one request. Raises NobodyThere."""
    if broker is None:
        return client.ask(named(to), request)
    from banderole.link import broker_client

    if to is None:
        raise NoName("which printer? say --to NAME with --broker")
    return broker_client.ask(broker, root, to, request, broker_client.user_credentials())


def act(request: dict[str, Any], to: str | None, broker: str | None, root: str, json: bool) -> None:
    """Ask, say the answer, leave with its exit code."""
    answer = ask(request, to, broker, root)
    accepted = bool(answer.get("accepted"))
    if json:
        print(json_.dumps(answer, ensure_ascii=False))
    elif accepted:
        print(f"{request['command']}: accepted; {answer.get('reason') or answer.get('state')}")
    else:
        print(f"{request['command']}: refused; {answer.get('reason')}", file=sys.stderr)
    raise typer.Exit(int(answer.get("exit", 0 if accepted else 3)))


def status(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """What is going on, in a few lines.

    Example: banderole status --to bench-a
    """
    if broker is None:
        found = client.ask(named(to), {"command": "status"}).get("status", {})
    else:
        from banderole.link import broker_client

        entries = broker_client.read_status(broker, root, to or "+", broker_client.user_credentials())
        if not entries:
            raise client.NobodyThere(f"{broker}: knows no printer {to or ''} under {root}")
        found = next(iter(entries.values())).get("status", {})
    if json:
        print(json_.dumps(found, ensure_ascii=False))
        return
    for line in lines_of(found):
        print(line)


def lines_of(found: dict[str, Any]) -> list[str]:
    """A status in plain lines."""
    measured, wanted = found.get("measured") or {}, found.get("setpoint") or {}
    heat = " · ".join(f"{heater} {value:.1f} °C, to be {wanted.get(heater, 0):g}" for heater, value in measured.items())
    lines = [
        f"{found.get('printer')}: {found.get('state')}, {found.get('doing')}",
        f"{found.get('file')}: band {found.get('band') or '-'} of {found.get('bands')}, {found.get('height')} mm, "
        f"{float(found.get('fraction') or 0):.0%}",
    ]
    if heat:
        lines.append(heat)
    if found.get("hold"):
        lines.append(f"hold asked for: {found['hold']}")
    return lines + [f"{one['grade']} {one['alarm']}: {one['text']}" for one in found.get("alarms") or []]


def hold(
    at: Annotated[str, typer.Option("--at", help="now, layer (the next one begins), or band:N (before it)")] = "now",
    withdraw: Annotated[bool, typer.Option("--withdraw", help="take a hold back that has not begun")] = False,
    to: To = None,
    broker: BrokerUrl = None,
    root: Root = "banderole",
    json: Json = False,
) -> None:
    """Come to rest aside, keep the part printable, wait.

    Example: banderole hold --at band:4 --to bench-a
    """
    request: dict[str, Any] = {"command": "hold", **({"withdraw": True} if withdraw else {"at": at})}
    act(request, to, broker, root, json)


def resume(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """Heat and settle again, back to the part, go on.

    Example: banderole resume --to bench-a
    """
    act({"command": "resume"}, to, broker, root, json)


def stop(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """End in order after the layer in work: aside, heat off.

    Example: banderole stop --to bench-a
    """
    act({"command": "stop"}, to, broker, root, json)


def abort(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """Now: heat off first, proven. Accepted in every state.

    Example: banderole abort --to bench-a
    """
    act({"command": "abort"}, to, broker, root, json)


def estop(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """Abort by the printer's own emergency stop: it needs a restart afterwards.

    Example: banderole estop --to bench-a
    """
    act({"command": "estop"}, to, broker, root, json)


def reset(
    printer: Annotated[
        str | None, typer.Option("--printer", help="the printer file, or its name: nothing is running")
    ] = None,
    to: To = None,
    json: Json = False,
) -> None:
    """Take the latch off after a trip: wants the heat proven off and the nozzle below 60 °C.

    Example: banderole reset --printer bench-a
    """
    if printer is None:
        act({"command": "reset"}, to, None, "", json)
    from banderole.cli.run_command import reset_idle

    assert printer is not None
    reset_idle(printer)
