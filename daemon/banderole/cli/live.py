"""The run as it is seen: a live tower in a terminal, plain lines elsewhere, JSON lines for programs."""

from __future__ import annotations

from collections import deque
from typing import IO, Any, Final, cast

from banderole.cli.output import Output
from banderole.cli.say import clean
from banderole.cli.sentences import line_of
from banderole.cli.status_lines import alarm_line, lines_of, progress
from banderole.link.encoding import to_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live

RECENT: Final = 4
"""Events that a screen keeps in sight."""
STEPS: Final = 10
"""So many times in a whole run plain lines say how far it is, however long it takes."""
PLAIN_WIDTH: Final = 110
"""Columns of the table at the end where no terminal tells its width: all of it fits."""


class LiveView:
    """`event`, `show` and `write` return at once and never raise for an output that is closed or stalled.

    `json`: each event as one JSON object a line, nothing else. Without it, and without a terminal, plain lines.
    """

    def __init__(self, json: bool = False, output: Output | None = None) -> None:
        self._out = Output() if output is None else output
        self._json = json
        self._live: Live | None = None
        self._console: Console | None = None
        self._recent: deque[str] = deque(maxlen=RECENT)
        self._bands: list[dict[str, Any]] = []
        self._status: dict[str, Any] = {}
        self._size: tuple[int, int] | None = None
        self._said = -1  # the last of the STEPS that a plain line told
        self._closed = False
        if self._out.isatty() and not json:
            self._begin()

    def _begin(self) -> None:
        from rich.console import Console
        from rich.live import Live

        console = Console(file=cast(IO[str], self._out))
        if console.is_dumb_terminal:
            return  # it cannot move its cursor: plain lines
        self._console = console
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._live.start()

    def write(self, text: str) -> None:
        """Text as it is."""
        self._out.write(text)

    def note(self, text: str) -> None:
        """A line that is no event of the run. Not for programs."""
        if self._json:
            return
        self._recent.append(clean(text))
        if self._live is None:
            self._out.write(f"{clean(text)}\n")

    def event(self, event: dict[str, Any]) -> None:
        """One event of the run."""
        if self._json:
            self._out.write(to_json(event).decode() + "\n")
            return
        said = line_of(event)
        if said is not None:
            self.note(said)

    def show(self, status: dict[str, Any], bands: list[dict[str, Any]]) -> None:
        """The whole picture, as often as a screen wants it. One that the terminal has no time for is left out."""
        self._status, self._bands = status, bands
        if self._json:
            return
        if self._live is None:
            self._say_progress(status)
        elif self._out.idle:
            self._paint()

    def _paint(self) -> None:
        from banderole.cli.tower_view import tower

        assert self._live is not None
        assert self._console is not None
        width, height = self._console.size
        if self._size not in (None, (width, height)):
            self._live.stop()
            self._console.clear()  # another size: the terminal has broken the lines anew, and no cursor finds back
            self._live.start()
        self._size = (width, height)
        # One line less than there is: the cursor stands below the picture.
        picture = tower(
            self._status, self._bands, list(self._recent), width, height - 1, self._console.options.ascii_only
        )
        self._live.update(picture, refresh=True)

    def _say_progress(self, status: dict[str, Any]) -> None:
        step = int((status.get("fraction") or 0.0) * STEPS + 1e-9)
        if step <= self._said:
            return
        lines = lines_of(status) if self._said < 0 else [progress(status)]
        self._said = step
        self._out.write("".join(f"{line}\n" for line in lines))

    def close(self) -> None:
        """The picture goes; how it ended, what was wrong and what each band got stay. A second time does nothing."""
        if self._closed:
            return
        self._closed = True
        if self._live is not None:
            self._live.stop()
            self._say_end()
        if not self._json and any(band.get("state") != "ahead" for band in self._bands):
            self._table()
        if self._out.left_out and not self._json:
            self._out.write(f"({self._out.left_out} lines were left out: nobody read them)\n")
        self._out.finish()

    def _say_end(self) -> None:
        """What a transient picture took with it."""
        alarms = [alarm_line(alarm) for alarm in self._status.get("alarms") or []]
        self._out.write("".join(f"{line}\n" for line in [*alarms, *self._recent]))

    def _table(self) -> None:
        from rich.console import Console

        from banderole.cli.as_run_table import as_run_table

        console = (
            self._console if self._console is not None else Console(file=cast(IO[str], self._out), width=PLAIN_WIDTH)
        )
        console.print(as_run_table(self._bands))
