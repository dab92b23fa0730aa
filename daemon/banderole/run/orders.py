"""Orders: what a person or a program asks of a run, held against its state and obeyed. Pure, as the engine is."""

from __future__ import annotations

from banderole.run.decisions import Does, Input
from banderole.run.effects import Raw
from banderole.run.make_safe import Cause
from banderole.run.state import Command, State, after

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from banderole.run.engine import Engine


class NotNow(Exception):
    """An order that the run cannot obey as it stands; the reason is for a person."""


def obey(e: Engine, name: str, request: dict[str, Any]) -> str:
    """Obey, and say in some words what follows. Raises Refused (by the state table) or NotNow."""
    match name:
        case "hold" if request.get("withdraw"):
            reason = _withdraw(e)
        case "hold":
            reason = _hold(e, str(request.get("at", "now")))
        case "resume":
            successor = after(e.state, Command.RESUME)
            if e.decide(Input.RESUME) is Does.REFUSE:
                raise NotNow(
                    "resume is refused while no fresh reading comes: heat is not set blindly; see to the printer"
                )
            e.state = successor
            reason = "settling again, then back to the part"
        case "stop":
            e.state = after(e.state, Command.STOP)
            e.holds.wanted = None
            e.notify("stopping", reason="a person")
            reason = "after the layer in work, then heat off"
        case "abort" | "estop":
            return _abort(e, name)
        case "acknowledge":
            reason = _acknowledge(e)
        case "start" | "reset":
            after(e.state, Command(name))  # says why not
            raise NotNow(f"{name} is for a daemon; this is one run by itself")
        case _:
            raise NotNow(f"{name} is not a command of a run")
    e.notify("command_accepted", command=name)
    return reason


def _acknowledge(e: Engine) -> str:
    """Somebody has seen them. A trip stands all the same until it is reset."""
    seen = e.alarms.acknowledge()
    return f"{seen} {'alarm' if seen == 1 else 'alarms'} acknowledged" if seen else "there is nothing to acknowledge"


def _abort(e: Engine, name: str) -> str:
    e.notify("command_accepted", command=name)
    if name == "estop":
        e.effect(Raw(b"M112\n"))
    what = "an emergency stop" if name == "estop" else "an abort"
    e.abort(Cause(4, f"{what} was asked for", emergency=name == "estop"))
    return "heat goes off first"


def _hold(e: Engine, at: str) -> str:
    """Now, at the next layer, or before a band. A hold that is pending stays so when another one comes first."""
    if e.state is not State.RUNNING and not (e.state is State.RESTARTING and at == "now"):
        after(e.state, Command.HOLD)  # says why not
        raise NotNow(f"hold --at {at} is for a run under way")
    if e.phase == "ending":
        raise NotNow("the whole file is carried out, and heat is going off: there is nothing left to hold")
    if at == "now":
        e.hold_now()
        said = "coming to rest"
    elif at == "layer":
        e.holds.wanted = at
        said = "will hold at the next layer"
    else:
        e.holds.wanted = _band(e, at)
        said = f"will hold before band {at[5:]}"
    e.notify("hold_requested", hold_at=at)
    return said


def _band(e: Engine, at: str) -> str:
    number = at.removeprefix("band:")
    if not at.startswith("band:") or not number.isdecimal():
        raise NotNow(f"hold at {at}? say now, layer or band:N")
    if not 1 <= int(number) <= len(e.schedule.bands):
        raise NotNow(f"there is no {at}: the bands are 1 to {len(e.schedule.bands)}")
    if int(number) in (e.band, e.entering) or e.account.bands[int(number)].entered:
        raise NotNow(f"band {number} has begun already; hold now, at the next layer, or before a later band")
    return f"band:{int(number)}"


def _withdraw(e: Engine) -> str:
    if e.holds.wanted is None or e.state is not State.RUNNING:
        raise NotNow("no hold is pending")
    e.holds.wanted = None
    return "the pending hold is withdrawn"
