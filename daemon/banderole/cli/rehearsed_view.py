"""A rehearsal as it is seen: plain lines, each behind its moment of the printer's time, or JSON lines for programs.

It is written straight: a reader who is slow slows the rehearsal, and nothing is ever left out.
"""

from __future__ import annotations

import os
from typing import Any, Final

from banderole.cli.say import say
from banderole.cli.sentences import sentence_of
from banderole.cli.status_lines import lines_of, progress
from banderole.link.encoding import to_json
from banderole.rehearsal import Stage
from banderole.run.runner import Runner

STEPS: Final = 10
"""So many times in a whole run it is said how far it is, as `run` does it."""
LOOK_S: Final = 60.0
"""Of the printer's time between two looks whether a step is passed."""
PLAIN_WIDTH: Final = 110
"""Columns of the table where no terminal tells its width."""
MARK: Final = "rehearsed, nothing was heated"


def moment(seconds: float) -> str:
    """`1:02:03`: hours, minutes and seconds since the beginning."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


class RehearsedView:
    """An outlet of the stage. `close` shows what each band would have got."""

    def __init__(self, stage: Stage, json: bool) -> None:
        self._stage = stage
        self._json = json
        self._said = -1
        self._bands: list[dict[str, Any]] = []
        stage.event.append(self._heard)
        if not json:
            stage.at(LOOK_S, self._look)

    def _heard(self, event: dict[str, Any]) -> None:
        if self._json:
            say(to_json(event).decode())
            return
        if (said := sentence_of(event)) is not None:
            say(f"{moment(self._stage.now)}  {said}")
        if event["kind"] == "run_ended":
            self._bands = self._runner.bands()

    @property
    def _runner(self) -> Runner:
        assert self._stage.runner is not None, "heard of outside a run"
        return self._stage.runner

    def _look(self) -> None:
        if self._stage.runner is None:
            return
        status = self._runner.status()
        step = int((status["fraction"] or 0.0) * STEPS + 1e-9)
        if step > self._said:
            lines = lines_of(status) if self._said < 0 else [progress(status)]
            self._said = step
            for line in lines:
                say(f"{moment(self._stage.now)}  {line}")
        self._stage.at(self._stage.now + LOOK_S, self._look)

    def close(self) -> None:
        if any(band.get("state") != "ahead" for band in self._bands):
            from rich.console import Console

            from banderole.cli.as_run_table import as_run_table

            console = Console()
            if not console.is_terminal and "COLUMNS" not in os.environ:
                console.width = PLAIN_WIDTH
            with console.capture() as drawn:
                console.print(as_run_table(self._bands))
            say(drawn.get().rstrip("\n"))
