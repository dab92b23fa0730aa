"""What outlives a run: the latch after a trip, the occupied bed, a run that never ended."""

from __future__ import annotations

import json
import os
import pty
import select
import subprocess
import time

import pytest
from banderole.bench import PtyPrinter
from banderole.link import latch

from tests.support.shell import COMMAND, NAME, RUN, Shell, board, executed, received, until

pytestmark = pytest.mark.slow


def forget_marks(shell: Shell) -> None:
    """The mark on the disk and the one in memory."""
    shell.state("unfinished.json").unlink()
    (shell.folder / "r" / "banderole" / f"{NAME}.{latch.RUNNING}").unlink()


RESET = ("reset", "--printer", "printer.toml")


def test_a_trip_is_latched_until_it_is_reset_with_the_nozzle_cool(shell: Shell) -> None:
    shell.write(port=str(shell.folder / "port"))
    with PtyPrinter(board("faults=T7@40,T7@40"), link=shell.folder / "port"):  # reads wildly twice in a row
        run = shell.run()
        assert run.end() == 5, run.stderr()
        assert run.stderr().splitlines()[-1].startswith("Aborted:")
        assert "trip" in run.kinds()
        assert json.loads(shell.state("latch.json").read_text())["run"] == run.events()[-1]["run"]
    with PtyPrinter(board("nozzle.ambient=80"), link=shell.folder / "port") as hot:
        refused = shell.do(*RUN, "--bed-clear")
        assert refused.code == 3
        assert f"banderole reset --printer {NAME}" in refused.complaint
        assert received(hot) == [], "nothing is sent"
        still = shell.do(*RESET, seconds=90)  # an enclosure so warm: it is waited for whether it comes down
        assert still.code == 3
        assert "wait until it is below 60 °C" in still.complaint
        assert shell.state("latch.json").exists()
    with PtyPrinter(board(), link=shell.folder / "port"):
        done = shell.do(*RESET)
        assert (done.code, done.err) == (0, "")
        assert done.out.startswith(f"{NAME} is reset: heat is off")
        assert not shell.state("latch.json").exists()
        assert shell.do(*RESET).out == f"{NAME} has not tripped: nothing to reset\n"
        assert shell.do(*RUN, "--bed-clear").code == 0


def test_a_latch_does_not_come_off_a_printer_that_is_not_there(shell: Shell) -> None:
    shell.write(port=str(shell.folder / "port"))
    shell.state("latch.json").parent.mkdir(parents=True)
    shell.state("latch.json").write_text('{"alarm": "heat_rise", "text": "invented"}')
    absent = shell.do(*RESET)
    assert absent.code == 3
    assert "port" in absent.complaint
    assert shell.state("latch.json").exists()


def test_a_latch_that_cannot_be_read_counts_as_latched(shell: Shell, printer: PtyPrinter) -> None:
    shell.state("latch.json").parent.mkdir(parents=True)
    shell.state("latch.json").write_text("{")
    assert shell.do(*RUN).code == 3
    assert received(printer) == []


def test_a_part_on_the_bed_wants_a_word(shell: Shell, printer: PtyPrinter) -> None:
    shell.state("bed.json").parent.mkdir(parents=True)
    shell.state("bed.json").write_text('{"run": "20261125-081500-3f2a"}')
    refused = shell.do(*RUN)
    assert refused.code == 3
    assert "20261125-081500-3f2a" in refused.complaint
    assert "--bed-clear" in refused.complaint
    assert received(printer) == []


def test_on_a_terminal_it_is_asked_whether_the_bed_is_clear(shell: Shell, printer: PtyPrinter) -> None:
    shell.state("bed.json").parent.mkdir(parents=True)
    shell.state("bed.json").write_text('{"run": "20261125-081500-3f2a"}')
    master, slave = pty.openpty()
    asked = subprocess.Popen(
        [*COMMAND, *RUN], cwd=shell.folder, env=shell.environment, stdin=slave, stdout=slave, stderr=slave
    )
    os.close(slave)
    shell.started.append(asked)
    seen = _read_until(master, "Is the bed clear now?")
    os.write(master, b"n\n")
    seen += _read_until(master, "\n" if seen.endswith("\n") else "--bed-clear")
    assert asked.wait(10) == 3
    os.close(master)
    assert received(printer) == []
    assert shell.state("bed.json").exists()


def _read_until(master: int, text: str, seconds: float = 15.0) -> str:
    seen, end = "", time.monotonic() + seconds
    while text not in seen:
        ready, _, _ = select.select([master], [], [], max(0.0, end - time.monotonic()))
        assert ready, f"waited for {text!r}, saw {seen!r}"
        seen += os.read(master, 4096).decode(errors="replace")
    return seen


def test_a_killed_run_is_made_safe_before_the_next_one(shell: Shell, printer: PtyPrinter) -> None:
    flows = "flow = { first = 96, change = 2 }\n"
    text = (shell.folder / "schedule.toml").read_text()
    (shell.folder / "schedule.toml").write_text(text.replace("[settle]", flows + "[settle]"))
    first = shell.run()
    first.wait_for("crossing_ended", band=1)
    first.process.kill()
    first.process.wait()
    left = json.loads(shell.state("unfinished.json").read_text())
    assert left["prior"] == {"flow": 100.0}
    assert shell.do("hold", "--to", NAME).code == 6, "its socket is dead"
    with printer.lock:
        assert printer.printer.machine.nozzles[0].target > 0
    before = len(executed(printer))
    second = shell.do(*RUN, "--json", "--bed-clear", seconds=60)
    assert second.code == 0, second.err
    assert f"run {left['run']} never ended" in second.complaint
    after = executed(printer)[before:]
    assert after.index("M104 S0") < after.index("M221 S100") < after.index("G28")
    assert not shell.state("unfinished.json").exists()


@pytest.mark.parametrize("knows", ["mark", "journal"])
def test_before_a_latch_or_a_missing_file_is_even_looked_at(shell: Shell, printer: PtyPrinter, knows: str) -> None:
    """Killed after a trip, say: the latch refuses the next run, and heat goes off all the same."""
    first = shell.run()
    first.wait_for("crossing_ended", band=1)
    first.process.kill()
    first.process.wait()
    shell.state("latch.json").write_text('{"alarm": "heat_rise", "text": "invented"}')
    (shell.folder / "tower.gcode").unlink()
    if knows == "journal":
        forget_marks(shell)
    refused = shell.do(*RUN, "--bed-clear")
    assert refused.code == 2, refused.err
    assert "never ended: making the printer safe first" in refused.err
    with printer.lock:
        assert printer.printer.machine.nozzles[0].target == 0
    assert "M104 S0" in executed(printer)
    again = shell.do(*RUN, "--bed-clear")
    assert "never ended" not in again.err, "it is over, for the journal too"


@pytest.mark.parametrize("words", [("make-safe",), ("serve",)])
def test_where_only_the_journal_knows_of_it(shell: Shell, printer: PtyPrinter, words: tuple[str]) -> None:
    flows = "flow = { first = 96, change = 2 }\n"
    text = (shell.folder / "schedule.toml").read_text()
    (shell.folder / "schedule.toml").write_text(text.replace("[settle]", flows + "[settle]"))
    first = shell.run()
    first.wait_for("crossing_ended", band=1)
    first.process.kill()
    first.process.wait()
    forget_marks(shell)
    before = len(executed(printer))
    begun = shell.start(*words, "--printer", "printer.toml")
    until(lambda: "M221 S100" in executed(printer)[before:], 30, "what the run had changed is put back")
    begun.terminate()
    assert begun.wait(20) == 0
    heat = [line for line in executed(printer)[before:] if line.startswith(("M104", "M140", "G28", "G1"))]
    assert "M104 S0" in heat[-2:], "and nothing heats or moves behind it"
    assert "was cut off" not in shell.do("runs").err
    assert "Aborted " in shell.do("runs").out


def test_a_killed_run_whose_printer_is_gone_refuses_the_next(shell: Shell) -> None:
    shell.write(port=str(shell.folder / "port"))
    with PtyPrinter(board("replug_s=600"), link=shell.folder / "port") as printer:
        first = shell.run()
        first.wait_for("crossing_ended", band=1)
        first.process.kill()
        first.process.wait()
        printer.unplug()
        until(lambda: not (shell.folder / "port").exists(), 1.0, "the unplugged port")
        refused = shell.do(*RUN, "--bed-clear")
    assert refused.code == 3
    assert len(refused.err.splitlines()) == 2, "what was tried, and what came of it"
    assert shell.state("unfinished.json").exists()


def test_make_safe_without_a_run(shell: Shell, printer: PtyPrinter) -> None:
    done = shell.do("make-safe", "--printer", "printer.toml")
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("heat is off (nozzle ")
    sent = [line for line in executed(printer) if line not in ("M105", "M110 N0", "M115")]
    assert sent[:2] == ["M104 S0", "M140 S0"]
