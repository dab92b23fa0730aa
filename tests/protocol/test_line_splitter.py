"""Bytes to lines: the same lines for every way the bytes may arrive, and a bound on what is kept."""

from __future__ import annotations

import re

import pytest
from banderole_protocol.errors import EndlessLine, TheirError
from banderole_protocol.replies import LineSplitter
from hypothesis import given
from hypothesis import strategies as st

CHUNKS = st.lists(st.text(alphabet="ok\r\n", max_size=12).map(str.encode), max_size=12)


def reference(data: bytes) -> list[bytes]:
    """All that stands before a line end, nothing else, no empty lines."""
    return [line for line in re.findall(rb"([^\r\n]*)(?:\r\n|\r|\n)", data) if line]


@given(CHUNKS)
def test_any_chunking_gives_the_lines_of_the_reference(chunks: list[bytes]) -> None:
    splitter = LineSplitter()
    lines = [line for chunk in chunks for line in splitter.feed(chunk)]
    assert lines == reference(b"".join(chunks))


@given(st.binary(max_size=400), st.integers(1, 50))
def test_any_bytes_in_pieces_of_any_size(data: bytes, size: int) -> None:
    splitter = LineSplitter()
    lines = [line for at in range(0, len(data), size) for line in splitter.feed(data[at : at + size])]
    assert lines == reference(data)


def test_a_pair_of_line_ends_cut_in_two_is_one_end() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"ok\r") == [b"ok"]
    assert splitter.feed(b"\nok\r") == [b"ok"]
    assert splitter.feed(b"ok\n") == [b"ok"]


def test_nothing_fed_gives_nothing() -> None:
    assert LineSplitter().feed(b"") == []


@pytest.mark.parametrize("size", [1, 7, 4096, 1_000_000])
def test_a_megabyte_without_a_line_end_is_an_error_not_a_buffer(size: int) -> None:
    splitter = LineSplitter()
    fed = 0
    with pytest.raises(EndlessLine) as caught:
        while fed < 1_000_000:
            splitter.feed(b"x" * size)
            fed += size
    assert fed <= 4096
    assert isinstance(caught.value, TheirError)
    assert caught.value.limit == 4096
    assert len(caught.value.head) <= 60


@given(st.integers(0, 30), st.integers(1, 40))
def test_the_limit_is_the_same_for_every_chunking(length: int, size: int) -> None:
    data = b"y" * length + b"\n"
    splitter = LineSplitter(limit=20)
    raised = False
    lines: list[bytes] = []
    try:
        for at in range(0, len(data), size):
            lines += splitter.feed(data[at : at + size])
    except EndlessLine:
        raised = True
    assert raised == (length > 20)
    assert raised or b"".join(lines) == b"y" * length


def test_many_short_lines_longer_together_than_the_limit_pass() -> None:
    splitter = LineSplitter(limit=10)
    assert splitter.feed(b"ok\r\n" * 5000 + b"o") == [b"ok"] * 5000
    assert splitter.feed(b"k\n") == [b"ok"]


def test_the_splitter_goes_on_after_an_endless_line() -> None:
    splitter = LineSplitter(limit=10)
    with pytest.raises(EndlessLine):
        splitter.feed(b"x" * 11)
    assert splitter.feed(b"ok\n") == [b"ok"]
