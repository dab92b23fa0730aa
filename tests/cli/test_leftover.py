"""What a run left behind, as the daemon looks at it: real marks in a real folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from banderole.cli.leftover import Leftover
from banderole.link import latch

NAME = "bench-c"


async def looked(left: Leftover) -> str | None:
    await left.look(lambda: None)
    return None if left.run is None else left.run["run"]


async def test_a_mark_that_the_disk_will_not_let_go_is_made_safe_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a disk that became read-only in the run: D2."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    latch.write_unfinished(NAME, {"run": "one", "prior": {}})
    left = Leftover(NAME)
    assert await looked(left) == "one"
    assert await looked(left) == "one"  # tried, and not proven: again
    left.proven("one")
    assert await looked(left) is None
    assert not left.due
    assert left.rest_s == float("inf")
    latch.write_unfinished(NAME, {"run": "two", "prior": {}})
    assert await looked(left) == "two"
    assert await looked(Leftover(NAME)) == "two"  # another daemon knows nothing of a proof
