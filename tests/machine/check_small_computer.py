"""The service on a small computer, each fault as the printer and somebody outside see it.

Run by `python -m tests.machine`, not with the suite. The printer has its own supply and never restarts: it stays as hot as
it was until it is told otherwise. Bounds on times are wide, for an emulated computer is some ten times slower than a real
one and shares its cores; what was measured is printed at the end.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from tests.machine.computer import BY_ID
from tests.machine.installed import NAME
from tests.machine.workshop import UNIT, Workshop

Figure = Callable[[str], None]

START_S = 90.0
"""From the start of a daemon until its first words to the printer, on the emulated machine."""
WATCHDOG_S = 40.0 + 5.0
"""WatchdogSec and TimeoutAbortSec of the unit: what a hang takes to be ended."""
FREE_S = 2.0
"""After the cable was pulled: by then its number is free."""
LADDER_S = 12.0
"""For which the port is opened anew before that is given up."""
SETTLED_S = 3.0
"""After a cut: what the printer had been sent has been carried out."""
FIRST_WORDS = 12
"""Commands of a fresh conversation within which heat goes off: greeting, identifying, readings."""
RETRY_S = 15.0
"""Between attempts of a daemon that found no printer."""
UNPROVEN = {"mains", "unsafe"}
"""Alarms that say that heat is not proven off: in the run, and after it."""


@contextmanager
def watching(url: str) -> Iterator[subprocess.Popen[bytes]]:
    """`banderole watch` out here."""
    words = ("watch", "--to", NAME, "--json", "--broker", url)
    watch = subprocess.Popen([sys.executable, "-m", "banderole.cli.main", *words], stdout=subprocess.PIPE)
    try:
        yield watch
    finally:
        watch.kill()
        watch.communicate()


def never_hot_again(shop: Workshop, since: float) -> None:
    """Nothing heats, homes or moves the printer after `since`."""
    assert [value for _, value in shop.printer.seen("nozzle", since) if value] == []
    assert [value for _, value in shop.printer.seen("bed", since) if value] == []


def hot_in_the_middle(shop: Workshop) -> str:
    run = shop.start()
    shop.in_band(2)
    assert shop.printer.targets()[0] == 210.0
    return run


def aborted(shop: Workshop, run: str) -> None:
    """The journal has the run as Aborted, and the daemon is there for the next one."""
    (kept,) = [one for one in shop.runs() if one["run"] == run]
    assert kept["state"] == "Aborted", kept
    assert shop.computer.must(f"systemctl is-active {UNIT}") == "active\n"


def test_a_tower_as_the_service_watched_from_outside(shop: Workshop, figure: Figure) -> None:
    began = time.monotonic()
    with watching(shop.broker_url) as watch:
        run = shop.start()
        ended = shop.ended(run, 600)
        seen = [json.loads(line) for line in watch.communicate(timeout=30)[0].splitlines()]
    assert (ended["state"], ended["exit"]) == ("Complete", 0), shop.journal()
    assert watch.returncode == 0
    assert shop.printer.targets() == (0.0, 0.0)
    assert [value for _, value in shop.printer.seen("nozzle") if value > 200.0] == [215.0, 210.0, 205.0]
    assert ended["blocks_sha256"]["file"] == ended["blocks_sha256"]["acknowledged"]
    assert [band["in_tolerance"] > 0.9 for band in ended["bands"]] == [True] * 3
    kinds = [entry["event"]["kind"] for entry in seen if "event" in entry]
    assert "run_ended" in kinds
    numbers = [body["seq"] for _, topic, body in shop.onlooker.got if topic == "event" and body["run"] == run]
    assert numbers == list(range(1, len(numbers) + 1))
    assert [one["state"] for one in shop.runs()] == ["Complete"]
    assert shop.restarts() == 0
    assert "0 loaded units listed" in shop.computer.must("systemctl --failed")
    figure(f"Complete after {time.monotonic() - began:.0f} s")


@pytest.mark.parametrize("out_s", [4.0, 40.0])
def test_s12_the_cable_pulled_and_put_back_under_another_number(shop: Workshop, figure: Figure, out_s: float) -> None:
    """4 s: within the ladder, which opens the port anew. 40 s: after it; the daemon goes on trying."""
    run = hot_in_the_middle(shop)
    shop.printer.unplug()
    pulled = shop.printer.now()
    time.sleep(FREE_S)
    stranger = shop.stranger()  # another board gets the number that has become free
    assert shop.printer.targets()[0] == 210.0
    time.sleep(max(0.0, pulled + out_s - shop.printer.now()))
    if out_s > LADDER_S:
        shop.until(lambda: UNPROVEN & set(shop.alarms()), 60, "the word that heat is not proven off")
        assert shop.printer.targets()[0] == 210.0
    shop.plug()
    back = shop.printer.now()
    off = shop.heat_off(back, RETRY_S + START_S)
    assert shop.computer.must(f"readlink -f {BY_ID}") == "/dev/ttyUSB1\n"
    ended = shop.ended(run)
    assert (ended["state"], ended["exit"]) == ("Aborted", 6)
    shop.until(lambda: not UNPROVEN & set(shop.alarms()), 60, "the printer made safe")
    never_hot_again(shop, pulled)
    aborted(shop, run)
    assert shop.restarts() == 0
    assert stranger() == b"", "another device was spoken to"
    figure(
        f"out for {out_s:g} s: heat off {off:.1f} s after it came back, {back - pulled + off:.1f} s after it was pulled"
    )


def test_p1_the_daemon_killed_in_a_run(shop: Workshop, figure: Figure) -> None:
    run = hot_in_the_middle(shop)
    shop.computer.must(f"systemctl kill --kill-whom=main --signal=SIGKILL {UNIT}")
    killed = shop.printer.now()
    off = shop.heat_off(killed, 2 * START_S)
    shop.until(lambda: shop.restarts() == 1 and shop.active(), 2 * START_S, "the daemon again")
    again = shop.printer.now() - killed
    never_hot_again(shop, killed)
    aborted(shop, run)
    assert shop.daemon_began() > killed
    figure(f"heat off {off:.1f} s after the kill; the daemon is ready again after {again:.1f} s")


def test_p2_the_daemon_hangs_in_a_run(shop: Workshop, figure: Figure) -> None:
    run = hot_in_the_middle(shop)
    shop.computer.must(f"systemctl kill --kill-whom=main --signal=SIGSTOP {UNIT}")
    hung = shop.printer.now()
    off = shop.heat_off(hung, WATCHDOG_S + 2 * START_S)
    shop.until(lambda: shop.restarts() == 1 and shop.active(), 2 * START_S, "the daemon again")
    never_hot_again(shop, hung)
    aborted(shop, run)
    assert "Watchdog timeout" in shop.journal(200)
    figure(f"heat off {off:.1f} s after it hung")


def test_d1_the_power_cut_in_the_middle_of_a_run(shop: Workshop, figure: Figure) -> None:
    """P1 too: what the next start finds on the disk is what was synced."""
    run = hot_in_the_middle(shop)
    cut = shop.cut_power()
    assert shop.printer.targets()[0] == 210.0
    booted = shop.boot()
    off = shop.heat_off(booted, 60.0 + START_S)
    shop.until(shop.active, START_S, "the unit to be started")
    first = shop.printer.executed(cut + SETTLED_S)
    never_hot_again(shop, cut)
    assert first.index("M104 S0") < FIRST_WORDS, first[:FIRST_WORDS]
    aborted(shop, run)
    figure(f"from power to the daemon's start {shop.daemon_began() - booted:.1f} s, to heat off {off:.1f} s")


@pytest.mark.parametrize("how", ["full", "read-only"])
def test_d2_the_disk_full_or_read_only(shop: Workshop, figure: Figure, how: str) -> None:
    run = shop.start()
    shop.in_band(1)
    begun = shop.printer.now()
    if how == "full":
        shop.computer.sh("fallocate -l $(df --output=avail -B1 / | tail -1) /filled; dd if=/dev/zero of=/rest bs=1k")
        assert shop.computer.must("df --output=avail / | tail -1").strip() == "0"
    else:
        shop.computer.must("echo u > /proc/sysrq-trigger && sleep 1 && ! touch /var/lib/banderole/x")
    ended = shop.ended(run, 600)
    assert (ended["state"], ended["exit"]) == ("Complete", 0), shop.journal()
    assert ended["blocks_sha256"]["file"] == ended["blocks_sha256"]["acknowledged"]
    cautions = [body for _, body in shop.onlooker.events("caution", begun)]
    assert {"journal", "marks", "disk"} & {one["alarm"] for one in cautions}, cautions
    assert shop.printer.targets() == (0.0, 0.0)
    assert shop.restarts() == 0
    time.sleep(RETRY_S + 5.0)  # a mark that cannot be removed is no reason to open the port again
    assert shop.onlooker.status()["state"] == "Complete"
    figure(f"cautions: {[one['text'] for one in cautions]}")


@pytest.mark.parametrize("command", [f"systemctl stop {UNIT}", "systemctl poweroff"])
def test_p4_stopped_in_a_run(shop: Workshop, figure: Figure, command: str) -> None:
    """By hand, and because the machine is shut down."""
    hot_in_the_middle(shop)
    asked = shop.printer.now()
    shop.computer.sh(f"{command} --no-block")
    off = shop.heat_off(asked, START_S)
    never_hot_again(shop, asked)
    if "poweroff" in command:
        shop.computer.process.wait(150.0)
    else:
        show = f"systemctl show --property=ActiveState,Result,ExecMainStatus {UNIT}"
        shop.until(lambda: "ActiveState=inactive" in shop.computer.must(show), 150, "the unit to be stopped")
        said = shop.computer.must(show).split()
        assert sorted(said) == ["ActiveState=inactive", "ExecMainStatus=4", "Result=success"]
    figure(f"heat off {off:.1f} s after {command}, gone after {shop.printer.now() - asked:.1f} s")
