"""A printer that is silent, gone, another, or begins anew (S9 to S15), on the simulation."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from banderole.rehearsal.stage import REST_S
from banderole.run.whole_run import ANSWER_WITHIN_S, BANNER_S, GREET_EVERY_S

from tests.faults.ends import finishes, heat_is_off, lost, printer, trips
from tests.rehearsal.acts import Act, act, moment
from tests.support.towers import How, commands, tower

PRINTING = "70"
"""Commands: in the first band, in the middle of a layer."""
MUTE = ("auto_report=false", "busy_s=0")
"""A board that says nothing by itself."""
LOOK_S = REST_S + 0.1


# ---- S9, S9b: silence that is none


@pytest.mark.fault("S9", on="simulation")
def test_s9_five_seconds_of_silence_while_it_moves(tmp_path: Path) -> None:
    with act(tmp_path, f"S9@{PRINTING}") as play:
        finishes(play)


@pytest.mark.fault("S9", on="simulation")
def test_s9_busy_for_an_hour_with_readings_coming(tmp_path: Path) -> None:
    with act(tmp_path, settings=("home_s=3600",)) as play:
        finishes(play)
        assert play.stage.now > 3600.0


@pytest.mark.fault("S9", on="simulation")
def test_s9_busy_without_readings_in_a_slow_command(tmp_path: Path) -> None:
    """Blind, with the nozzle heating: 50 s of the 60 that G28 is allowed."""
    with act(tmp_path, settings=("home_s=50", "reports_while_slow=false")) as play:
        finishes(play)
        times = [moment(reading) for reading in play.readings]
        assert max(after - before for before, after in pairwise(times)) > 45.0


@pytest.mark.parametrize(
    ("inside", "settings"),
    [
        ((), ("home_s=50",)),
        (((1, "G29"),), ("probe_s=300",)),
        (((1, "G1 X200 Y200 F560"),), ()),  # 282 mm at 9.3 mm/s, before anything is laid down
    ],
    ids=["G28", "G29", "a move of 30 s"],
)
@pytest.mark.fault("S9b", on="simulation")
def test_s9b_blind_within_its_bound(tmp_path: Path, inside: Any, settings: tuple[str, ...]) -> None:
    with act(tmp_path, how=How(inside=inside), settings=(*MUTE, *settings)) as play:
        finishes(play)


@pytest.mark.fault("S9b", on="simulation")
def test_s9b_blind_past_its_bound_is_lost(tmp_path: Path) -> None:
    """G28 is allowed 60 s, and as long as nothing at all is heard it is the link."""
    with act(tmp_path, settings=(*MUTE, "home_s=100")) as play:
        said = lost(play, "link_lost")
        asked = play.written(b" G28")[0]
        assert 60.0 <= moment(said) - asked <= 60.0 + 6.0 + LOOK_S


# ---- S10, S10b: nothing heard, or no reading


@pytest.mark.fault("S10", on="simulation")
def test_s10_silent_while_hot(tmp_path: Path) -> None:
    """After `stale_s`; heat off goes out on the same link, unheard, and again over the port opened anew.

    Among short motions: one that takes more than a second counts as a reason to hear nothing.
    """
    with act(tmp_path, "S10@92", settings=("restart_on_open=false", "dtr_resets=false")) as play:
        said = lost(play, "link_lost")
        since = play.befell("S10")
        assert 5.0 <= moment(said) - since <= 6.0 + LOOK_S
        opened = [at for at in reopened(play) if at > since]
        off = play.written(b"M104 S0", since)
        assert [at for at in off if at < opened[0]], "nothing was tried on the same link"
        assert off[0] - moment(said) <= 0.05
        assert "open the port anew" in [event.get("rung") for event in play.of("make_safe")]
        assert play.events[-1]["heat_proven_off"] is False


def reopened(play: Act) -> list[float]:
    """When the ladder asked for the port to be opened anew."""
    return [moment(event) for event in play.of("make_safe") if event.get("rung") == "open the port anew"]


@pytest.mark.fault("S10", on="simulation")
def test_s10_silent_while_cold(tmp_path: Path) -> None:
    """After `silence_s`, with an answer owed. Nothing is heated yet: many short travels come first."""
    travels = "".join(f"G0 X{20 + n % 50} Y{20 + n % 40} F3000\n" for n in range(400))
    text = f"G21\nG90\nM83\nG28\n{travels}M104 S220\n" + tower().split("G28\n", 1)[1]
    with act(tmp_path, "S10@60", text=text) as play:
        said = lost(play, "link_lost")
        assert 14.0 <= moment(said) - play.befell("S10") <= 15.0 + LOOK_S
        assert "while an answer is owed" in said["reason"]


@pytest.mark.parametrize("fault", ["S10b"])
@pytest.mark.fault("S10b", on="simulation")
def test_s10b_replies_without_a_reading(tmp_path: Path, fault: str) -> None:
    with act(tmp_path, f"{fault}@{PRINTING}") as play:
        trip = trips(play, "stale", proven=False)
        assert 5.0 <= moment(trip) - play.befell(fault) <= 6.0 + LOOK_S


# ---- S11, S12: it begins anew


@pytest.mark.parametrize(("window", "count"), [(0, 70), (96, 25), (96, 95)])
@pytest.mark.fault("S11", on="simulation")
def test_s11_the_printer_restarts(tmp_path: Path, window: int, count: int) -> None:
    with act(tmp_path, f"S11@{count}", printer=printer(window)) as play:
        lost(play, "printer_reset")
        begun_anew(play)


@pytest.mark.fault("S11", on="simulation")
def test_s11_its_banner_is_lost(tmp_path: Path) -> None:
    """The counter back at 1 is all there is to tell."""
    with act(tmp_path) as play:

        def restart() -> None:
            board = play.stage.board
            board.restart("by itself")
            board.voice.held_until = 0.0
            play.stage.at(play.stage.now + board.manners.boot_s - 0.001, lambda: setattr(board.voice, "mute", True))
            play.stage.at(play.stage.now + board.manners.boot_s + 0.001, lambda: setattr(board.voice, "mute", False))

        play.stage.at(145.5, restart)
        lost(play, "printer_reset")
        begun_anew(play)


def begun_anew(play: Act) -> None:
    """The fresh firmware heard heat off, and nothing that makes it go on."""
    restart = [row["at"] for row in play.rows if row.get("kind") == "restart"][-1]
    since = [row["text"] for row in play.log.commands if row["at"] > restart]
    assert "M104 S0" in since
    assert "M140 S0" in since
    assert not [text for text in since if text in set(commands(tower().encode())) - {"M104 S0", "M107"}]


@pytest.mark.fault("S12", on="simulation")
def test_s12_unplugged_and_there_again(tmp_path: Path) -> None:
    """Opened anew until it is there, and heat off goes to what has come back."""
    with act(tmp_path, f"S12@{PRINTING}", settings=("replug_s=5",)) as play:
        said = lost(play, "link_lost")
        assert moment(said) - play.befell("S12") < 0.1
        begun_anew(play)
        assert play.events[-1]["heat_proven_off"]


# ---- S13: it is another, or another has it


class Stranger:
    """A device that talks, and is no printer; `heard` is all that it was sent."""

    def __init__(self, says: bytes) -> None:
        self.heard = b""
        self._says = says
        self._receiver: Callable[[bytes], None] | None = None

    def open(self, receiver: Callable[[bytes], None]) -> None:
        self._receiver = receiver

    def write(self, data: bytes) -> None:
        self.heard += data
        if self._receiver is not None and self._says:
            asyncio.get_running_loop().call_later(0.01, self._receiver, self._says)

    def pulse_dtr(self) -> None:
        self.heard += b"<a pulse on DTR>"

    def unsent(self) -> int:
        return 0

    def close(self) -> None:
        self._receiver = None


@pytest.mark.parametrize(
    "says",
    [b"", b"ERROR\r\n", b"$GPGGA,123519,4807.038,N,01131.000,E,1,08*47\r\n", b"login: ", bytes(range(256)), b"\n" * 50],
    ids=["nothing", "a modem", "a receiver of positions", "a console", "noise", "line ends"],
)
@pytest.mark.fault("S13", on="simulation")
def test_s13_another_device_gets_nothing_but_greetings(tmp_path: Path, says: bytes) -> None:
    with act(tmp_path) as play:
        stranger = Stranger(says)
        play.stage.port = stranger  # type: ignore[assignment]
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 3, ended.reason
        assert set(re.findall(rb"[GMT]\d+", stranger.heard)) <= {b"M110", b"M115"}
        assert not re.sub(rb"N\d+ M11[05](?: N0)?\*\d+|\n", b"", stranger.heard)
        assert play.stage.marks.bed is None


@pytest.mark.parametrize("moment_s", [0.5, 3.0, 9.0])
@pytest.mark.fault("S13", on="simulation")
def test_s13_an_abort_meanwhile_sends_it_nothing_either(tmp_path: Path, moment_s: float) -> None:
    with act(tmp_path) as play:
        stranger = Stranger(b"ERROR\r\n")
        play.stage.port = stranger  # type: ignore[assignment]
        play.stage.command(moment_s, "abort")
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 4
        assert set(re.findall(rb"[GMT]\d+", stranger.heard)) <= {b"M110", b"M115"}


@pytest.mark.fault("S13", on="simulation")
def test_s13_a_port_in_use_is_refused_before_a_byte_is_sent(tmp_path: Path) -> None:
    with act(tmp_path) as play:

        async def another() -> None:
            play.stage.port.open(lambda data: None)

        play.stage.loop.run_until_complete(another())
        with pytest.raises(ConnectionError, match="already opened"):
            play.stage.run(play.job)
        assert play.wire == []
        assert play.events == []


# ---- S14: how it answers at first


@pytest.mark.parametrize("boot_s", [0.5, 3.3, 10.0])
@pytest.mark.fault("S14", on="simulation")
def test_s14_a_board_that_restarts_is_asked_behind_its_banner(tmp_path: Path, boot_s: float) -> None:
    with act(tmp_path, settings=("restart_on_open=true", f"boot_s={boot_s}")) as play:
        finishes(play)
        asked = play.written(b"M110")
        behind = [at for at in asked if at >= boot_s]
        assert behind[0] - boot_s <= LOOK_S
        before = [at for at in asked if at < boot_s]
        assert before[:1] == [pytest.approx(BANNER_S, abs=LOOK_S)] or boot_s < BANNER_S
        gaps = [after - one for one, after in pairwise(before)]
        assert all(GREET_EVERY_S - 0.01 <= gap <= GREET_EVERY_S + LOOK_S for gap in gaps)
        assert play.of("run_started")[0]["identity"]


@pytest.mark.fault("S14", on="simulation")
def test_s14_a_board_that_says_nothing_is_asked_after_two_seconds(tmp_path: Path) -> None:
    with act(tmp_path, settings=("restart_on_open=false",)) as play:
        finishes(play)
        assert play.wire[0][0] == pytest.approx(BANNER_S, abs=LOOK_S)
        assert play.of("run_started")[0]["identity"]


@pytest.mark.fault("S14", on="simulation")
def test_s14_one_that_boots_for_too_long_is_refused_with_nothing_heated(tmp_path: Path) -> None:
    with act(tmp_path, settings=("restart_on_open=true", "boot_s=20")) as play:
        ended = play.stage.run(play.job)
        assert ended is not None
        assert ended.exit == 3
        assert play.stage.now == pytest.approx(ANSWER_WITHIN_S, abs=2.0)
        assert play.log.commands == []


# ---- S15: it stops itself


@pytest.mark.parametrize("settings", [(), ("halt_form=!!",), ("halt_talks=true",), ("halt_form=!!", "halt_talks=true")])
@pytest.mark.fault("S15", on="simulation")
def test_s15_a_fatal_line(tmp_path: Path, settings: tuple[str, ...]) -> None:
    with act(tmp_path, f"S15@{PRINTING}", settings=settings) as play:
        trip = trips(play, "printer_fatal")
        assert "thermal failure" in trip["text"]
        assert "thermal failure" in play.events[-1]["reason"]
        assert play.stage.marks.latched is not None
        assert "thermal failure" in play.stage.marks.latched["text"]
        heat_is_off(play)
