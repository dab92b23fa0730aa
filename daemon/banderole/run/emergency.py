"""The printer's own emergency stop where no run is under way."""

from __future__ import annotations

from banderole.run.effects import Raw
from banderole.run.make_safe import Cause, make_safe, put_back
from banderole.run.state import State
from banderole.run.steps import Procedure, RefusedAtStart
from banderole.run.whole_run import greeting, made_safe

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine


def emergency_only(e: Engine) -> Procedure:
    """M112 as soon as it is known that a printer listens; then heat proven off, on the board as it comes back."""
    e.cause = Cause(5, "an emergency stop was asked for", emergency=True)
    e.state, e.left_hot = State.ABORTING, True
    try:
        yield from greeting(e)
    except RefusedAtStart:  # it may be a printer that has stopped: the ladder is climbed all the same
        e.cause = Cause(5, "an emergency stop was asked for", deaf=True)
    else:
        e.effect(Raw(b"M112\n"))
    proven = yield from make_safe(e, e.cause)
    if proven:
        yield from put_back(e)
    made_safe(e, proven)
