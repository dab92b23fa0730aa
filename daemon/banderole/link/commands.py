"""One inbound command message: accepted, or refused with a reason a person can read. Pure; time is an input.

The asymmetry is meant. What makes the machine safer (hold, stop, abort) is lenient: nothing but a well-formed, fresh
message is asked. What makes it go on, hotter, or dead until someone comes (resume, reset, amend, estop, acknowledge)
is strict and goes over the local socket. Starting is local always: somebody has seen the bed.
"""

from __future__ import annotations

import json
import re
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

Mode = Literal["off", "lenient", "signed"]

MESSAGE_BYTES = 1024  # the contract's 1 kB: the longest command with its proof is some 400 bytes
IDS = 1024  # remembered ids: at the rate below more than three minutes of flooding by one command
ID_CHARS = 64  # a UUID has 36
BURST = 20  # commands of one kind at once …
PER_SECOND = 5.0  # … and for ever: faster than a person, slower than what could fill the journal

LENIENT = frozenset({"hold", "stop", "abort"})
STRICT = frozenset({"resume", "reset", "amend", "estop", "acknowledge"})
_COMMON = frozenset({"v", "id", "run", "command", "expires", "key", "proof"})
_OWN = {"hold": frozenset({"at", "withdraw"}), "stop": frozenset[str](), "abort": frozenset[str]()}
_AT = re.compile(r"now|layer|band:[1-9][0-9]{0,3}")


@dataclass(frozen=True, slots=True)
class Inbound:
    """One message as it came from the broker."""

    payload: bytes
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Accepted:
    """`request` is what the local socket would have brought: {"command": "hold", "at": "band:3"}."""

    id: str
    request: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Refused:
    """`id` and `command` as far as they could be read; `reason` is one line."""

    reason: str
    id: str | None = None
    command: str | None = None


class _No(Exception):
    """The reason for a refusal, on its way out of the checks."""


@dataclass(slots=True)
class _Budget:
    """A token bucket: `BURST` at once, refilled at `PER_SECOND`. `now` in seconds of a monotonic clock."""

    tokens: float = BURST
    at: float | None = None

    def take(self, now: float) -> bool:
        passed = 0.0 if self.at is None else max(0.0, now - self.at)
        self.tokens, self.at = min(float(BURST), self.tokens + passed * PER_SECOND), now
        if self.tokens < 1:
            return False
        self.tokens -= 1
        return True


@dataclass(slots=True)
class CommandDesk:
    """Judges the commands of one printer. `run_id` gives the run that is going, or None."""

    mode: Mode
    run_id: Callable[[], str | None]
    _ids: OrderedDict[str, None] = field(default_factory=OrderedDict)
    # One budget for each command: a flood of holds never stands in the way of an abort.
    _budgets: dict[str, _Budget] = field(default_factory=lambda: {command: _Budget() for command in LENIENT})

    def judge(self, message: Inbound, wall: datetime, now: float) -> Accepted | Refused:
        """`wall` is the aware wall-clock time (for `expires`), `now` monotonic seconds (for the budget)."""
        seen: dict[str, Any] = {}
        try:
            seen = _object(message.payload)
            return self._judged(message, seen, wall, now)
        except _No as no:
            return Refused(str(no), _text(seen.get("id"), ID_CHARS), _text(seen.get("command"), 32))

    def _judged(self, message: Inbound, seen: dict[str, Any], wall: datetime, now: float) -> Accepted:
        command = _command(seen)
        if message.retain:
            raise _No("retained: a command is for now, send it without the retain flag")
        _allow(command, self.mode)
        _check_keys(seen, _COMMON | _OWN[command])
        ident = _identity(seen)
        request = _request(command, seen)
        if ident in self._ids:
            raise _No("repeated: this id was used already; a new command wants a new id")
        _check_fresh(seen, wall)
        self._check_run(seen)
        if not self._budgets[command].take(now):
            raise _No(f"too many {command} commands: at most {PER_SECOND:g} a second")
        self._remember(ident)
        return Accepted(ident, request)

    def _check_run(self, seen: dict[str, Any]) -> None:
        """A run that is named must be the one that is going; naming none is lenient too."""
        if "run" not in seen:
            return
        run, going = seen["run"], self.run_id()
        if not isinstance(run, str):
            raise _No('run must be text, as in the topic "run"')
        if run != going:
            raise _No(f"another run's: {run[:ID_CHARS]!r}; now {'none' if going is None else repr(going)} is going")

    def _remember(self, ident: str) -> None:
        self._ids[ident] = None
        if len(self._ids) > IDS:
            self._ids.popitem(last=False)


def _object(payload: bytes) -> dict[str, Any]:
    if len(payload) > MESSAGE_BYTES:
        raise _No(f"too long: {len(payload)} bytes, at most {MESSAGE_BYTES}")
    try:
        seen = json.loads(payload.decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise _No("not JSON in UTF-8: send one object") from None
    if not isinstance(seen, dict):
        raise _No("not a JSON object: send one")
    return seen


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """RFC 8259 §4 leaves open which of two equal names counts: neither does here."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _No("a key stands twice: name each once")
    return found


def _no_constant(name: str) -> Any:
    raise ValueError(name)  # NaN and Infinity are no JSON (RFC 8259 §6)


def _command(seen: dict[str, Any]) -> str:
    version = seen.get("v")
    if type(version) is not int or version != 1:
        raise _No('"v" must be 1')
    command = seen.get("command")
    if not isinstance(command, str):
        raise _No('"command" is missing: hold, stop or abort')
    return command


def _allow(command: str, mode: Mode) -> None:
    if mode == "off":
        raise _No("commands are off in this printer's file: use the local socket")
    if command in LENIENT:
        return
    if command not in STRICT:
        raise _No(f"{command[:32]!r} is not carried over the broker")
    if mode == "lenient":
        raise _No(f"{command} makes the machine go on: only hold, stop and abort are taken here; use the local socket")
    raise _No(f"{command} is not yet offered over the broker: use the local socket")


def _check_keys(seen: dict[str, Any], known: frozenset[str]) -> None:
    unknown = sorted(set(seen) - known)
    if unknown:
        raise _No(f"unknown key {unknown[0][:32]!r}: leave it out")


def _identity(seen: dict[str, Any]) -> str:
    ident = _text(seen.get("id"), ID_CHARS)
    if not ident:
        raise _No(f'"id" is missing: 1 to {ID_CHARS} printable characters, new for each command')
    return ident


def _text(value: Any, longest: int) -> str | None:
    return value if isinstance(value, str) and len(value) <= longest and value.isprintable() else None


def _request(command: str, seen: dict[str, Any]) -> dict[str, Any]:
    """What the run gets: the command and its own keys, nothing of the envelope."""
    if command != "hold":
        return {"command": command}
    at, withdraw = seen.get("at", "now"), seen.get("withdraw", False)
    if not isinstance(at, str) or not _AT.fullmatch(at):
        raise _No('"at" must be "now", "layer" or "band:N"')
    if not isinstance(withdraw, bool):
        raise _No('"withdraw" must be true or false')
    return {"command": "hold", "withdraw": True} if withdraw else {"command": "hold", "at": at}


def _check_fresh(seen: dict[str, Any], wall: datetime) -> None:
    if "expires" not in seen:
        return
    expires = seen["expires"]
    try:
        until = datetime.fromisoformat(expires)
    except (TypeError, ValueError):
        until = None
    if until is None or until.tzinfo is None:
        raise _No('"expires" must be a time with its zone, as 2026-11-25T08:15:00Z (RFC 3339)')
    if until <= wall:
        raise _No(f"expired at {expires}: send it again, and check both clocks")
