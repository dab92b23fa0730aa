"""Control: status, hold, resume, stop, abort, estop, acknowledge, reset; local or over a broker. Light imports only."""

from __future__ import annotations

import json as json_
import re
from typing import Annotated

import typer

from banderole.cli.errors import NoName
from banderole.cli.say import clean, complain, say
from banderole.link import client
from banderole.places import PlaceError, checked_name, known_names

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

RESET_S = (
    120.0  # a daemon answers a reset when heat is proven off: all rungs take 60 s at most, a slow board boots for 15
)
_AT = re.compile(r"now|layer|band:[1-9][0-9]{0,3}")  # the same as over the broker (link/commands.py)


def _names() -> list[str]:
    """For the shell's completion."""
    return known_names()


def _checked_at(at: str) -> str:
    if not _AT.fullmatch(at):
        raise typer.BadParameter(f"{at!r}: say now, layer or band:N", param_hint="--at")
    return at


To = Annotated[
    str | None,
    typer.Option("--to", help="the printer's name; left out where only one run is going", autocompletion=_names),
]
BrokerUrl = Annotated[str | None, typer.Option("--broker", help="mqtt://HOST:PORT, to act from another machine")]
Root = Annotated[str, typer.Option("--root", help="topic above the printer's name, with --broker")]
Json = Annotated[bool, typer.Option("--json", help="the answer as JSON")]
At = Annotated[
    str, typer.Option("--at", help="now, layer (the next one begins), or band:N (before it)", callback=_checked_at)
]


def register(app: typer.Typer) -> None:
    for command in (status, hold, resume, stop, abort, estop, acknowledge, reset):
        app.command(command.__name__)(command)


def named(to: str | None) -> str:
    """The printer meant: the one named, else the only one that is going. Raises NoName, or NobodyThere where none is."""
    if to is not None:
        try:
            return checked_name(to)
        except PlaceError as why:
            raise NoName(str(why)) from None
    names = known_names()
    if not names:
        raise client.NobodyThere(
            "no run or daemon is going here: start one, or say --broker URL --to NAME for elsewhere"
        )
    if len(names) > 1:
        raise NoName(f"which printer? there are {', '.join(names)}: say --to NAME")
    return names[0]


def ask(request: dict[str, Any], to: str | None, broker: str | None, root: str) -> dict[str, Any]:
    """The answer to one request. Raises NoName, NobodyThere, AccessRefused."""
    if broker is None:
        return client.ask(named(to), request, RESET_S if request["command"] == "reset" else 5.0)
    from banderole.link import broker_client

    if to is None:
        raise NoName("which printer? say --to NAME with --broker")
    return broker_client.ask(broker, root, named(to), request, broker_client.user_credentials())


def act(request: dict[str, Any], to: str | None, broker: str | None, root: str, json: bool) -> None:
    """Ask, say the answer, leave with its exit code."""
    leave_with(str(request["command"]), ask(request, to, broker, root), json)


def leave_with(command: str, answer: dict[str, Any], json: bool) -> None:
    """Say the answer to a command, and leave with its exit code."""
    accepted = answer.get("accepted") is True
    said = clean(answer.get("reason") or answer.get("state") or "no reason given")
    if json:
        say(json_.dumps(answer, ensure_ascii=False))
    elif accepted:
        say(f"{command}: accepted; {said}")
    else:
        complain(f"{command}: refused; {said}")
    code = answer.get("exit")
    raise typer.Exit(code if isinstance(code, int) and (accepted or code) else 0 if accepted else 3)


def status(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """What is going on, in a few lines.

    Example: banderole status --to bench-a
    """
    from banderole.cli.status_lines import lines_of

    for online, found in _found(to, broker, root):
        if json:
            say(json_.dumps(found if broker is None else {"online": online, **found}, ensure_ascii=False))
            continue
        if not online:
            complain(f"{clean(found.get('printer'))}: not on the broker now; this was its last word, not how it is")
        for line in lines_of(found):
            say(line)


def _found(to: str | None, broker: str | None, root: str) -> list[tuple[bool, dict[str, Any]]]:
    """Whether the daemon is there, and its status; over a broker, without a name, of every printer."""
    if broker is None:
        return [(True, _status_in(client.ask(named(to), {"command": "status"})))]
    from banderole.link import broker_client

    name = "+" if to is None else named(to)
    entries = broker_client.read_status(broker, root, name, broker_client.user_credentials())
    known = {printer: entry for printer, entry in sorted(entries.items()) if isinstance(entry.get("status"), dict)}
    if not known:
        raise client.NobodyThere(f"{broker}: knows no printer {to or ''} under {root}; check --root and the name")
    return [
        (
            (entry.get("presence") or {}).get("online") is True,
            {**entry["status"], "printer": printer},
        )
        for printer, entry in known.items()
    ]


def _status_in(answer: dict[str, Any]) -> dict[str, Any]:
    found = answer.get("status")
    if not isinstance(found, dict):
        raise client.NobodyThere(f"answered, but not with a status: {clean(answer.get('reason') or answer)[:200]}")
    return found


def hold(
    at: At = "now",
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
    """Abort by the printer's own emergency stop: it needs a restart.

    Example: banderole estop --to bench-a
    """
    act({"command": "estop"}, to, broker, root, json)


def acknowledge(to: To = None, broker: BrokerUrl = None, root: Root = "banderole", json: Json = False) -> None:
    """The alarms have been seen. A trip stands until it is reset.

    Example: banderole acknowledge --to bench-a
    """
    act({"command": "acknowledge"}, to, broker, root, json)


def reset(
    printer: Annotated[
        str | None, typer.Option("--printer", help="the printer file, or its name, where nothing is running")
    ] = None,
    to: To = None,
    broker: BrokerUrl = None,
    root: Root = "banderole",
    json: Json = False,
) -> None:
    """Take the latch off: heat proven off, nozzle below 60 °C.

    Example: banderole reset --printer bench-a
    """
    if printer is None:
        act({"command": "reset"}, to, broker, root, json)
        return
    from banderole.cli.run_command import with_port
    from banderole.cli.safe_command import holder, reset_idle

    settings = with_port(printer, None, None)
    if holder(settings.name) == "daemon":
        act({"command": "reset"}, settings.name, None, root, json)
    reset_idle(settings)
