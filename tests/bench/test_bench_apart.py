"""The emulated printer shares no code with what it is used to test: a like mistake on both sides would hide."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import banderole.bench
import pytest

ROOM = Path(banderole.bench.__file__).parent


def imported(module: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(module.read_text())):
        match node:
            case ast.Import(names=names):
                found |= {name.name for name in names}
            case ast.ImportFrom(module=name, level=0) if name:
                found.add(name)
            case ast.ImportFrom():
                found.add("." * node.level)  # a relative import could lead anywhere
            case _:
                pass
    return found


@pytest.mark.parametrize("module", sorted(ROOM.glob("*.py")), ids=lambda path: path.stem)
def test_the_bench_imports_nothing_of_ours_but_itself(module: Path) -> None:
    ours = {name for name in imported(module) if name.startswith(("banderole", "."))}
    assert all(name == "banderole.bench" or name.startswith("banderole.bench.") for name in ours)


def test_the_core_needs_no_clock_and_no_kernel() -> None:
    outlets = {"memory_port", "pty_port", "__main__", "__init__"}
    for module in ROOM.glob("*.py"):
        if module.stem not in outlets:
            assert not imported(module) & {"asyncio", "os", "pathlib", "select", "socket", "threading", "time"}


def test_nothing_else_is_loaded_with_it() -> None:
    code = "import sys, banderole.bench; print(*[m for m in sys.modules if m.split('.')[0].startswith('banderole')])"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert [name for name in loaded if not name.startswith("banderole.bench")] == ["banderole"]
