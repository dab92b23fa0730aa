"""A daemon that stays: a process of its own, the emulated printer on a terminal, run after run, commands from others."""

from __future__ import annotations

import json
import os
import pty
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from banderole.bench import PtyPrinter
from banderole.cli.say import CAUTION
from banderole.link import client

from tests.support.serving import AT_REST, START, Served, folders_of
from tests.support.shell import COMMAND, NAME, RUN, Shell, board, executed, received, tower, until
from tests.support.towers import commands

pytestmark = pytest.mark.slow

TO = ("--to", NAME)


@pytest.fixture
def shell() -> Iterator[Shell]:
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        made = Shell(Path(name))
        with folders_of(made):
            yield made
            made.end()


@pytest.fixture
def printer(shell: Shell) -> Iterator[PtyPrinter]:
    with PtyPrinter(board(), link=shell.folder / "port") as made:
        shell.write(port=str(shell.folder / "port"))
        yield made


@pytest.fixture
def served(shell: Shell, printer: PtyPrinter) -> Served:
    return Served(shell)


def events(stream: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [line["event"] for line in stream if line.get("event", {}).get("kind") == kind]


def looking_on(stream: list[dict[str, Any]]) -> threading.Thread:
    """Everything the daemon tells its viewers, until it ends."""

    def look() -> None:
        for line in client.watch(NAME):
            stream.append(line)

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    until(lambda: bool(stream), 5, "the viewer")
    return thread


def test_idle_it_sends_nothing_and_says_so(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    status = served.status()
    assert (status["state"], status["run"], status["file"], status["printer"]) == ("Idle", None, None, NAME)
    assert (status["measured"], status["setpoint"], status["alarms"]) == ({}, {}, [])
    assert served.bands() == []
    assert shell.do("status", *TO).out == f"{NAME}: Idle, waiting for a run to be handed over\n"
    for order in ("hold", "resume", "stop", "reset"):
        refused = shell.do(order, *TO)
        assert (refused.code, refused.out) == (3, "")
        assert f"{order} is refused in Idle" in refused.complaint
    own = shell.do(*RUN, "--bed-clear")
    assert own.code == 3
    assert "a daemon serves" in own.complaint
    second = shell.do("serve", "--printer", "printer.toml")
    assert second.code == 3
    assert "going already" in second.complaint
    assert received(printer) == []
    served.process.terminate()
    assert served.process.wait(5) == 0
    assert served.complaints() == ""
    assert served.said().startswith(CAUTION)


def test_three_runs_in_a_row_with_the_files_deleted_behind_each_start(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    stream: list[dict[str, Any]] = []
    viewer = looking_on(stream)
    tower = (shell.folder / "tower.gcode").read_bytes()
    descriptors = []
    for _ in range(3):
        before = len(executed(printer))
        begun = served.start()
        assert (begun.code, begun.err) == (0, "")
        assert begun.out.startswith("start: accepted; run 2")
        assert len(begun.out.splitlines()) == 1
        for name in ("tower.gcode", "schedule.toml"):
            (shell.folder / name).unlink()
        assert served.copy().is_dir()
        watched = shell.do("watch", *TO, "--json")
        assert (watched.code, watched.err) == (0, "")
        status = served.wait_for("Complete")
        assert begun.out.split()[3] == status["run"]
        sent = executed(printer)[before:]
        found = iter(sent)
        assert all(block in found for block in commands(tower)), "the file's commands, each in its order"
        assert all(band["state"] != "ahead" and band["nozzle"] for band in served.bands())
        until(lambda: not served.copy().exists(), 5, "the copy's end")
        descriptors.append(served.descriptors())
        shell.write(port=str(shell.folder / "port"))
    assert len(set(descriptors)) == 1, descriptors
    served.process.terminate()
    assert served.process.wait(5) == 0
    viewer.join(5)
    ended = events(stream, "run_ended")
    assert [(one["state"], one["heat_proven_off"]) for one in ended] == [("Complete", True)] * 3
    assert len({one["run"] for one in ended}) == 3
    assert all(one["blocks_sha256"]["file"] == one["blocks_sha256"]["acknowledged"] for one in ended)
    accepted = events(stream, "command_accepted")
    assert [(one["command"], one["uid"], one["who"]["via"]) for one in accepted] == [
        ("start", os.getuid(), "local")
    ] * 3
    for run in {one["run"] for one in ended}:
        numbers = [line["event"]["seq"] for line in stream if line.get("event", {}).get("run") == run]
        assert numbers == list(range(1, len(numbers) + 1))


def test_commands_from_other_processes_at_once(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    shell.write(port=str(shell.folder / "port"), gcode=tower(slow=15))
    assert served.start("--json").code == 0
    served.wait_for_band(1)
    second = served.start()
    assert second.code == 3
    assert "going already" in second.complaint
    stream: list[dict[str, Any]] = []
    looking_on(stream)
    with (shell.folder / "one").open("wb") as one, (shell.folder / "two").open("wb") as two:
        orders = [
            shell.start("hold", *TO, stdout=out) for out in (one, two)
        ]  # two clients at once: one of them is late
        assert sorted(order.wait(10) for order in orders) == [0, 3]
    served.wait_for("Held")
    assert shell.do("resume", *TO).code == 0
    served.wait_for("Running")
    assert shell.do("reset", *TO).code == 3
    assert shell.do("abort", *TO).code == 0
    assert shell.do("abort", *TO).code == 0, "it may be repeated"
    ended = served.wait_for("Aborted")
    assert ended["heat_proven_off"] is True
    taken = {one["command"]: one for one in events(stream, "command_accepted")}
    assert {"hold", "resume", "abort"} <= set(taken)
    assert all(one["uid"] == os.getuid() for one in taken.values())
    # The second abort may have come when the run had ended: then heat is being turned off once more.
    until(lambda: shell.do("reset", *TO).code == 0, 20, "reset")
    assert served.status()["state"] == "Idle"
    assert served.bands() == []


def test_make_safe_aborts_a_served_run_and_the_daemon_stays_whatever_becomes_of_its_terminal(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    served.process.send_signal(signal.SIGHUP)
    assert served.start().code == 0
    served.wait_for_band(1)
    assert shell.do("hold", *TO).code == 0
    served.wait_for("Held")  # there it stays, however long the commands below take to begin
    refused = shell.do("reset", "--printer", "printer.toml")
    assert refused.code == 3
    assert "a run of" in refused.complaint
    safe = shell.do("make-safe", "--printer", "printer.toml")
    assert (safe.code, safe.out) == (0, f"the run of {NAME} was aborted; heat is off\n")
    assert served.wait_for("Aborted")["heat_proven_off"] is True
    assert shell.do("make-safe", "--printer", "printer.toml").out == "heat is off\n"
    assert served.process.poll() is None


def test_a_daemon_without_a_stdout_serves_all_the_same(shell: Shell, printer: PtyPrinter) -> None:
    daemon = subprocess.Popen(
        ["sh", "-c", 'exec "$@" >&-', "sh", *COMMAND, "serve", "--printer", "printer.toml"], cwd=shell.folder,
        env=shell.environment, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    shell.started.append(daemon)
    assert daemon.stderr is not None
    until(lambda: shell.do("status", *TO).code == 0, 10, "the daemon")
    assert shell.do(*START, "--bed-clear").code == 0
    watched = shell.do("watch", *TO)
    assert (watched.code, watched.err) == (0, "")
    daemon.terminate()
    assert daemon.wait(10) == 0
    assert daemon.stderr.read() == b""
    daemon.stderr.close()


def test_what_a_start_is_refused_for(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    def refused(*words: str) -> tuple[int, str]:
        done = shell.do(*words)
        assert done.out == ""
        return done.code, done.complaint

    shell.state("bed.json").write_text('{"run": "20261125-081500-3f2a"}')
    code, said = refused(*START)
    assert code == 3
    assert "the part of run 20261125-081500-3f2a may still be on the bed" in said
    clear = (*START, "--bed-clear")
    (shell.folder / "steps.toml").write_text('title = "x"\n[stairs]\nplinth_mm = 1\nrise_mm = "high"\ncount = 2\n')
    code, said = refused(*(word.replace("schedule.toml", "steps.toml") for word in clear))
    assert code == 2
    assert "steps.toml:4: " in said
    assert "handed-over" not in said
    (shell.folder / "card.gcode").write_text("G28\nM23 x\nG1 X1 E1 Z1 F600\n")
    code, said = refused(*(word.replace("tower.gcode", "card.gcode") for word in clear))
    assert code == 3
    assert "card.gcode:2: " in said
    for odd, what in ((".", "a folder"), ("nowhere", "there is no such file")):
        code, said = refused("start", odd, *clear[2:])
        assert code == 2
        assert what in said
    os.mkfifo(shell.folder / "pipe")
    code, said = refused("start", "pipe", *clear[2:])
    assert code == 2
    assert "a pipe, not a file" in said
    shell.state("latch.json").write_text('{"alarm": "heat_rise", "text": "invented"}')
    code, said = refused(*clear)
    assert code == 3
    assert f"banderole reset --printer {NAME}" in said
    assert not served.copy().exists()
    assert received(printer) == [], "nothing was sent for any of these"
    assert shell.do("reset", "--printer", "printer.toml").code == 0, "it goes to the daemon"
    assert not shell.state("latch.json").exists()
    assert served.start().code == 0
    served.wait_for("Complete")


def test_no_printer_behind_the_port_refuses_a_start_and_the_daemon_stays(shell: Shell) -> None:
    shell.write(port=str(shell.folder / "port"))
    served = Served(shell)
    refused = served.start()
    assert refused.code == 3
    assert "no such port" in refused.complaint
    assert served.status()["state"] == "Idle"
    safe = shell.do("make-safe", "--printer", "printer.toml")
    assert safe.code == 5
    assert "not proven off" in safe.complaint
    with PtyPrinter(board(), link=shell.folder / "port"):
        assert shell.do("make-safe", "--printer", "printer.toml").out == "heat is off\n"
        assert served.start().code == 0
        served.wait_for("Complete")


def test_abort_and_estop_while_idle_turn_heat_off_that_was_set_at_the_panel(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    for order in ("abort", "estop"):
        with printer.lock:
            printer.printer.machine.nozzles[0].target = 50.0
        before = len(received(printer))
        done = shell.do(order, *TO)
        assert (done.code, done.err) == (0, "")
        until(lambda: served.status()["heat_proven_off"] is True, 20, "the proof")
        assert served.wait_for(*AT_REST)["state"] == "Aborted"
        lines = received(printer)[before:]
        assert any("M104 S0" in line for line in lines)
        assert any("M112" in line for line in lines) is (order == "estop")
        with printer.lock:
            assert printer.printer.machine.nozzles[0].target == 0.0
        assert shell.do("reset", *TO).code == 0


def test_a_trip_is_latched_across_daemons_until_a_reset_with_the_nozzle_cool(shell: Shell) -> None:
    shell.write(port=str(shell.folder / "port"))
    with PtyPrinter(board("faults=T7@40,T7@40"), link=shell.folder / "port"):  # reads wildly twice in a row
        served = Served(shell)
        assert served.start().code == 0
        tripped = served.wait_for("Aborted")
        assert (tripped["alarms"][0]["grade"], tripped["alarms"][0]["first_out"]) == ("trip", True)
        refused = served.start()
        assert refused.code == 3
        assert "has tripped" in refused.complaint
        served.process.terminate()
        assert served.process.wait(5) == 0
    with PtyPrinter(board("nozzle.ambient=80"), link=shell.folder / "port") as hot:
        served.again()
        idle = served.status()
        assert (idle["state"], idle["alarms"][0]["grade"]) == ("Idle", "trip")
        assert "latched" in shell.do("status", *TO).out
        assert received(hot) == [], "nothing is sent for that"
        still = shell.do("reset", *TO)
        assert still.code == 3
        assert "wait until it is below 60 °C" in still.complaint
        warm = served.status()
        assert (warm["state"], warm["alarms"][0]["alarm"]) == ("Aborted", idle["alarms"][0]["alarm"])
    with PtyPrinter(board(), link=shell.folder / "port"):
        stream: list[dict[str, Any]] = []
        looking_on(stream)
        two = [shell.start("reset", *TO) for _ in range(2)]
        assert sorted(one.wait(30) for one in two) == [0, 3], "two at once: one of them is late"
        assert (served.status()["state"], served.status()["alarms"]) == ("Idle", [])
        assert [one["uid"] for one in events(stream, "trip_reset")] == [os.getuid()]
        assert served.start().code == 0
        served.wait_for("Complete")


def test_a_client_that_goes_before_the_run_has_begun_takes_its_start_back(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    with printer.lock:  # it answers nothing meanwhile
        with open(shell.folder / "tower.gcode", "rb") as gcode, open(shell.folder / "schedule.toml", "rb") as steps:
            link = socket.socket(socket.AF_UNIX)
            link.connect(str(shell.folder / "r" / "banderole" / f"{NAME}.sock"))
            request = {"command": "start", "file": "tower.gcode", "schedule": "schedule.toml", "bed_clear": True}
            line = json.dumps(request).encode() + b"\n"
            socket.send_fds(link, [line], [gcode.fileno(), steps.fileno()])
        until(lambda: served.status()["phase"] == "starting", 10, "the greeting")
        link.close()
        until(lambda: served.status()["state"] in AT_REST, 10, "the end of it")
    until(lambda: not served.copy().exists(), 5, "the copy's end")
    assert not any("M104 S2" in line for line in received(printer))
    assert served.start().code == 0
    served.wait_for("Complete")


def test_a_signal_aborts_a_run_and_then_the_daemon_leaves(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    assert served.start().code == 0
    served.wait_for_band(1)
    asked = time.monotonic()
    before = len(received(printer))
    served.process.send_signal(signal.SIGTERM)
    until(lambda: any("M104 S0" in line for line in received(printer)[before:]), 2.0, "the heat-off")
    assert time.monotonic() - asked < 0.5 + 0.1  # the contract's half second, and what this process needs to look
    assert served.process.wait(20) == 4
    assert not shell.state("unfinished.json").exists()
    assert not served.copy().exists()
    assert shell.do("status", *TO).code == 6


def test_a_killed_daemon_is_made_safe_by_the_next_before_anything_else(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    assert served.start().code == 0
    served.wait_for_band(1)
    served.process.send_signal(signal.SIGKILL)
    served.process.wait()
    with printer.lock:
        assert printer.printer.machine.nozzles[0].target > 0
    assert served.copy().exists()
    time.sleep(0.2)  # what was on the wire by then is still carried out
    before = len(executed(printer))
    served.again()
    refused = served.start()
    assert refused.code == 3, "nothing begins before"
    assert "safe" in refused.complaint
    until(lambda: served.status()["heat_proven_off"] is True, 20, "the proof")
    assert not served.copy().exists()
    until(lambda: not shell.state("unfinished.json").exists(), 5, "the mark's end")
    heat = [line for line in executed(printer)[before:] if line.startswith(("M104", "M140", "G"))]
    assert heat
    assert set(heat) <= {"M104 S0", "M140 S0"}, "nothing heats or moves by itself"
    served.wait_for(*AT_REST)
    assert served.start().code == 0
    served.wait_for("Complete")


def test_a_killed_daemon_whose_printer_is_gone_is_tried_again_until_it_is_safe(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    assert served.start().code == 0
    served.wait_for_band(1)
    served.process.kill()
    served.process.wait()
    with printer.lock:
        printer.printer.manners = replace(printer.printer.manners, replug_s=10.0)
    printer.unplug()
    until(lambda: not (shell.folder / "port").exists(), 1.0, "the unplugged port")
    served.again()
    until(lambda: served.status()["heat_proven_off"] is False, 10, "the attempt")
    alarm = served.status()["alarms"][0]
    assert (alarm["alarm"], alarm["grade"]) == ("unsafe", "caution")
    assert "never ended" in alarm["text"]
    refused = served.start()
    assert refused.code == 3
    assert "has not been made safe yet" in refused.complaint
    before = len(executed(printer))  # it comes back by itself, still hot, some seconds later
    until(lambda: not shell.state("unfinished.json").exists(), 30, "the next attempt")
    assert "M104 S0" in executed(printer)[before:]
    served.wait_for(*AT_REST)
    assert served.start().code == 0
    served.wait_for("Complete")


LONG = 150_000
"""Blocks of a tower whose survey takes a second or more: time to think better of it."""


def long_tower(shell: Shell) -> None:
    head = "G21\nG90\nM83\nG28\nG1 Z0.3 F600\n"
    lines = "".join(f"G1 X{100 + at % 20} Y{100 + at % 7} E0.01 F1800\n" for at in range(LONG))
    (shell.folder / "tower.gcode").write_text(head + lines)


def test_an_abort_while_a_start_is_surveyed_takes_it_back(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    long_tower(shell)
    with (shell.folder / "started").open("wb") as out:
        starting = shell.start(*START, "--bed-clear", stdout=out)
    until(lambda: "surveying" in served.status()["doing"], 10, "the survey")
    other = served.start()
    assert other.code == 3
    assert "one at a time" in other.complaint
    assert served.ask("abort")["accepted"]
    assert starting.wait(10) == 3
    assert served.wait_for("Aborted")["heat_proven_off"] is True
    assert not served.copy().exists()
    heat = [line for line in executed(printer) if line.startswith(("M104", "M140", "G"))]
    assert set(heat) == {"M104 S0", "M140 S0"}


def test_a_signal_while_a_start_is_surveyed_ends_both_at_once(
    served: Served, shell: Shell, printer: PtyPrinter
) -> None:
    long_tower(shell)
    starting = shell.start(*START, "--bed-clear")
    until(lambda: "surveying" in served.status()["doing"], 10, "the survey")
    served.process.terminate()
    assert served.process.wait(5) == 0
    assert starting.wait(5) == 3
    assert "taken back" in served.complaints()
    assert received(printer) == []
    assert not served.copy().exists()


def test_on_a_terminal_start_asks_whether_the_bed_is_clear(served: Served, shell: Shell, printer: PtyPrinter) -> None:
    shell.state("bed.json").write_text('{"run": "20261125-081500-3f2a"}')
    for answer, code in ((b"n\n", 3), (b"y\n", 0)):
        master, slave = pty.openpty()
        asked = subprocess.Popen(
            [*COMMAND, *START], cwd=shell.folder, env=shell.environment, stdin=slave, stdout=slave, stderr=slave
        )
        shell.started.append(asked)
        os.close(slave)
        seen = b""
        while b"Is the bed clear now?" not in seen:
            seen += os.read(master, 4096)
        os.write(master, answer)
        assert asked.wait(15) == code
        os.close(master)
    assert b"20261125-081500-3f2a" in seen
    served.wait_for("Complete")


def test_a_run_by_itself_takes_no_start(shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run("--bed-clear")
    run.wait_for("run_started")
    refused = shell.do(*START)
    assert refused.code == 3
    assert "start is refused in Running" in refused.complaint
    assert shell.do("abort", *TO).code == 0
    assert run.end() == 4
