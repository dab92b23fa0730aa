"""The outlets of a simulated run: what is told goes through them, and nothing that befalls them may reach the stream."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from tests.scenarios.play import Play


class Outlets:
    """Made for each play; `close` at its end."""

    def __init__(self, play: Play) -> None:
        self._play = play

    def close(self) -> None:
        pass
