"""Holds: what is asked for and still to come, and why one has begun. What a hold does is in `crossing`."""

from __future__ import annotations

from banderole.run.state import Command, State, after

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.engine import Engine


class Holds:
    """One pending hold at most (`wanted`: `layer` or `band:N`); `reason` and `note` are those of the last that began."""

    def __init__(self) -> None:
        self.wanted: str | None = None
        self.reason = self.note = ""

    def at_layer(self, e: Engine, begins: bool) -> bool:
        """Is a hold to begin at this stretch?"""
        if self.wanted == "layer" and begins and e.state is State.RUNNING:
            self.wanted = None
            self.begin(e, "command", "")
        return e.state is State.HOLDING

    def before(self, e: Engine, band: int) -> bool:
        """Is a hold to begin before this band, by command or by a hold point of the schedule?"""
        point = next((one for one in e.schedule.hold_points if one.before_band == band), None)
        if e.state is State.RUNNING and not e.account.bands[band].entered:
            if self.wanted in (f"band:{band}", "layer"):
                self.wanted = None
                self.begin(e, "command", "")
            elif point is not None:
                e.notify("hold_point", band=band, note=point.note)
                self.begin(e, "hold_point", point.note)
        return e.state is State.HOLDING

    def begin(self, e: Engine, reason: str, note: str) -> None:
        """From here on the procedure under way is to come to rest."""
        self.reason, self.note = reason, note
        if e.state in (State.RUNNING, State.RESTARTING):
            e.state = after(e.state, Command.HOLD)
