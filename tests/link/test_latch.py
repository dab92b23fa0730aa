"""What outlives the program: whole or not at all, the first cause kept, and unreadable counts as set."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from banderole.link import latch
from banderole.places import state_folder

Read = Callable[[str], dict[str, Any] | None]
Clear = Callable[[str], None]

MARKS: list[tuple[str, Read, Clear]] = [
    (latch.LATCH, latch.read_latch, latch.clear_latch),
    (latch.BED, latch.read_bed, latch.clear_bed),
    (latch.UNFINISHED, latch.read_unfinished, latch.clear_unfinished),
]


@pytest.fixture(autouse=True)
def state(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))


def test_first_out_stays_until_cleared() -> None:
    assert latch.read_latch("a") is None
    latch.write_latch("a", {"alarm": "runaway", "value": 251.5, "text": "Düse"})
    latch.write_latch("a", {"alarm": "stale"})
    assert latch.read_latch("a") == {"alarm": "runaway", "value": 251.5, "text": "Düse"}
    assert latch.read_latch("b") is None
    assert [path.name for path in state_folder("a").iterdir()] == [latch.LATCH]
    latch.clear_latch("a")
    latch.clear_latch("a")
    assert latch.read_latch("a") is None


def test_the_bed_stays_occupied_until_somebody_has_looked() -> None:
    assert latch.read_bed("a") is None
    latch.mark_bed("a", "20261125-081500-3f2a")
    assert latch.read_bed("a") == {"run": "20261125-081500-3f2a"}
    assert latch.read_latch("a") is None
    latch.clear_bed("a")
    latch.clear_bed("a")
    assert latch.read_bed("a") is None


def test_the_newest_prior_values_of_an_unfinished_run_count() -> None:
    assert latch.read_unfinished("a") is None
    latch.write_unfinished("a", {"run": "r1", "prior": {"flow": 100}})
    latch.write_unfinished("a", {"run": "r1", "prior": {"flow": 100, "advance": 0.04}})
    assert latch.read_unfinished("a") == {"run": "r1", "prior": {"flow": 100, "advance": 0.04}}
    latch.clear_unfinished("a")
    latch.clear_unfinished("a")
    assert latch.read_unfinished("a") is None


def test_a_run_under_way_stands_in_the_run_folder_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert latch.read_running("a") is None
    latch.write_running("a", {"run": "r1", "prior": {}})
    latch.write_running("a", {"run": "r1", "prior": {"flow": 100}})
    assert latch.read_running("a") == {"run": "r1", "prior": {"flow": 100}}
    assert latch.read_running("b") is None
    assert latch.read_unfinished("a") is None
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "another"))
    assert latch.read_running("a") is None, "of another state folder"
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    latch.clear_running("a")
    latch.clear_running("a")
    assert latch.read_running("a") is None


@pytest.mark.parametrize("text", ["", "{", "[]", "1", '{"run": "r1"}'])
def test_a_mark_in_memory_that_is_none_says_nothing(text: str, tmp_path: Path) -> None:
    latch.write_running("a", {"run": "r1", "prior": {}})
    (tmp_path / "run" / "banderole" / f"a.{latch.RUNNING}").write_text(text)
    assert latch.read_running("a") is None


def test_a_write_cut_short_leaves_the_old_one(monkeypatch: pytest.MonkeyPatch) -> None:
    latch.write_unfinished("a", {"run": "r1"})

    def power_cut(_: int) -> None:
        raise OSError("power")

    monkeypatch.setattr(os, "fsync", power_cut)
    with pytest.raises(OSError, match="power"):
        latch.write_unfinished("a", {"run": "r2"})
    assert latch.read_unfinished("a") == {"run": "r1"}


@pytest.mark.parametrize("content", [b"", b"\x00\xff", b"[]", b'{"alarm": "runa', b"[" * 100_000])
@pytest.mark.parametrize(("file", "read", "clear"), MARKS)
def test_what_cannot_be_read_counts_as_set(file: str, read: Read, clear: Clear, content: bytes) -> None:
    (state_folder("a") / file).write_bytes(content)
    mark = read("a")
    assert mark is not None
    assert "counts as" in mark["text"]
    assert "prior" not in mark
    clear("a")
    assert read("a") is None


@pytest.mark.parametrize(("file", "read", "clear"), MARKS)
def test_a_folder_in_its_place_counts_too_and_can_be_cleared(file: str, read: Read, clear: Clear) -> None:
    (state_folder("a") / file).mkdir()
    assert read("a") is not None
    clear("a")
    assert read("a") is None
