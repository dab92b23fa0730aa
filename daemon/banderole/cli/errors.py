"""What an error means on the command line: one line on stderr, and one of the contract's exit codes.

Errors are known by the names of their classes, so that a control command need not import the rooms they come from.
"""

from __future__ import annotations

import os

import click

from banderole.cli.say import complain

USAGE = 2
INTERRUPTED = 4
OUR_FAULT = 70
CODES = {
    "InputError": 2,  # a printer, schedule or G-code file
    "NoName": 2,  # which printer is meant
    "NoSuchRun": 2,
    "JournalUnreadable": 2,
    "Unreadable": 2,  # a file that is to be handed to a daemon
    "AccessRefused": 2,  # the broker's address, or the credentials for it
    "RefusedHere": 3,
    "NoPrinter": 3,
    "PortError": 3,
    "PlaceError": 3,
    "NameInUse": 3,
    "NobodyThere": 6,
}


class NoName(Exception):
    """Which printer is meant cannot be told, or what was given cannot be a name: one line."""


class Unreadable(Exception):
    """A file that was named cannot be opened: one line."""


class RefusedHere(Exception):
    """Refused before anything was heated or moved (exit 3): one line."""


def exit_code_of(why: BaseException) -> int:
    """Says an error in one line on stderr; its exit code. A traceback only where BANDEROLE_DEBUG asks for it."""
    match why:
        case click.exceptions.NoArgsIsHelpError():
            complain(why.format_message())
            return USAGE
        case click.ClickException():
            complain(f"{_message(why)} {_way_out(why)}")
            return USAGE
        case KeyboardInterrupt() | click.Abort():
            complain("interrupted")
            return INTERRUPTED
    code = _code(why)
    said = _one_line(str(why))
    complain(said if code is not None else f"our own fault: {type(why).__name__}: {said or 'no reason given'}")
    if os.environ.get("BANDEROLE_DEBUG"):
        import traceback

        traceback.print_exception(why)
    return OUR_FAULT if code is None else code


def _code(why: BaseException) -> int | None:
    """The code of the nearest class that has one; only classes of ours count."""
    ours = (kind for kind in type(why).__mro__ if kind.__module__.partition(".")[0] == "banderole")
    return next((CODES[kind.__name__] for kind in ours if kind.__name__ in CODES), None)


def _way_out(why: click.ClickException) -> str:
    context = getattr(why, "ctx", None)
    path = context.command_path if isinstance(context, click.Context) else "banderole"
    return f"(`{path} --help` shows how)"


def _message(why: click.ClickException) -> str:
    """Both libraries below add their guess at what was meant; one is enough."""
    guessed = why.message is not None and "Did you mean" in why.message
    return _one_line(why.message if guessed else why.format_message())


def _one_line(text: str) -> str:
    return " ".join(text.split())
