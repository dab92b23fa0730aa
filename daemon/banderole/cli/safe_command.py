"""`make-safe`, and `reset` where nothing runs: heat off and seen to be off, the latch taken off."""

from __future__ import annotations

from typing import Annotated

import typer

from banderole.cli.errors import RefusedHere
from banderole.cli.say import complain, say

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.plan.config import Printer
    from banderole.run.effects import Ended

AT_REST = frozenset({"Idle", "Complete", "Stopped", "Aborted"})


def register(app: typer.Typer) -> None:
    app.command("make-safe", no_args_is_help=True)(make_safe)


def make_safe(
    printer: Annotated[str, typer.Option("--printer", help="the printer file, or its name")],
    port: Annotated[str | None, typer.Option("--port", help="another serial device than the printer file's")] = None,
    only_unfinished: Annotated[
        bool, typer.Option("--only-unfinished", help="only where a run never ended; else the port is not even opened")
    ] = False,
) -> None:
    """Heat off, and seen to be off. Goes as an abort to a run that holds the printer.

    Example: banderole make-safe --printer bench-a
    """
    from banderole.cli.run_command import with_port
    from banderole.link import client

    settings = with_port(printer, port, None)
    if only_unfinished and (nothing := _nothing_left(settings.name)):
        say(nothing)
        return
    try:
        proven, reason = _through_the_run(settings.name)
    except client.NobodyThere:
        proven, reason = _by_ourselves(settings)
    (say if proven else complain)(reason)
    raise typer.Exit(0 if proven else 5)


def _nothing_left(name: str) -> str:
    """Why there is nothing to make safe, or "". With the port closed nobody's print at the printer's panel is spoilt, for
    opening it restarts some boards."""
    from banderole.cli.journaling import left_unfinished

    return f"{name}: every run has ended with its heat off" if left_unfinished(name) is None else ""


def _through_the_run(name: str) -> tuple[bool, str]:
    """An abort to the run or daemon that holds the printer, and what came of it. Raises NobodyThere where none does."""
    from banderole.link import client

    following = client.watch(name)
    first = next(following, {})  # looking on before it is asked: its last word must not be missed
    answer = client.ask(name, {"command": "abort"})
    ended = next(filter(_last_word, (line.get("event") or {} for line in following)), {})
    if not answer.get("accepted") or not ended:
        return False, f"{name}: the run gave no proof that heat is off ({answer.get('reason')}): look at the printer"
    proven = ended.get("heat_proven_off") is True
    if ended.get("kind") == "make_safe":
        return False, f"{name}: {ended.get('reason')}; heat is not proven off"
    heat = "heat is off" if proven else "heat could not be proven off: switch the printer off at the mains"
    at_rest = (first.get("status") or {}).get("state") in AT_REST
    return proven, heat if at_rest else f"the run of {name} was aborted; {heat}"


def _last_word(event: dict[str, object]) -> bool:
    """Of an abort: its run's end, or a daemon's word that the port could not be opened (of no run, so without one)."""
    return event.get("kind") == "run_ended" or (event.get("kind") == "make_safe" and event.get("run") is None)


def _by_ourselves(settings: Printer) -> tuple[bool, str]:
    ended, measured = safe(settings, left_changed(settings.name))
    read = ", ".join(f"{heater} {value:.1f} °C" for heater, value in measured.items())
    return ended.proven, f"{ended.reason}{unproven(ended)}" + (f" ({read})" if read else "")


def left_changed(name: str) -> dict[str, float]:
    """What a run that never ended left changed, by channel: as it was before."""
    from banderole.cli.journaling import left_unfinished

    prior = (left_unfinished(name) or {}).get("prior")
    return prior if isinstance(prior, dict) else {}


def safe(printer: Printer, prior: dict[str, float]) -> tuple[Ended, dict[str, float]]:
    """Heat off, proven; for a printer that nobody holds."""
    import asyncio

    from banderole.cli import stage
    from banderole.cli.run_command import port_of
    from banderole.link.port import PortError

    try:
        return asyncio.run(stage.make_safe(printer, port_of(printer), prior))
    except PortError as why:
        raise RefusedHere(str(why)) from why


def nobody_holds(name: str) -> None:
    """While somebody holds the printer its marks are theirs, and nothing else may be opened or taken off."""
    match holder(name):
        case "run":
            raise RefusedHere(f"a run of {name} is going already: wait for its end, or banderole stop --to {name}")
        case "daemon":
            raise RefusedHere(f"a daemon serves {name}: hand the run to it by banderole start --to {name}")


def holder(name: str) -> str:
    """Who holds the printer: a run (of a daemon or by itself), a daemon with nothing under way, or nobody ("")."""
    from banderole.link import client

    try:
        answer = client.ask(name, {"command": "status"})
    except client.NobodyThere:
        return ""
    status = answer.get("status")
    at_rest = isinstance(status, dict) and status.get("state") in AT_REST
    return "daemon" if at_rest else "run"


def unproven(ended: Ended) -> str:
    """Said wherever heat may be on; a run refused before it heated (exit 3) has nothing to prove."""
    if ended.proven or ended.exit == 3 or "not proven" in ended.reason:
        return ""
    return "; heat is NOT proven off: switch the printer off at the mains"


def reset_idle(settings: Printer) -> None:
    """The latch off, where no run holds the printer: heat proven off first, and the nozzle cool."""
    import os

    from banderole.cli.journaling import take_latch_off
    from banderole.cli.marks import not_to_reset
    from banderole.link import latch

    nobody_holds(settings.name)
    if latch.read_latch(settings.name) is None:
        say(f"{settings.name} has not tripped: nothing to reset")
        return
    ended, measured = safe(settings, left_changed(settings.name))
    if (refusal := not_to_reset(ended, measured)) is not None:
        raise RefusedHere(refusal)
    take_latch_off(settings.name, {"who": {"via": "local", "uid": os.getuid()}})
    say(f"{settings.name} is reset: heat is off, the nozzle is at {measured['nozzle']:.1f} °C")
