"""`systemd/install` into a folder: what it puts there, that it may be repeated, and that it can be undone."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
FILES = {
    "etc/systemd/system/banderole@.service": "banderole@.service",
    "etc/sysusers.d/banderole.conf": "banderole.sysusers",
    "etc/tmpfiles.d/banderole.conf": "banderole.tmpfiles",
    "etc/udev/rules.d/70-banderole.rules": "70-banderole.rules",
}
DROP_IN = "etc/systemd/system/banderole@.service.d/loopback.conf"


def install(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", str(SYSTEMD / "install"), *words], capture_output=True, text=True, check=False, timeout=30
    )


def found(root: Path) -> dict[str, bytes]:
    return {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def source(name: str) -> bytes:
    return (SYSTEMD / name).read_bytes()


def test_every_file_is_in_its_place_and_a_second_time_changes_nothing(tmp_path: Path) -> None:
    first = install("--root", str(tmp_path))
    assert (first.returncode, first.stderr) == (0, "")
    put = {place: source(name) for place, name in FILES.items()}
    assert found(tmp_path) == put
    assert {(tmp_path / place).stat().st_mode & 0o777 for place in put} == {0o644}
    second = install("--root", str(tmp_path))
    assert (second.returncode, second.stdout, second.stderr) == (0, "", "")
    assert found(tmp_path) == put


def test_what_was_filled_in_stays_and_what_is_ours_is_brought_up_to_date(tmp_path: Path) -> None:
    install("--root", str(tmp_path))
    rules, unit = tmp_path / "etc/udev/rules.d/70-banderole.rules", tmp_path / "etc/systemd/system/banderole@.service"
    rules.write_text("# mine\n")
    unit.write_text("# of another release\n")
    assert install("--root", str(tmp_path)).returncode == 0
    assert rules.read_text() == "# mine\n"
    assert unit.read_bytes() == source("banderole@.service")


def test_undone_it_leaves_what_is_the_owners_and_purged_nothing(tmp_path: Path) -> None:
    assert install("--root", str(tmp_path), "--loopback").returncode == 0
    assert (tmp_path / DROP_IN).read_bytes() == source("loopback.conf")
    own = {
        "etc/banderole/bench-a.toml": b'name = "bench-a"\n',
        "etc/credstore/banderole.bench-a.broker-password": b"secret\n",
        "etc/credstore/of-another": b"secret\n",
        "var/lib/banderole/bench-a/journal.sqlite": b"records",
        "etc/systemd/system/other.service": b"",
    }
    for place, text in own.items():
        (tmp_path / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / place).write_bytes(text)
    wanted = tmp_path / "etc/systemd/system/multi-user.target.wants/banderole@bench-a.service"
    wanted.parent.mkdir()
    wanted.symlink_to("/etc/systemd/system/banderole@.service")
    for _ in range(2):
        undone = install("--undo", "--root", str(tmp_path))
        assert (undone.returncode, undone.stderr) == (0, "")
        assert found(tmp_path) == own | {"etc/udev/rules.d/70-banderole.rules": source("70-banderole.rules")}
        assert not wanted.is_symlink()
    assert install("--undo", "--purge", "--root", str(tmp_path)).returncode == 0
    assert set(found(tmp_path)) == {"etc/credstore/of-another", "etc/systemd/system/other.service"}


@pytest.mark.parametrize("words", [("--root",), ("--root", "/nowhere/at/all"), ("--sideways",), ("--purge",)])
def test_what_it_does_not_understand_it_does_not_do(words: tuple[str, ...]) -> None:
    done = install("--dry-run", *words)
    assert done.returncode == 2
    assert done.stderr
    assert done.stdout == ""


def test_a_dry_run_does_nothing(tmp_path: Path) -> None:
    said = install("--dry-run", "--root", str(tmp_path), "--loopback")
    assert said.returncode == 0
    assert all(f"{tmp_path}/{place}" in said.stdout for place in [*FILES, DROP_IN])
    assert found(tmp_path) == {}
