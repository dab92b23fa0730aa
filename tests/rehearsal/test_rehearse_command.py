"""`banderole rehearse`: what it prints, its exit codes, the same each time, and nothing outside."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from banderole.cli.main import command_line

from tests.rehearsal.acts import write
from tests.support.towers import How

COMMAND = (sys.executable, "-m", "banderole.cli.main")
PRINTER = """name = "bench-r"
[serial]
port = "/dev/banderole-that-is-not-there"
window_bytes = 96
[firmware]
e_mode = "apart"
[volume]
x = [0, 220]
y = [0, 220]
z = [0, 250]
[limits]
nozzle = [0, 250]
[broker]
url = "mqtt://127.0.0.1:1"
[told]
command = ["/bin/false"]
"""


@pytest.fixture
def words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The command for a small tower, with folders that nothing has touched."""
    for name in ("XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "HOME"):
        folder = tmp_path / "outside" / name
        folder.mkdir(mode=0o700, parents=True)
        monkeypatch.setenv(name, str(folder))
    file, wanted = write(tmp_path)
    (tmp_path / "printer.toml").write_text(PRINTER)
    return ["rehearse", str(file), "--schedule", str(wanted)]


def outside(tmp_path: Path) -> list[Path]:
    return [path for path in (tmp_path / "outside").rglob("*") if not path.is_dir()]


def test_it_shows_survey_events_and_table_and_says_what_it_is(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert command_line(words) == 0
    said = capsys.readouterr()
    out = said.out
    assert said.err == ""
    parts = ["Bands of test tower", "220 × 220 × 250 mm", "band 2 begins: nozzle 212 °C", "As run, the top band first"]
    places = [out.index(part) for part in [*parts, "Complete after 0:0"]]
    assert places == sorted(places)
    assert out.count("rehearsed, nothing was heated") == 2
    assert "0:00:00  started: tower.gcode on rehearsal" in out


def test_json_is_the_events_of_a_run(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert command_line([*words, "--json"]) == 0
    said = capsys.readouterr()
    events = [json.loads(line) for line in said.out.splitlines()]
    assert [event["seq"] for event in events] == list(range(1, len(events) + 1))
    assert events[-1]["kind"] == "run_ended"
    assert [band["nozzle"]["mean"] for band in events[-1]["bands"]] == pytest.approx([220, 212, 204], abs=1.5)
    assert "nothing was heated" in said.err


@pytest.mark.parametrize(
    ("faults", "code", "said"),
    [
        (["T3@150s"], 5, "heat_runaway"),
        (["T1@100s"], 5, "sensor"),
        (["S15@60"], 5, "thermal failure"),
        (["S11@60"], 6, "printer_reset"),
        (["S12@60"], 6, "port_lost"),
        (["S10@60"], 6, "NOT proven off"),
        (["T4-bed@100s"], 5, "bed"),
        (["S1@30", "S3@40", "S7@50"], 0, ""),
    ],
)
def test_faults_end_as_they_would_end_a_run(
    faults: list[str],
    code: int,
    said: str,
    words: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    given = [*words, "--printer", str(tmp_path / "printer.toml"), *(w for fault in faults for w in ("--fault", fault))]
    assert command_line(given) == code
    err = capsys.readouterr().err
    assert said in err
    assert len(err.splitlines()) == (1 if code else 0)
    assert outside(tmp_path) == []


def test_a_trip_is_not_latched_and_nothing_is_written(words: list[str], tmp_path: Path) -> None:
    given = [*words, "--printer", str(tmp_path / "printer.toml")]
    before = sorted(tmp_path.rglob("*"))
    assert command_line([*given, "--fault", "T3@150s"]) == 5
    assert command_line(given) == 0
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--fault", "T99@5s", "there is no T99; known are S1, S2, S2b"),
        ("--fault", "T3", "write NAME@COUNT"),
        ("--set", "colour=red", "no such option; known are baud"),
        ("--set", "seed", "write it as key=value"),
    ],
)
def test_what_is_no_fault_and_no_option_is_one_line(
    option: str, value: str, said: str, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert command_line([*words, option, value]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert len(told.err.splitlines()) == 1
    assert told.out == ""


def test_a_refused_file_is_refused_as_by_run(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "tower.gcode"
    file.write_text(file.read_text() + "M112\n")
    assert command_line(words) == 3
    assert "M112" in capsys.readouterr().err


def test_its_help_says_that_nothing_is_written(capsys: pytest.CaptureFixture[str]) -> None:
    assert command_line(["rehearse", "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Example: banderole rehearse" in said
    assert "nothing is written: no journal, no mark, no socket" in said


@pytest.mark.slow
def test_the_same_each_time_whatever_the_hashes(words: list[str]) -> None:
    """Damage on the line and a noisy heater, all of it from the seed."""
    noisy = ["--set", "noise_in=0.0003", "--set", "nozzle.noise=0.2", "--set", "advanced_ok=true", "--fault", "S7@50"]

    def said(seed: str, hashes: str) -> bytes:
        given = [*COMMAND, *words, *noisy, "--set", f"seed={seed}", "--json"]
        done = subprocess.run(given, env={**os.environ, "PYTHONHASHSEED": hashes}, capture_output=True, check=True)
        return done.stdout

    first = said("3", "1")
    assert b'"link_resent"' in first
    assert said("3", "2") == first
    assert said("4", "1") != first


@pytest.mark.slow
def test_ctrl_c_ends_it_at_once(words: list[str], tmp_path: Path) -> None:
    layers = "\n".join(f"G1 X{50 + i % 9} Y{60 + i % 7} E{0.02 * i:.3f}" for i in range(400_000))
    (tmp_path / "tower.gcode").write_text(f"G21\nG90\nM82\nG28\nM104 S220\nG1 Z0.3 F1200\n{layers}\n")
    going = subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        assert going.stdout is not None
        while b"started" not in (line := going.stdout.readline()):
            assert line, "it ended by itself"
        asked = time.monotonic()
        going.send_signal(signal.SIGINT)
        out, err = going.communicate(timeout=10)
        assert time.monotonic() - asked < 2.0
        assert (going.returncode, err) == (4, b"interrupted\n")
        assert b"run_ended" not in out
    finally:
        going.kill()
        going.wait()


def test_a_spiral_without_a_printer_file(words: list[str], tmp_path: Path) -> None:
    write(tmp_path, How(spiral=True))
    assert command_line(words) == 0


def test_the_files_own_heat_off_counts_for_no_band(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is set of the nozzle here, so the file's M104 S0 passes while the last band is the one at work."""
    examples = Path(__file__).parents[2] / "examples"
    words = ["rehearse", str(examples / "tower.gcode"), "--schedule", str(examples / "flow.toml"), "--json"]
    assert command_line(words) == 0
    ended = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert ended["bands"][-1]["nozzle"]["least"] == pytest.approx(ended["bands"][0]["nozzle"]["mean"], abs=2.0)
