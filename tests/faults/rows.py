"""The faults that a run must stand, one row each: what goes wrong, and what is expected then.

Each row has a test on the simulation (the emulated printer on a stage, in virtual time) that injects the fault and sees the
expectation; rows of the line (S), of heat (T) and of the program's own life (P) have one on a pseudo-terminal as well, with
the command as a real process. A test says which row it is for:

    @pytest.mark.fault("S3", on="simulation")

`test_fault_rows.py` holds the marks against this table. The ends:

    finish   the commands that the printer accepted are the file's, exit 0
    hold     at rest, heat by the printer file, timed
    trip     heat off, proven, latched until a person resets it, exit 5
    lost     making safe was tried, exit 6
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, NamedTuple

import pytest

SIMULATION, TERMINAL = "simulation", "terminal"
ON_A_TERMINAL = "STP"
"""Kinds of rows that want a test with a real process too."""


class Row(NamedTuple):
    fault: str
    expected: str


ROWS: dict[str, Row] = {
    "S1": Row("a bit flips on the way to the printer", "written again; finish"),
    "S2": Row("two bytes are lost that the XOR misses, in a setpoint", "the readback differs: set again, or trip"),
    "S2b": Row("the same in a motion", "the position audit finds it: trip with the place named"),
    "S3": Row("an ok is lost", "a harmless probe after 1 s without reply or busy; nothing done twice; finish"),
    "S4": Row(
        "an ok too many; the ok behind a Resend",
        "the one behind a Resend never counts for a later line; a plain one is found at a quiet barrier every so many lines "
        "and at each drain, with numbered replies at once; finish",
    ),
    "S5": Row("a Resend ten times over; every line in flight refused in turn", "one recovery; finish"),
    "S6": Row(
        "a Resend for a line never sent, or older than the history",
        "asked again by a probe; twice the same: trip, no guess",
    ),
    "S7": Row("a reply damaged, split, merged, doubled", "finish"),
    "S8": Row("1 MB without a line end", "bounded memory; trip"),
    "S9": Row(
        "silence for 5 s while it moves; busy for an hour with readings; busy without readings in a slow command",
        "finish",
    ),
    "S9b": Row(
        "G28, G29, a move of 30 s, on a printer that neither reports nor says busy", "blind, within its bound; finish"
    ),
    "S10": Row(
        "nothing heard at all: past stale_s while hot, past silence_s while cold",
        "lost; making safe is tried on the same link, then over the port opened anew",
    ),
    "S10b": Row("replies come but no reading, past stale_s", "trip (stale)"),
    "S11": Row(
        "the printer restarts: banner, counter back at 1",
        "Aborted, exit 6; heat off goes to the fresh firmware; never resumed",
    ),
    "S12": Row(
        "the port is unplugged and comes back under another number", "as S11; found again by its stable name only"
    ),
    "S13": Row(
        "another device on the port; the port in use",
        "in use: refused before a byte is sent, by two kinds of lock; another device gets nothing but M110 and M115",
    ),
    "S14": Row(
        "opening the port resets the board; or does not, and nothing is said",
        "asked after a banner or 2 s, then each second up to 15 s; then it says who it is",
    ),
    "S15": Row("a fatal error line, the firmware halts", "trip; the first cause is its text"),
    "T1": Row("sensor open, short, NaN, below −20, above limit + 20, in two readings running", "trip"),
    "T2": Row("a reading frozen while power changes", "trip within stuck_s"),
    "T3": Row("heating without a rise; falls while it should hold", "trip (heat_rise, heat_runaway)"),
    "T4": Row("heats while off", "trip; the ladder to its end; “switch off at the mains” said plainly"),
    "T5": Row("too weak to settle", "patience, then when_late"),
    "T6": Row(
        "noise at the edge of the tolerance; whole-degree readings that stand still for minutes",
        "no chatter, the dwell starts again; no false sensor_stuck",
    ),
    "T6b": Row(
        "a step down of 25 °C on a slow heater (τ 625 s)", "no false overshoot: the curve counts until it has settled"
    ),
    "T7": Row("one wild sample", "counted, no trip; two in a row trip"),
    "K1": Row("motors are let go after idle_release_s without motion", "never while we wait: nudged"),
    "K2": Row("two parts in turn, aside on the far side of the finished one", "travel above it; nothing touched"),
    "M1": Row("a retained, repeated, expired, queued, wrong-run, unsigned command", "refused, counted, told"),
    "M2": Row("1,000 commands a second, then abort", "abort acts within 1 s"),
    "M3": Row("no broker all run; dropped half-open; a twin of the client id", "the run unaffected; growing waits"),
    "P1": Row("SIGKILL anywhere", "the next start: heat off before anything else; the run marked Aborted"),
    "P2": Row("the event loop stuck", "the service watchdog restarts it; safe"),
    "P3": Row("any task dies", "the run trips: heat off, proven, latched; it ends as our own fault"),
    "P4": Row(
        "SIGTERM in a move, in M109, in a crossing, while held",
        "heat off, proven, exit 4; the bytes are on the wire within 0.5 s, and what the printer reads before them is told",
    ),
    "P5": Row("the process frozen for 30 s", "on waking, readings are stale, not fresh"),
    "P6": Row("SIGHUP, the terminal closed, stdout closed or not read", "the run goes on"),
    "C1": Row("the wall clock jumps a year", "nothing"),
    "D1": Row(
        "power cut at any sync of the journal; a torn page; a sync that fails; a stall of 20 s",
        "acknowledged rows recovered, or the journal set aside; the stream unaffected",
    ),
    "D2": Row("disk full, read-only", "the run goes on; a caution"),
    "D3": Row("the G-code file changes or shrinks while it runs", "trip: the digest differs"),
    "F1": Row("schedule or printer file: any malformed value", "exit 2, the key named, nothing sent"),
    "F2": Row(
        "G-code: binary, empty, no deposits, a line of 1 MB, NUL, UTF-16, CRLF, no newline at its end, line numbers and "
        "checksums in it, commands of the card, M112",
        "told at survey: refused where it must be, else sent as it stands",
    ),
    "F3": Row(
        "G90 after M83, and a printer file silent about e_mode",
        "exit 3 with the line, only where the meaning of the file depends on it",
    ),
}

_ID = re.compile(r"[A-Z]\d+b?(?![\w])")


def named(case: str) -> list[str]:
    """The rows at the head of a case's name: `S1, S3 and S4 at once` is for S1, S3 and S4."""
    found = []
    for word in re.split(r"(?:, | and | )", case):
        if not _ID.fullmatch(word):
            break
        found.append(word)
    return found


def cases(names: Iterable[str], on: str) -> list[Any]:
    """Parameters for the cases of a module, each marked with the rows that its name begins with."""
    return [pytest.param(name, marks=[pytest.mark.fault(row, on=on) for row in named(name)], id=name) for name in names]
