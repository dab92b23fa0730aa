"""What `setup` needs to be told: from options, else asked in a terminal, else said to be missing, all at once."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, TypeVar

import click
import typer

from banderole.cli.say import say
from banderole.plan.refusal import InputError

T = TypeVar("T")
Origin = Literal["asked", "given"]
MOST_ASKED: Final = 5
"""Times that a question is put before it is given up."""


@dataclass(frozen=True, slots=True)
class Given:
    """The options of `setup` as typed; None: not given."""

    port: str | None
    baud: int | None
    name: str | None
    x: str | None
    y: str | None
    z: str | None
    round: bool
    keep_out: tuple[str, ...]
    aside: str | None
    nozzle_max: float | None
    e_mode: str | None
    motors_off: float | None
    yes_move: bool
    yes_heat: bool
    yes_restart: bool


class Asker:
    """Puts questions where there is a terminal; where there is none, nothing is asked."""

    def __init__(self) -> None:
        self.there = bool(sys.stdin and sys.stdin.isatty() and sys.stdout and sys.stdout.isatty())

    def need(self, missing: list[str]) -> None:
        """Raises a usage error (exit 2) that names all that is missing, unless it can be asked."""
        if missing and not self.there:
            raise click.UsageError(f"without a terminal nothing is asked: give {', '.join(missing)}")

    def value(
        self, given: str | None, option: str, question: str, read: Callable[[str], T], default: str | None = None
    ) -> tuple[T, Origin]:
        """What was given, else the answer, else the default. Raises InputError for what cannot be read."""
        if given is not None:
            return _read(given, option, read), "given"
        if not self.there:
            if default is None:
                raise click.UsageError(f"without a terminal nothing is asked: give {option}")
            return _read(default, option, read), "asked"
        for _ in range(MOST_ASKED):
            try:
                return _read(typer.prompt(question, default=default), option, read), "asked"
            except InputError as why:
                say(str(why))
        raise InputError("no answer that can be used", option, "begin again with that option")

    def yes(self, granted: bool, question: str) -> bool:
        """A yes by option, or in so many words. Without either nothing moves or heats."""
        return granted or (self.there and typer.confirm(question, default=False))


def _read(text: str, option: str, read: Callable[[str], T]) -> T:
    try:
        return read(text)
    except ValueError as why:
        raise InputError(f"{text!r} {why}", option, "correct it") from None


def pair(text: str) -> tuple[float, float]:
    """`0,220`, or `220` for 0 to 220."""
    parts = _numbers(text)
    if len(parts) == 1:
        return (0.0, parts[0])
    if len(parts) != 2:
        raise ValueError("is not least,most in mm, as 0,220")
    return (parts[0], parts[1])


def place(text: str) -> tuple[float, float] | Literal["auto"]:
    """`auto`, or `x,y`."""
    if text.strip().lower() == "auto":
        return "auto"
    parts = _numbers(text)
    if len(parts) != 2:
        raise ValueError("is not auto, nor x,y in mm, as 10,10")
    return (parts[0], parts[1])


def rectangle(text: str) -> list[float]:
    """`x0,y0,x1,y1`."""
    parts = _numbers(text)
    if len(parts) != 4:
        raise ValueError("is not x0,y0,x1,y1 in mm, as 0,0,20,10")
    return parts


def rectangles(text: str) -> list[list[float]]:
    """Rectangles with blanks between, or `none`."""
    return [] if text.strip().lower() in ("", "none") else [rectangle(one) for one in text.split()]


def number(text: str) -> float:
    """One number."""
    parts = _numbers(text)
    if len(parts) != 1:
        raise ValueError("is not one number")
    return parts[0]


def e_mode(text: str) -> str:
    """`joined`, `apart` or `unknown`."""
    word = text.strip().lower()
    if word not in ("joined", "apart", "unknown"):
        raise ValueError("is not joined, apart or unknown")
    return word


def printer_name(text: str) -> str:
    """A name that may be a file and a topic."""
    from banderole.places import PlaceError, checked_name

    try:
        return checked_name(text.strip())
    except PlaceError:
        raise ValueError("is no printer's name: use 1 to 32 of a-z, 0-9 and -") from None


def _numbers(text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise ValueError("is not made of numbers with commas between") from None
