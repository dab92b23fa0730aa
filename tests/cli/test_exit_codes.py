"""What goes wrong before anything is sent: the contract's exit code, and one line that says what, where, what to do."""

from __future__ import annotations

import socket
import subprocess

import pytest
from banderole.bench import PtyPrinter

from tests.support.shell import COMMAND, RUN, Shell, received

pytestmark = pytest.mark.slow

SURVEY = ("survey", "tower.gcode", "--schedule", "schedule.toml", "--printer", "printer.toml")
MISTAKES = {
    "no such run": (("hold", "--to", "nobody"), 6, "nobody answers"),
    "status of no run": (("status", "--to", "nobody"), 6, "nobody answers"),
    "watch of no run": (("watch", "--to", "nobody"), 6, "nobody answers"),
    "no run at all": (("resume",), 6, "no run or daemon is going here"),
    "no name": (("abort", "--to", "Bench A"), 2, "is no printer name"),
    "no command": (("fly",), 2, "fly"),
    "no option": (("hold", "--when", "now"), 2, "--when"),
    "no place to hold": (("hold", "--at", "noon"), 2, "say now, layer or band:N"),
    "half a hold": (("hold", "--at", "band:0"), 2, "band:N"),
    "no file": (("survey", "nothing.gcode"), 2, "there is no such file, nothing.gcode"),
    "no tower": (("survey", "schedule.toml"), 2, "nothing is laid down"),
    "no printer": (("survey", "tower.gcode", "--printer", "bench-z"), 2, "bench-z"),
    "reset of no printer": (("reset", "--printer", "bench-z"), 2, "bench-z"),
    "make-safe of no printer": (("make-safe", "--printer", "bench-z"), 2, "bench-z"),
    "a folder for a file": (("survey", "."), 2, "directory"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_a_mistake_is_one_line_and_the_contracts_code(case: str, shell: Shell) -> None:
    words, code, said = MISTAKES[case]
    done = shell.do(*words)
    assert (done.code, done.out) == (code, "")
    assert said in done.complaint
    assert "fault" not in done.complaint
    assert "Traceback" not in done.err


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("schedule.toml", "count = 3", "count = 3\ncolour = 1", "schedule.toml:6"),
        ("schedule.toml", "first = 215", "first = 300", "300"),
        ("schedule.toml", "[stairs]", "[stairs", "schedule.toml:2"),
        ("printer.toml", "nozzle = [0, 250]", 'nozzle = "hot"', "printer.toml:12"),
        ("printer.toml", 'name = "bench-c"', 'name = "Bench C"', "printer.toml:1"),
    ],
)
def test_a_bad_file_is_pointed_into_and_nothing_is_sent(
    file: str, old: str, new: str, said: str, shell: Shell, printer: PtyPrinter
) -> None:
    text = (shell.folder / file).read_text()
    assert old in text
    (shell.folder / file).write_text(text.replace(old, new))
    for words in (SURVEY, RUN):
        done = shell.do(*words)
        assert done.code == 2
        assert said in done.complaint
    assert received(printer) == []


def test_a_conflict_in_the_survey_is_refused_by_line(shell: Shell, printer: PtyPrinter) -> None:
    text = (shell.folder / "tower.gcode").read_text()
    (shell.folder / "tower.gcode").write_text(text.replace("G92 E0", "M23 tower.gco"))
    for words in (SURVEY, RUN):
        done = shell.do(*words)
        assert done.code == 3
        assert "tower.gcode:7" in done.complaint
        assert "M23" in done.complaint
    assert received(printer) == []


@pytest.mark.parametrize(("port", "said"), [("absent", "absent"), ("tower.gcode", "serial")])
def test_a_port_that_is_none_is_refused(port: str, said: str, shell: Shell) -> None:
    for words in (
        (*RUN, "--port", str(shell.folder / port)),
        ("make-safe", "--printer", "printer.toml", "--port", port),
    ):
        done = shell.do(*words)
        assert done.code == 3
        assert said in done.complaint
        assert port in done.complaint
    assert not shell.state("bed.json").exists()


def test_a_stale_socket_is_nobody(shell: Shell) -> None:
    """A killed run leaves the name of its socket behind."""
    path = shell.folder / "r" / "banderole" / "bench-c.sock"
    path.parent.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    done = shell.do("status")
    assert (done.code, done.out) == (6, "")
    assert "bench-c: nobody answers" in done.complaint


def test_the_reader_of_a_survey_may_leave(shell: Shell) -> None:
    with subprocess.Popen(
        [*COMMAND, *SURVEY, "--json"], cwd=shell.folder, env=shell.environment, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as survey:  # fmt: skip
        assert survey.stdout is not None
        assert survey.stderr is not None
        survey.stdout.close()
        assert survey.wait(10) == 0
        assert survey.stderr.read() == b""
