"""The run as it is seen: a live tower in a terminal, plain lines elsewhere, JSON lines for programs."""

from __future__ import annotations

import json as json_
from collections import deque
from typing import IO, Any, cast

from banderole.cli.output import Output
from banderole.cli.sentences import sentence_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rich.live import Live

RECENT = 3


class LiveView:
    """`event` and `show` return at once and never raise for an output that is closed or stalled."""

    def __init__(self, json: bool = False) -> None:
        self._out = Output()
        self._json = json
        self._live: Live | None = None
        self._recent: deque[str] = deque(maxlen=RECENT)
        self._bands: list[dict[str, Any]] = []
        self._terminal = self._out.isatty() and not json
        if self._terminal:
            self._begin()

    def _begin(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console(file=cast("IO[str]", self._out))
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def write(self, text: str) -> None:
        """Text as it is."""
        self._out.write(text)

    def event(self, event: dict[str, Any]) -> None:
        """One event of the run."""
        if self._json:
            self._out.write(json_.dumps(event, ensure_ascii=False) + "\n")
            return
        said = sentence_of(event)
        if said is None:
            return
        if self._live is None:
            self._out.write(f"{event['at'][11:19]} {said}\n")
        else:
            self._recent.append(said)

    def show(self, status: dict[str, Any], bands: list[dict[str, Any]]) -> None:
        """The whole picture, as often as a screen wants it."""
        self._bands = bands
        if self._live is None:
            return
        from banderole.cli.tower_view import tower

        width, height = self._console.size
        self._live.update(tower(status, bands, list(self._recent), width, height), refresh=True)

    def close(self) -> None:
        """The last picture goes, the table of what each band got stays."""
        if not self._json:
            from rich.console import Console

            from banderole.cli.tower_view import as_run_table

            if self._live is not None:
                self._live.stop()
                for said in self._recent:
                    self._out.write(said + "\n")
            console = self._console if self._live is not None else Console(file=cast("IO[str]", self._out), width=120)
            if any(band["state"] != "ahead" for band in self._bands):
                console.print(as_run_table(self._bands))
        self._out.finish()
