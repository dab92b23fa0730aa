"""Each row of the faults has its tests, where it wants them; and no test is for a row that is not there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from tests.faults.rows import ON_A_TERMINAL, ROWS, SIMULATION, TERMINAL, named

TESTS = Path(__file__).parents[1]
MARKED = ("mark.fault(", "rows.cases(")
"""What a file with such tests has in it; the others need not be collected for this."""
COLLECTOR = """
import json, sys, pytest

class Marks:
    def pytest_collection_finish(self, session):
        for item in session.items:
            for mark in item.iter_markers("fault"):
                found.append([item.nodeid, list(mark.args), mark.kwargs])

found = []
code = pytest.main(["--collect-only", "-q", "-p", "no:cacheprovider", *sys.argv[1:]], plugins=[Marks()])
print(json.dumps({"code": int(code), "found": found}))
"""


def marks() -> list[tuple[str, str, str]]:
    """(row, where, test) of all marks there are. In a process of its own: this one may have been given a part of the tests."""
    files = [
        path
        for path in sorted(TESTS.rglob("test_*.py"))
        if path != Path(__file__) and any(word in path.read_text() for word in MARKED)
    ]
    done = subprocess.run(
        [sys.executable, "-c", COLLECTOR, *map(str, files)],
        cwd=TESTS.parent, capture_output=True, text=True, check=True, env={**os.environ, "PYTEST_ADDOPTS": ""},
    )  # fmt: skip
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["code"] == 0, done.stdout + done.stderr
    made = []
    for test, words, more in told["found"]:
        assert len(words) == 1, f"{test}: one row a mark, not {words}"
        assert set(more) == {"on"}, f"{test}: say on={SIMULATION!r} or on={TERMINAL!r}"
        made.append((words[0], more["on"], test))
    return made


@pytest.mark.slow
def test_every_row_has_its_tests_and_every_mark_its_row() -> None:
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row, where, test in marks():
        assert row in ROWS, f"{test} is marked for {row}, which is no row"
        assert where in (SIMULATION, TERMINAL), f"{test} is marked for {where}"
        found[row, where].append(test)
    wanted = [(row, SIMULATION) for row in ROWS] + [(row, TERMINAL) for row in ROWS if row[0] in ON_A_TERMINAL]
    missing = [f"{row} on the {where}" for row, where in wanted if not found[row, where]]
    assert not missing, f"no test for: {', '.join(missing)}"


@pytest.mark.parametrize(
    ("case", "rows"),
    [
        ("S1 a bit flips, window 0", ["S1"]),
        ("S1, S3, S4 and S5 at once", ["S1", "S3", "S4", "S5"]),
        ("S2b in a layer", ["S2b"]),
        ("many at once, seed 3", []),
        ("S9c is no row", []),
    ],
)
def test_the_rows_that_a_name_begins_with(case: str, rows: list[str]) -> None:
    assert named(case) == rows
