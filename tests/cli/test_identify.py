"""`identify` and `ports`: who is there, and nothing else done to it."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import time
import tty

import pytest
from banderole.bench import PtyPrinter

from tests.support.shell import COMMAND, RUN, Shell, received

pytestmark = pytest.mark.slow

HARMLESS = {"", "N0 M110 N0*125", "N1 M115*39"}
"""What may go to a stranger: an end of line, numbering anew, who are you. Checksums: XOR of the bytes before the star."""


def _checksum(text: str) -> int:
    total = 0
    for byte in text.encode():
        total ^= byte
    return total


def test_the_harmless_lines_are_what_they_say() -> None:
    for line in HARMLESS - {""}:
        body, _, check = line.partition("*")
        assert _checksum(body) == int(check)


def test_a_printer_says_who_it_is(shell: Shell, printer: PtyPrinter) -> None:
    done = shell.do("identify", "--port", str(shell.folder / "port"))
    assert done.code == 0
    assert done.complaint == "opening a port restarts some boards: not with a printer at work"
    assert "FIRMWARE_NAME: " in done.out
    assert "AUTOREPORT_TEMP" in done.out
    assert "nozzle 25.0 °C" in done.out
    asked = json.loads(shell.do("identify", "--port", str(shell.folder / "port"), "--json").out)
    assert asked["capabilities"]["AUTOREPORT_TEMP"] is True
    assert asked["measured"] == {"nozzle": 25.0, "bed": 25.0}
    assert {line.partition("*")[0].split(" ", 1)[-1] for line in received(printer)} <= {
        "",
        "M110 N0",
        "M115",
        "M105",
        "N0",
    }


class Stranger:
    """A device behind a terminal that says the same thing for ever, or nothing; and what it has heard."""

    def __init__(self, says: bytes) -> None:
        self.says = says
        self._far, self._near = pty.openpty()
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.name = os.ttyname(self._near)
        self._data = b""
        self.first_heard_at = 0.0

    def live(self) -> None:
        os.write(self._far, self.says)
        try:
            self._data += os.read(self._far, 4096)
        except BlockingIOError:
            return
        self.first_heard_at = self.first_heard_at or time.monotonic()

    def heard(self) -> list[str]:
        self.live()
        return self._data.decode().split("\n")

    def close(self) -> None:
        os.close(self._near)
        os.close(self._far)


def test_a_stranger_is_asked_who_it_is_and_nothing_else(shell: Shell) -> None:
    """Each waits its 15 s, so all of them at once."""
    chatter = b"$GPGGA,081500,,,,,0*00\r\n"  # a satellite receiver, as NMEA 0183 has it; values invented
    made = [(Stranger(says), words) for says in (b"", chatter, b"?\n") for words in (("identify",), RUN)]
    began = time.monotonic()
    asking = [
        subprocess.Popen(
            [*COMMAND, *words, "--port", stranger.name],
            cwd=shell.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**shell.environment, "XDG_RUNTIME_DIR": str(shell.folder / f"r{number}")},
        )
        for number, (stranger, words) in enumerate(made)
    ]
    try:
        while any(one.poll() is None for one in asking):
            assert time.monotonic() < began + 60
            for stranger, _ in made:
                stranger.live()
            time.sleep(0.02)  # or the first word is heard a tenth late
        # How long a busy machine takes to start six programs is no part of the time they wait.
        ended = time.monotonic()
        first_heard = [stranger.first_heard_at for stranger, _ in made]
        for one, (stranger, words) in zip(asking, made, strict=True):
            _, err = one.communicate()
            case = (words[0], stranger.says)
            assert one.returncode == 3, (case, err)
            said = err.decode().splitlines()[-1]
            assert ("nothing answered within 15 s" in said) is (case == ("identify", b"")), case
            assert ("not as a printer does" in said) is (words[0] == "identify" and stranger.says != b""), case
            assert ("no printer answers" in said) is (words[0] == "run"), case
            assert stranger.heard().count("N0 M110 N0*125") > 5, case
            assert set(stranger.heard()) <= HARMLESS, case
        assert (
            ended - min(first_heard) > 13.8
        )  # each is listened to ten times a second, and so is the first word heard late
        assert ended - max(first_heard) < 19.0
    finally:
        for one in asking:
            one.kill()
            one.wait()
            if one.stderr is not None:
                one.stderr.close()
        for stranger, _ in made:
            stranger.close()


def test_a_port_that_another_program_has_is_left_alone(shell: Shell, printer: PtyPrinter) -> None:
    run = shell.run()
    run.wait_for("run_started")
    done = shell.do("identify", "--port", str(shell.folder / "port"))
    assert done.code == 3
    assert "in use by another program; nothing was sent" in done.err.splitlines()[-1]
    assert not any("M115" in line for line in received(printer)[10:])
    shell.do("abort")
    assert run.end() == 4


def test_ports_names_devices_and_opens_none(shell: Shell) -> None:
    done = shell.do("ports")
    assert (done.code, done.err) == (0, "")
    assert done.out
    for port in json.loads(shell.do("ports", "--json").out):
        assert {"name", "device", "description", "stable"} <= set(port)
