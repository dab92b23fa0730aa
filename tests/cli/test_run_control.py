"""Holding, resuming and ending a real run from another process."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import time

import pytest
from banderole.bench import PtyPrinter

from tests.support.shell import COMMAND, NAME, RUN, Shell, executed, received, tower, until

pytestmark = pytest.mark.slow

TO = ("--to", NAME)


@pytest.mark.fault("P6", on="terminal")
def test_a_run_goes_to_its_end_with_heat_off_and_a_record_though_its_terminal_is_closed(
    shell: Shell, printer: PtyPrinter
) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    run.process.send_signal(signal.SIGHUP)
    assert run.end() == 0, run.stderr()
    ended = run.events()[-1]
    assert (ended["kind"], ended["state"], ended["heat_proven_off"]) == ("run_ended", "Complete", True)
    assert [band["setpoints"]["nozzle"] for band in ended["bands"]] == [215.0, 210.0, 205.0]
    assert ended["blocks_sha256"]["file"] == ended["blocks_sha256"]["acknowledged"]
    assert executed(printer)[-1] == "M104 S0" or "M104 S0" in executed(printer)[-6:]
    assert not shell.state("unfinished.json").exists()
    assert shell.state("bed.json").exists()


def test_hold_now_then_resume(shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    held = shell.do("hold", *TO)
    assert (held.code, held.err) == (0, "")
    assert held.out.startswith("hold: accepted")
    run.wait_for("held")
    status = shell.do("status", *TO)
    assert status.out.startswith(f"{NAME}: Held")
    again = shell.do("hold", *TO)
    assert again.code == 3
    assert again.complaint.startswith("hold: refused")
    assert shell.do("resume", *TO).code == 0
    run.wait_for("resumed")
    assert run.end() == 0
    assert shell.do("resume", *TO).code == 6


def test_hold_before_a_band_withdrawn_and_asked_for_again(shell: Shell, printer: PtyPrinter) -> None:
    shell.write(
        port=str(shell.folder / "port"), gcode=tower(slow=3)
    )  # there is time for six commands in its first band
    run = shell.run()
    run.wait_for("run_started")
    assert shell.do("hold", "--at", "band:2", *TO).code == 0
    assert shell.do("hold", "--withdraw", *TO).code == 0
    assert shell.do("hold", "--withdraw", *TO).code == 3
    assert shell.do("hold", "--at", "band:2", *TO).code == 0
    assert "band:2" in shell.do("status", *TO).out
    wrong = shell.do("hold", "--at", "band:9", *TO)
    assert wrong.code == 3
    assert "the bands are 1 to 3" in wrong.complaint
    run.wait_for("held")
    assert run.kinds().count("band_entered") == 1
    assert shell.do("resume", *TO).code == 0
    assert run.end() == 0


@pytest.mark.parametrize(("order", "state"), [("stop", "Stopped"), ("abort", "Aborted"), ("estop", "Aborted")])
def test_ending_a_run(order: str, state: str, shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    said = shell.do(order, *TO)
    assert (said.code, said.err) == (0, "")
    assert run.end() == 4, run.stderr()
    ended = run.events()[-1]
    assert ended["state"] == state
    assert ended["heat_proven_off"] is True
    assert run.stderr().splitlines()[-1].startswith(f"{state}:")
    lines = received(printer)
    assert any("M112" in line for line in lines) is (order == "estop")
    after = lines[max(at for at, line in enumerate(lines) if "M104 S0" in line or "M112" in line) :]
    assert not any(" E" in line and "E-" not in line for line in after), "nothing is laid down after the heat-off"


def test_abort_while_held_and_again(shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    shell.do("hold", *TO)
    run.wait_for("held")
    assert shell.do("abort", *TO).code == 0
    assert run.end() == 4
    assert shell.do("abort", *TO).code == 6


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_is_an_abort(number: signal.Signals, shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    asked = time.monotonic()
    run.process.send_signal(number)
    until(lambda: any("M104 S0" in line for line in received(printer)), 2.0, "the heat-off")
    assert time.monotonic() - asked < 0.5 + 0.1  # the contract's half second, and what this process needs to look
    assert run.end() == 4


def test_a_second_interrupt_is_the_emergency_stop(shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    with printer.lock:  # the printer takes nothing in meanwhile: the ladder cannot be over between the two
        run.process.send_signal(signal.SIGINT)
        time.sleep(0.1)
        run.process.send_signal(signal.SIGINT)
    until(lambda: any("M112" in line for line in received(printer)), 2.0, "the emergency stop")
    run.process.send_signal(signal.SIGINT)  # and a third leaves the ladder before the board is back
    assert run.end(5) == 5
    assert "NOT proven off" in run.stderr() or "not proven off" in run.stderr()
    assert run.events()[-1]["heat_proven_off"] is False
    assert shell.state("unfinished.json").exists(), "the next start makes it safe first"


def test_watch_follows_a_run_to_its_end(shell: Shell, printer: PtyPrinter) -> None:
    shell.write(port=str(shell.folder / "port"), gcode=tower(layers=20))
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    watched = shell.do("watch", *TO)
    assert (watched.code, watched.err) == (0, "")
    lines = watched.out.splitlines()
    assert lines[0].startswith(f"{NAME}: Running")
    assert any("band 2 begins" in line for line in lines)
    assert any("complete" in line for line in lines)
    assert run.end() == 0


def test_a_run_under_way_refuses_a_second_one_and_obeys_make_safe(shell: Shell, printer: PtyPrinter) -> None:
    shell.write(port=str(shell.folder / "port"), gcode=tower(slow=15))
    run = shell.run()
    run.wait_for("crossing_ended", band=1)
    before = len(received(printer))
    second = shell.do(*RUN, "--bed-clear")
    assert second.code == 3
    assert f"a run of {NAME} is going already" in second.complaint
    assert not any("M110" in line for line in received(printer)[before:])
    assert shell.state("bed.json").exists(), "the mark is the first run's"
    done = shell.do("make-safe", "--printer", "printer.toml")
    assert (done.code, done.err) == (0, "")
    assert "heat is off" in done.out
    assert run.end(2) == 4, "it is told when it is proven, not before"


@pytest.mark.fault("P6", on="terminal")
def test_a_stdout_that_nobody_reads_does_not_stall_a_run(shell: Shell, printer: PtyPrinter) -> None:
    reader, writer = os.pipe()
    fcntl.fcntl(writer, fcntl.F_SETPIPE_SZ, 4096)
    os.set_blocking(writer, False)
    with open(writer, "wb") as full:
        full.write(b"x" * 4096)
        full.flush()
        os.set_blocking(writer, True)
        run = shell.start(*RUN, stdout=full)
    assert run.wait(20) == 0
    os.close(reader)
    assert "M112" not in executed(printer)


@pytest.mark.fault("P6", on="terminal")
def test_a_run_started_without_a_stdout_goes_to_its_end(shell: Shell, printer: PtyPrinter) -> None:
    run = subprocess.run(
        ["sh", "-c", 'exec "$@" >&-', "sh", *COMMAND, *RUN], cwd=shell.folder, env=shell.environment,
        stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=20, check=False,
    )  # fmt: skip
    assert (run.returncode, run.stderr) == (0, b"")
    assert "M112" not in executed(printer)
