"""`examples/demo` on machines that lack something: one line, which says what to install, and exit 2."""

import shutil
import subprocess
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "examples" / "demo"
OLD = "#!/bin/sh\nexit 1\n"  # a Python that fails the test of its version
BARE = '#!/bin/sh\ncase "$2" in *ensurepip*) exit 1;; *print*) echo python3.12;; esac\n'


@pytest.mark.parametrize(
    ("pythons", "told"),
    [
        ({}, "Python 3.11 or later is needed, here is none: install it"),
        ({"python3": OLD}, "Python 3.11 or later is needed, here is python3: install it"),
        ({"python3": OLD, "python3.12": BARE}, "python3.12 cannot make virtual environments: install python3.12-venv"),
    ],
)
def test_what_is_missing_is_said_in_one_line(pythons: dict[str, str], told: str, tmp_path: Path) -> None:
    for tool in ("dirname", "cksum", "cat"):
        found = shutil.which(tool)
        assert found is not None
        (tmp_path / tool).symlink_to(found)
    for name, text in pythons.items():
        (tmp_path / name).write_text(text)
        (tmp_path / name).chmod(0o755)
    shell = shutil.which("dash") or "/bin/sh"
    ended = subprocess.run([shell, DEMO], cwd="/", env={"PATH": str(tmp_path)}, capture_output=True, text=True)
    assert ended.returncode == 2
    assert ended.stdout == ""
    assert ended.stderr.startswith(told)
    assert ended.stderr.count("\n") == 1
