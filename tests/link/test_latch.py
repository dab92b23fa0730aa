"""The latch: whole or not at all, the first cause kept, and unreadable counts as latched."""

from __future__ import annotations

from pathlib import Path

import pytest
from banderole.link.latch import FILE, clear_latch, read_latch, write_latch
from banderole.places import state_folder


@pytest.fixture(autouse=True)
def state(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))


def test_first_out_stays_until_cleared() -> None:
    assert read_latch("a") is None
    write_latch("a", {"alarm": "runaway", "value": 251.5, "text": "Düse"})
    write_latch("a", {"alarm": "stale"})
    assert read_latch("a") == {"alarm": "runaway", "value": 251.5, "text": "Düse"}
    assert read_latch("b") is None
    assert [path.name for path in state_folder("a").iterdir()] == [FILE]
    clear_latch("a")
    clear_latch("a")
    assert read_latch("a") is None


@pytest.mark.parametrize("content", [b"", b"\x00\xff", b"[]", b'{"alarm": "runa'])
def test_what_cannot_be_read_is_latched(content: bytes) -> None:
    (state_folder("a") / FILE).write_bytes(content)
    latch = read_latch("a")
    assert latch is not None
    assert "counts as" in latch["text"]
    clear_latch("a")
    assert read_latch("a") is None


def test_a_folder_in_its_place_is_latched() -> None:
    (state_folder("a") / FILE).mkdir()
    assert read_latch("a") is not None
