"""A line on standard output, from a command that must keep its exit code even if nobody reads."""

from __future__ import annotations

import os
import sys

CAUTION = (
    "Never leave the printer unattended. This is no safety device: the printer's own thermal protection and a smoke alarm "
    "come first, the mains switch is the last resort. Ventilate; follow the maker's instructions and local codes."
)
"""Said before anything can heat, to whoever reads; each of it with its source in README, Safety."""


def say(text: str) -> None:
    """One line on stdout, at once. A reader that has gone costs the line, nothing else."""
    if sys.stdout is None:
        return  # started without one (`>&-`)
    try:
        print(text, flush=True)
    except OSError:
        let_go_of_stdout()


def paragraph(text: str) -> str:
    """The text as it is; for a terminal broken between words, which a terminal itself would not do."""
    if sys.stdout is None or not sys.stdout.isatty():
        return text
    import shutil
    import textwrap

    return textwrap.fill(text, max(20, shutil.get_terminal_size().columns - 1))


def complain(text: str) -> None:
    """One line on stderr."""
    if sys.stderr is None:
        return
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        pass  # nobody can be told


def clean(value: object) -> str:
    """Text from elsewhere, in one line and safe to show: nothing may steer the terminal it is printed on."""
    text = str(value)
    return text if text.isprintable() else "".join(one if one.isprintable() else "?" for one in text)


def let_go_of_stdout() -> None:
    """Flush; where nobody takes it, drop it, so that the interpreter's own flush at the end cannot fail."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except OSError:
        void = os.open(os.devnull, os.O_WRONLY)
        os.dup2(void, sys.stdout.fileno())
        os.close(void)
