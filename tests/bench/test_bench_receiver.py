"""The wire's time and the ring that overflows."""

from __future__ import annotations

import pytest
from banderole.bench import Manners
from banderole.bench.uart import Uart
from hypothesis import given
from hypothesis import strategies as st

from tests.bench.desk import Desk, framed

ENDLESS = 10_000


@pytest.mark.parametrize(("baud", "ms"), [(115200, 3.472), (250000, 1.6), (1000000, 0.4)])
def test_forty_bytes_take_their_time(baud: int, ms: float) -> None:
    """8N1 is ten bits a byte (computed)."""
    uart = Uart(baud, 127, 96)
    uart.send(b"x" * 39 + b"\n", 5.0)
    assert uart.next_line_at == pytest.approx(5.0 + ms / 1000.0, abs=5e-7)


@given(
    pieces=st.lists(st.tuples(st.binary(min_size=1, max_size=30), st.floats(0.0, 0.01)), max_size=12),
    baud=st.sampled_from([0, 9600, 115200]),
)
def test_lines_arrive_whole_and_in_turn(pieces: list[tuple[bytes, float]], baud: int) -> None:
    uart, now, lines = Uart(baud, 127, ENDLESS), 0.0, []
    for data, pause in pieces:
        uart.send(data, now)
        now += pause
        while uart.next_line_at <= now:
            lines.append(uart.take())
    while uart.next_line_at < float("inf"):
        lines.append(uart.take())
    sent = b"".join(data for data, _ in pieces)
    assert lines == sent.split(b"\n")[:-1]
    assert uart.lost == 0


def test_a_board_that_waits_keeps_the_queue_and_the_ring_and_loses_the_rest() -> None:
    desk = Desk(Manners(boot_s=0.0))
    desk.send("G4 S10")  # one under way
    for text in ("a", "b", "c"):  # and three behind it
        desk.send(f"M117 {text}")
    desk.live(1.0)
    line = len(framed(5, "M117 " + "d" * 30))
    kept = 127 // line
    for letter in "defghi":
        desk.send("M117 " + letter * 30)
    desk.live(60.0)
    assert desk.events() == ["overrun"]
    assert len(desk.executed()) == 4 + kept
    desk.send("M117 j")  # joins what is left of a line whose end was lost
    assert f"Resend: {5 + kept}" in desk.live(1.0)


def test_what_fits_the_ring_is_not_lost() -> None:
    desk = Desk()
    desk.send("G4 S5")
    desk.live(0.5)
    sent = 0
    while sent + len(framed(desk.number + 1, "M117 abc")) <= 127:
        desk.send("M117 abc")
        sent += len(framed(desk.number, "M117 abc"))
    desk.live(20.0)
    assert desk.oks() == desk.number
    assert desk.events() == []
