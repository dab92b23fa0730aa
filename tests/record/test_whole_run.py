"""A whole run, held on the way by somebody at the socket: its journal says what its events said, and who asked."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.bench import PtyPrinter

from tests.support.journals import rows, sound
from tests.support.shell import NAME, Shell, board

pytestmark = pytest.mark.slow


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="bj-") as name:
        made = Shell(Path(name))
        made.write(port=str(Path(name) / "port"))
        yield made
        made.end()


def test_the_journal_holds_every_event_as_published(shell: Shell) -> None:
    with PtyPrinter(board(), link=shell.folder / "port"):
        run = shell.run()
        run.wait_for("band_entered", band=1)
        assert shell.do("hold", "--to", NAME).code == 0
        run.wait_for("held")
        assert shell.do("resume", "--to", NAME).code == 0
        assert run.end() == 0, run.stderr()
    events = run.events()
    folder = shell.state("journal.sqlite").parent
    assert sound(folder)
    kept = rows(folder, "SELECT seq, at, kind, fields FROM entries WHERE seq IS NOT NULL ORDER BY n")
    told = [{"seq": seq, "at": at, "kind": kind, **json.loads(fields)} for seq, at, kind, fields in kept]
    published = [{key: value for key, value in event.items() if key not in ("run", "bands")} for event in events]
    assert told == published
    accepted = [one["who"] for one in told if one["kind"] == "command_accepted"]
    assert [(who["via"], who["uid"]) for who in accepted] == [("local", os.getuid())] * 2
    states = [
        json.loads(fields)["state"] for (fields,) in rows(folder, "SELECT fields FROM entries WHERE kind = 'state'")
    ]
    assert states == ["Idle", "Running", "Holding", "Held", "Restarting", "Running", "Complete"]
    bands = [json.loads(facts) for (facts,) in rows(folder, "SELECT facts FROM bands ORDER BY band")]
    assert [{k: v for k, v in band.items() if k != "state"} for band in bands] == events[-1]["bands"]
    report = json.loads(shell.do("report", "last", "--json").out)
    for key in ("state", "exit", "reason", "first_out", "heat_proven_off", "blocks_sha256", "inserted", "bands"):
        assert report[key] == events[-1][key], key
