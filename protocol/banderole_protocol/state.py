"""States of the line, and the only ways between them.

Theory of operation
-------------------
A printer takes numbered lines strictly in order: it executes line n+1 only after line n, and refuses whatever has another
number or a wrong checksum with `Resend: n`. So a line may be written twice without harm, and *what was executed* is never in
doubt; in doubt is only *what an `ok` belongs to*. The window keeps the first certain by never giving a number twice to
different blocks, and the second by these states:

FLOWING    Lines are written as long as they fit the window; each `ok` credits the oldest line that is out.
REFUSED    A `Resend` came. Nothing is written until the line has been quiet for a moment, so that the refusals of all
           lines that were on their way are part of one recovery. A plain `ok` is credited to nothing here, as it stands
           behind a `Resend`. If an answer that shows what it belongs to (a line number, temperatures) tells that the
           refused line was taken after all, there is nothing to rewrite.
MARKED     A marker (a temperature request) is out and nothing is written behind it. Its answer looks unlike a plain `ok`,
           so whatever was miscounted before it, by a lost or an extra `ok`, is set right when it comes.
BROKEN     The numbers have no common ground any more (restart, or asked for what is not in the history). Nothing is
           written but what makes the printer safe; only a new greeting leads out.
"""

from __future__ import annotations

from enum import Enum

from .errors import OurError


class LinkState(Enum):
    """States of the line; see the theory of operation above."""

    FLOWING = "flowing"
    REFUSED = "refused"
    MARKED = "marked"
    BROKEN = "broken"


class LinkInput(Enum):
    """What moves the line from state to state."""

    GREETED = "greeted"  # M110 goes out, numbering begins anew
    REFUSAL = "refusal"  # a Resend that can be served
    QUIET = "quiet"  # the moment after the last refusal is over
    TAKEN = "taken"  # all that was refused has been credited after all
    MARKER_OUT = "marker out"
    MARKER_ANSWERED = "marker answered"
    NO_COMMON_GROUND = "no common ground"


_S, _I = LinkState, LinkInput

TABLE: dict[tuple[LinkState, LinkInput], LinkState] = {
    **{(state, _I.GREETED): _S.FLOWING for state in _S},
    **{(state, _I.NO_COMMON_GROUND): _S.BROKEN for state in _S},
    (_S.FLOWING, _I.REFUSAL): _S.REFUSED,
    (_S.MARKED, _I.REFUSAL): _S.REFUSED,
    (_S.REFUSED, _I.REFUSAL): _S.REFUSED,
    (_S.BROKEN, _I.REFUSAL): _S.BROKEN,
    (_S.REFUSED, _I.QUIET): _S.FLOWING,
    (_S.REFUSED, _I.TAKEN): _S.FLOWING,
    (_S.FLOWING, _I.MARKER_OUT): _S.MARKED,
    (_S.MARKED, _I.MARKER_ANSWERED): _S.FLOWING,
    (_S.FLOWING, _I.MARKER_ANSWERED): _S.FLOWING,
    (_S.REFUSED, _I.MARKER_ANSWERED): _S.REFUSED,
    (_S.BROKEN, _I.MARKER_ANSWERED): _S.BROKEN,
}


def after(state: LinkState, what: LinkInput) -> LinkState:
    """The state that follows; raises OurError for a pair the table does not hold, which is a fault of the window."""
    try:
        return TABLE[state, what]
    except KeyError:
        raise OurError(f"{what.value} in state {state.value} cannot happen") from None
