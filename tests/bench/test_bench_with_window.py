"""The project's window talks to the emulated printer in virtual time, over good and bad lines.

What must hold on each: the commands carried out are the blocks sent, in order, each once, and every tag comes back once.
"""

from __future__ import annotations

from typing import Any

import pytest
from banderole.bench import EmulatedPrinter, Manners
from banderole_protocol.window import Acknowledged, Broken, Window
from hypothesis import given, settings
from hypothesis import strategies as st

BLOCKS = [
    "M104 S205", "G28", "G90", "M83", "G92 E0", "M106 S128",
    *(f"G1 X{n % 90}.{n % 10} Y{(7 * n) % 90} F6000" for n in range(220)),
    "M400", "M104 S0",
]  # fmt: skip
OURS = ("M110 N0", "M115", "M105")  # the window's own: numbering, greeting, temperature requests


class Talk:
    """One conversation: bytes cross in virtual time, with a delay each way."""

    def __init__(self, manners: Manners, window_bytes: int = 0, delay: float = 0.001) -> None:
        self.printer = EmulatedPrinter(manners)
        self.window = Window(window_bytes, manners.receive_bytes)
        self.delay = delay
        self.now = 0.0
        self.tags: list[int] = []
        self.broken: list[Broken] = []

    def carry(self, blocks: list[str], patience: float = 600.0) -> None:
        self.window.greet()
        waiting = list(enumerate(blocks))
        while (waiting or not self.window.idle) and not self.broken:
            while waiting and self.window.wants:
                tag, block = waiting.pop(0)
                self.window.send(block.encode(), tag, 0.01)
            self._turn()
            assert self.now < patience, f"stuck: {self.window.oldest()} {self.printer.log.lines[-1]}"

    def _turn(self) -> None:
        data = self.window.data_to_send(self.now)
        if data:
            self.printer.receive(data, self.now + self.delay)
        times = [at for at in (self.printer.next_event(self.now), self.window.next_deadline()) if at is not None]
        self.now = max(self.now, min(times)) + 1e-6
        heard = self.printer.advance(self.now)
        events = self.window.receive(heard, self.now) if heard else self.window.tick(self.now)
        for event in events:
            self._note(event)

    def _note(self, event: Any) -> None:
        if isinstance(event, Acknowledged):
            self.tags += [tag for tag in event.tags if tag is not None]
        elif isinstance(event, Broken):
            self.broken.append(event)

    def executed(self) -> list[str]:
        # A star that became a line end leaves its checksum's digits as an unnumbered line: no command.
        rows = [row for row in self.printer.log.commands if not (row.number is None and row.text.isdigit())]
        return [row.text for row in rows if row.text not in OURS]

    def is_whole(self) -> bool:
        return not self.broken and self.executed() == BLOCKS and self.tags == list(range(len(BLOCKS)))


BOARDS = {
    "plain": Manners(),
    "numbered": Manners(advanced_ok=True),
    "no ok behind resend": Manners(resend_ok=False),
    "flushes": Manners(flush_on_refusal=True),
    "old forms": Manners(resend_form="rs ", readings_on_ok=False, line_end="crlf"),
}


@pytest.mark.parametrize("window_bytes", [0, 100])
@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("fault", ["", "S1@60", "S3@60", "S4@60", "S5@60", "S7@60", "S9@60", "S1@60 S3@61 S4@90"])
def test_what_is_sent_is_what_is_done(board: str, fault: str, window_bytes: int) -> None:
    changes = [*BOARDS[board].settings(), f"faults={','.join(fault.split())}"]
    talk = Talk(Manners.from_settings(changes), window_bytes)
    talk.carry(BLOCKS)
    assert talk.is_whole()
    assert talk.printer.log.kinds().count("fault") == len(fault.split())
    assert "overrun" not in talk.printer.log.kinds()


def test_asked_for_lines_never_sent_it_breaks_rather_than_guesses() -> None:
    talk = Talk(Manners(faults=("S6@60",)), 100)
    talk.carry(BLOCKS)
    assert talk.broken
    assert talk.executed() == BLOCKS[: len(talk.executed())]


def test_a_restart_is_the_end_of_the_conversation() -> None:
    talk = Talk(Manners(faults=("S11@60",)), 100)
    talk.carry(BLOCKS)
    assert [event.restarted for event in talk.broken] == [True]


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    board=st.sampled_from(sorted(BOARDS)),
    window_bytes=st.sampled_from([0, 60, 100]),
    flips=st.sets(st.integers(3, 220), max_size=25),
    drop=st.sampled_from([0.0, 0.02]),
)
def test_flipped_bits_and_lost_acknowledgements(
    seed: int, board: str, window_bytes: int, flips: set[int], drop: float
) -> None:
    """One flip a line at most, which the XOR always sees: so nothing may get through, whatever else is lost."""
    faults = ",".join(f"S1@{count}" for count in sorted(flips))
    changes = [*BOARDS[board].settings(), f"seed={seed}", f"drop_ok={drop}", f"faults={faults}"]
    talk = Talk(Manners.from_settings(changes), window_bytes)
    talk.carry(BLOCKS)
    assert talk.is_whole()
