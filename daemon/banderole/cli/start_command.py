"""`start`: a run handed to the daemon of a printer. The files are opened here; the daemon gets them open.

Never over a broker: somebody has seen the bed.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Final

import typer

from banderole.cli.control import Json, To, leave_with, named
from banderole.cli.errors import Unreadable
from banderole.cli.say import CAUTION, clean, complain, paragraph
from banderole.link import client

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

WITHIN_S: Final = 900.0
"""For the daemon to copy and survey the tower, and the printer to answer: 100 MB take a small board some minutes."""
NAME_CHARS: Final = 255
"""As many as the daemon takes (link/handover.py)."""


def register(app: typer.Typer) -> None:
    app.command("start", no_args_is_help=True)(start)


def start(
    file: Annotated[Path, typer.Argument(help="the plain tower, as exported")],
    schedule: Annotated[Path, typer.Option("--schedule", help="the schedule file")],
    to: To = None,
    bed_clear: Annotated[bool, typer.Option("--bed-clear", help="somebody has seen that the bed is clear")] = False,
    json: Json = False,
) -> None:
    """Hand a run to the daemon of a printer (`serve`), and return when it has begun. It keeps copies of its own:
    both files may change or go then.

    Example: banderole start tower.gcode --schedule nozzle.toml --to bench-a
    """
    name = named(to)
    if not json and sys.stderr is not None and sys.stderr.isatty():
        complain(paragraph(CAUTION))  # to a person; a script would take it for an error
    request = {"command": "start", "file": _called(file), "schedule": _called(schedule), "bed_clear": bed_clear}
    with _opened(file, "G-code file") as gcode, _opened(schedule, "schedule file") as steps:
        answer = client.ask(name, request, WITHIN_S, (gcode, steps))
        if answer.get("bed") and sys.stdin is not None and sys.stdin.isatty() and _is_clear(answer):
            answer = client.ask(name, {**request, "bed_clear": True}, WITHIN_S, (gcode, steps))
    leave_with("start", answer, json)


def _called(path: Path) -> str:
    """For messages and the record, as typed; of a long path the end."""
    return str(path)[-NAME_CHARS:]


def _is_clear(answer: dict[str, Any]) -> bool:
    return typer.confirm(f"{clean(answer.get('reason'))}. Is the bed clear now?")


@contextlib.contextmanager
def _opened(path: Path, what: str) -> Iterator[int]:
    """A descriptor for reading. Not blocking: a pipe that nobody writes to is refused by the daemon, not waited for."""
    try:
        opened = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except (OSError, ValueError) as why:  # ValueError: a NUL in the name
        reason = "there is no such file" if isinstance(why, FileNotFoundError) else getattr(why, "strerror", str(why))
        raise Unreadable(f"the {what} cannot be read: {reason}, {path}: check the name") from None
    try:
        yield opened
    finally:
        os.close(opened)
