"""Which lines the emulated board takes, and what it says to the others."""

from __future__ import annotations

import pytest
from banderole.bench import Manners
from banderole.bench.line_discipline import xor
from hypothesis import example, given
from hypothesis import strategies as st

from tests.bench.desk import Desk, framed

# Public RepRap wiki, page "G-code", as of 2012, and public terminal logs: number, line, checksum.
PUBLISHED = [
    "N3 T0*57",
    "N4 G92 E0*67",
    "N5 G28*22",
    "N6 G1 F1500.0*82",
    "N7 G1 X2.0 Y2.0 F3000.0*85",
    "N8 G1 X3.0 Y3.0*33",
]


@pytest.mark.parametrize(
    "line",
    [
        *PUBLISHED,
        "N65048 G1 X136.689 Y160.389 E6563.257*93",
        "N65066 G1 X120.855 Y154.43 E6566.422*106",
        "N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50",  # the blank before the star counts
        "N0 M110 N0*125",
        "N1 M110*34",
        "N1 M105*38",
    ],
)
def test_published_checksums(line: str) -> None:
    body, check = line.split("*")
    assert xor(body.encode()) == int(check)
    assert framed(int(body[1:].split()[0]), body.split(" ", 1)[1]) == line.encode() + b"\n"


def test_published_lines_are_carried_out_in_turn() -> None:
    desk = Desk(Manners(busy_s=0.0))
    desk.write(b"M110 N2\n")
    for line in PUBLISHED:
        desk.write(line.encode() + b"\n")
        desk.until(lambda: desk.printer.log.executed == desk.oks())
    desk.live(60.0)
    assert desk.executed() == ["M110 N2", *(line.split(" ", 1)[1].split("*")[0] for line in PUBLISHED)]
    assert desk.heard == ["ok"] * 7


@given(st.binary(max_size=120))
def test_xor_is_the_plain_loop(data: bytes) -> None:
    check = 0
    for byte in data:
        check ^= byte
    assert xor(data) == check


@example(block="T0", at=5, bit=5)
@given(
    block=st.sampled_from(["G1 X2.0 Y2.0 F3000.0", "M104 S210", "G92 E0", "T0", "G1 X100 Y20 E0.1"]),
    at=st.integers(0, 1000),
    bit=st.integers(0, 7),
)
def test_no_single_flip_passes(block: str, at: int, bit: int) -> None:
    """XOR catches every single-bit error (Maxino & Koopman, IEEE TDSC 6(1), 2009: all of odd weight)."""
    line = bytearray(framed(1, block))
    line[at % len(line)] ^= 1 << bit
    desk = Desk()
    desk.write(bytes(line))
    desk.live(1.0)
    # A star that becomes a line end leaves the checksum's digits as a line of their own: no command, but an `ok`.
    assert desk.executed() in ([], [framed(1, block).decode().split("*")[1].strip()])
    assert not desk.printer.log.setpoints


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"N7 G1 X2*99\n", "checksum"),
        (b"N7 G1 X2\n", "checksum"),
        (b"G1 X2*85\n", "number"),
        (framed(9, "G1 X2"), "number"),
        (framed(9, "M105"), "number"),
    ],
)
def test_refusals_name_the_last_line_and_ask_for_the_next(line: bytes, why: str) -> None:
    desk = Desk()
    desk.write(b"M110 N6\n")
    desk.live(0.1)
    desk.write(line)
    error, resend, ok = desk.live(0.1)
    assert error.startswith("Error:")
    assert why in error
    assert error.endswith("Last Line: 6")
    assert (resend, ok) == ("Resend: 7", "ok")
    assert desk.executed() == ["M110 N6"]
    assert desk.printer.log.lines[-1].refused == error[len("Error:") : -len(", Last Line: 6")]


def test_the_xor_is_blind_to_an_exchange() -> None:
    """`N7 M104 S210` and `S120` have the same checksum (recomputed): a board cannot know."""
    desk = Desk()
    desk.write(b"M110 N6\n" + framed(7, "M104 S210").replace(b"210", b"120"))
    desk.live(0.1)
    assert desk.printer.machine.nozzle.target == 120.0


@pytest.mark.parametrize(
    ("manners", "said"),
    [
        (Manners(resend_ok=False), ["Resend: 1"]),
        (Manners(resend_form="rs "), ["rs 1", "ok"]),
        (Manners(resend_form="Resend:"), ["Resend:1", "ok"]),
    ],
)
def test_manners_of_asking_again(manners: Manners, said: list[str]) -> None:
    desk = Desk(manners)
    desk.write(b"N1 M105*0\n")
    assert desk.live(0.1)[1:] == said


def test_every_line_in_flight_behind_a_damaged_one_is_refused_unless_flushed() -> None:
    lines = b"N1 M117*0\n" + framed(2, "M117") + framed(3, "M117")
    for flush, refusals in ((False, 3), (True, 1)):
        desk = Desk(Manners(flush_on_refusal=flush, baud=0))
        desk.write(lines)
        assert desk.live(1.0).count("Resend: 1") == refusals


def test_line_ends_and_empty_lines() -> None:
    desk = Desk(Manners(line_end="crlf"))
    desk.write(b"\n\r\n  \nM117\r\n\n")
    desk.live(0.1)
    assert desk.heard == ["ok"]
    assert desk.printer.log.executed == 1


def test_a_line_too_long_fails_its_checksum() -> None:
    desk = Desk()
    desk.send("M117 " + "x" * 200)
    assert desk.live(1.0)[1:] == ["Resend: 1", "ok"]


@given(st.lists(st.binary(max_size=60), max_size=8))
def test_rubbish_never_stops_the_board(pieces: list[bytes]) -> None:
    desk = Desk(Manners(baud=0))
    for piece in pieces:
        desk.write(piece + b"\n")
        desk.live(0.01)
    # whatever was heard (even a wait for a person), a reset brings it back
    desk.printer.restart("test")
    desk.live(1.0)
    desk.write(b"M105\n")
    assert desk.live(0.1)[-1].startswith("ok T:")
