"""The person who is not there in a rehearsal: who resumes what was to be held, and ends what nobody could decide."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from banderole.rehearsal.stage import Stage

COMES_S: Final = 60.0
"""From the hold to the word. A person takes longer, and cooling nozzles (`hold.nozzle_off_after_s`) are not the point here."""
_RESUMED: Final = ("hold_point", "person", "command")
"""Why it is held: by the schedule, by the file, by a command that the rehearsal was given."""


class StandIn:
    """An outlet of a stage. A hold that was planned is resumed after a minute; any other is stopped: nobody decides it."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        stage.event.append(self._heard)

    def _heard(self, event: dict[str, Any]) -> None:
        if event["kind"] == "held":
            word = "resume" if event["reason"] in _RESUMED else "stop"
            self._stage.command(self._stage.now + COMES_S, word)
