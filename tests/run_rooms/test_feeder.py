"""Blocks on their way into the window: nothing is lost or doubled however a hold takes them back."""

from __future__ import annotations

import random

import pytest
from banderole.plan.blocks import Block
from banderole.plan.itinerary import Stretch
from banderole.run.feeder import Feeder
from banderole_protocol.modal import Modal
from hypothesis import given, settings
from hypothesis import strategies as st


def stretches(sizes: list[int], seed: int = 0) -> list[Stretch]:
    """A file in relative mode cut into pieces, each with the state before it; each block moves by a step of its own."""
    chance, modal, line, pieces = random.Random(seed), Modal("apart"), 0, []
    for size in sizes:
        before, blocks = modal.copy(), []
        for _ in range(size):
            line += 1
            text = chance.choice((b"G91", b"G90", b"G1 X%d E1 F600" % line, b"G1 Y%d" % -line, b"M83", b"M82"))
            modal.apply(text)
            blocks.append(Block(line, text, modal.seconds, modal.net))
        pieces.append(Stretch(blocks, before))
    return pieces


def state(modal: Modal) -> tuple[object, ...]:
    return modal.x, modal.y, modal.z, modal.e, modal.feed, modal.relative, modal.e_relative, modal.debt


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(1, 3) | st.integers(1, 100), min_size=1, max_size=40), st.randoms(use_true_random=False))
def test_every_block_once_and_in_order_whatever_is_taken_back(sizes: list[int], chance: random.Random) -> None:
    """Up to four blocks, which is what the window queues, come back at any moment, also across the cut of a stretch."""
    feeder, numbered, queued = Feeder(Modal("apart")), list[Block](), list[Block]()
    pieces = stretches(sizes)
    whole = [block for piece in pieces for block in piece.blocks]
    while len(numbered) < len(whole):
        if feeder.empty and pieces:
            feeder.load(pieces.pop(0))
        block = feeder.next()
        if block is not None:
            queued.append(block)
        while queued and (len(queued) > 4 or chance.random() < 0.3 or block is None):
            numbered.append(queued.pop(0))
        if queued and chance.random() < 0.3:
            feeder.take_back(len(queued))
            queued.clear()
            before = Modal("apart")
            for sent in numbered:
                before.apply(sent.text)
            assert state(feeder.here()) == state(before)
    assert numbered == whole


def test_where_the_machine_will_be() -> None:
    first, second = stretches([5, 5], seed=3)
    feeder = Feeder(first.modal)
    feeder.load(first)
    for done in range(5):
        expected = first.modal.copy()
        for block in first.blocks[:done]:
            expected.apply(block.text)
        assert state(feeder.here()) == state(expected)
        assert feeder.next() == first.blocks[done]
    assert feeder.empty
    assert state(feeder.here()) == state(second.modal)
    feeder.load(second)
    assert state(feeder.here()) == state(second.modal)


def test_a_stretch_is_not_loaded_over_another() -> None:
    first, second = stretches([2, 2])
    feeder = Feeder(first.modal)
    feeder.load(first)
    feeder.next()
    with pytest.raises(ValueError, match="not fed"):
        feeder.load(second)


def test_more_than_was_sent_cannot_come_back() -> None:
    (first,) = stretches([3])
    feeder = Feeder(first.modal)
    feeder.load(first)
    feeder.next()
    with pytest.raises(ValueError, match="taken back"):
        feeder.take_back(2)


def test_after_a_block_that_went_out_apart_it_begins_anew() -> None:
    first, second = stretches([3, 3])
    feeder = Feeder(first.modal)
    feeder.load(first)
    while feeder.next() is not None:
        pass
    feeder.stand_at(second.modal)
    assert feeder.empty
    assert state(feeder.here()) == state(second.modal)
    with pytest.raises(ValueError, match="taken back"):
        feeder.take_back(1)


def test_whether_a_stretch_lays_anything_down() -> None:
    feeder = Feeder(Modal("apart"))
    feeder.load(Stretch([Block(1, b"G1 X5", 1.0)], Modal("apart")))
    assert not feeder.deposits
    feeder.next()
    feeder.load(Stretch([Block(2, b"G1 X9 E1", 1.0, 1.0)], Modal("apart")))
    assert feeder.deposits
