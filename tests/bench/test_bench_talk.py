"""What the emulated board says, and that the project's own reader understands every form of it."""

from __future__ import annotations

from typing import Any

import pytest
from banderole.bench import HeaterBuild, Manners
from banderole_protocol import replies
from banderole_protocol.channels import answer_of

from tests.bench.desk import Desk


def said(desk: Desk, *kinds: type) -> None:
    """Every line heard parses to one of these."""
    odd = [
        (line, reply) for line in desk.heard if not isinstance(reply := replies.parse(line.encode("latin-1")), kinds)
    ]
    assert not odd


def test_temperatures_on_ok_or_before_it() -> None:
    desk = Desk()
    assert desk.do("M105") == ["ok T:25.0 /0.0 B:25.0 /0.0 @:0 B@:0"]
    desk = Desk(Manners(readings_on_ok=False, power_shown=False, tools=2))
    assert desk.do("M105") == ["T:25.0 /0.0 B:25.0 /0.0 T0:25.0 /0.0 T1:25.0 /0.0", "ok"]
    said(desk, replies.Report, replies.Ok)


def test_numbered_acknowledgements_tell_of_the_room_left() -> None:
    desk = Desk(Manners(advanced_ok=True))
    assert desk.do("G1 X1 F1", "G1 X2", "M105")[:2] == ["ok N1 P15 B4", "ok N2 P14 B4"]
    reply = replies.parse(desk.heard[2].encode())
    assert isinstance(reply, replies.Ok)
    assert (reply.line, reply.planner_free) == (3, 14)
    assert reply.readings is not None


def test_reports_come_each_whole_second_and_a_tenth_is_none() -> None:
    desk = Desk()
    desk.do("M155 S2")
    assert len(desk.live(10.0)) == 5
    said(desk, replies.Report, replies.Ok)
    desk.do("M155 S0.1")
    assert desk.live(10.0) == []
    desk = Desk(Manners(auto_report=False))
    assert desk.do("M155 S1")[0].startswith("echo:")
    assert desk.live(5.0) == []


@pytest.mark.parametrize("talks", [True, False])
def test_homing_may_be_deaf_time(talks: bool) -> None:
    desk = Desk(Manners(reports_while_slow=talks, home_s=8.0, busy_s=0.0))
    desk.do("M155 S1")
    assert len(desk.do("G28")) == (9 if talks else 1)


def test_busy_while_something_lasts() -> None:
    desk = Desk(Manners(busy_s=2.0, home_s=7.0))
    assert desk.do("G28") == ["echo:busy: processing"] * 3 + ["ok"]
    desk.do("M113 S0")
    assert desk.do("G28") == ["ok"]
    desk.do("M113 S2")
    assert desk.do("M0 S5") == ["echo:busy: paused for user"] * 2 + ["ok"]
    said(desk, replies.Busy, replies.Ok)


def test_where_it_says_it_is() -> None:
    desk = Desk()
    desk.do("G1 X1.5 Y2 Z0.3 F6000")
    (where, ok) = desk.do("M114")
    assert where == "X:1.50 Y:2.00 Z:0.30 E:0.00 Count X:120 Y:160 Z:24"
    assert ok == "ok"
    reply = replies.parse(where.encode())
    assert isinstance(reply, replies.Position)
    assert (reply.x, reply.y, reply.z, reply.e) == (1.5, 2.0, 0.3, 0.0)


def test_who_it_says_it_is() -> None:
    desk = Desk(Manners(emergency_parser=True))
    desk.do("M115")
    said(desk, replies.Identity, replies.Capability, replies.Ok)
    assert replies.Capability("EMERGENCY_PARSER", True) in [replies.parse(line.encode()) for line in desk.heard]
    desk = Desk(Manners(capabilities=False))
    assert len(desk.do("M115")) == 2


@pytest.mark.parametrize(
    ("channel", "block", "bare", "value"),
    [
        ("feed", "M220 S80", "M220", 80.0),
        ("flow", "M221 S95", "M221", 95.0),
        ("advance", "M900 K0.05", "M900", 0.05),
        ("retract", "M207 S2.5", "M207", 2.5),
    ],
)
def test_bare_commands_are_answered_where_the_board_does_that(
    channel: str, block: str, bare: str, value: float
) -> None:
    desk = Desk()
    answer, ok = desk.do(block, bare)[1:]
    assert answer_of(channel, answer) == value
    assert ok == "ok"
    assert (desk.printer.log.setpoints[-1].channel, desk.printer.log.setpoints[-1].value) == (channel, value)
    assert Desk(Manners(answers=frozenset())).do(block, bare) == ["ok", "ok"]


def test_unknown_commands_are_said_and_acknowledged() -> None:
    desk = Desk()
    assert desk.do("M12345 S1", "hello") == [
        'echo:not known here: "M12345 S1"', "ok", 'echo:not known here: "hello"', "ok",
    ]  # fmt: skip
    said(desk, replies.Note, replies.Ok)


def test_s_waits_for_heating_alone_and_r_both_ways() -> None:
    warm = HeaterBuild(tau=60.0)
    desk = Desk(Manners(nozzle=warm))
    lines = desk.do("M109 S200")
    assert desk.printer.machine.nozzle.temperature == pytest.approx(200.0, abs=1.5)
    assert lines[0].endswith("W:?")
    assert lines[-2].endswith(("W:1", "W:0", "W:2"))
    said(desk, replies.Report, replies.Ok)
    began = desk.now
    desk.do("M109 S180")
    assert desk.now - began < 0.1
    desk.do("M109 R180")
    assert desk.printer.machine.nozzle.temperature == pytest.approx(180.0, abs=1.5)
    desk.do("M190 S40")
    assert desk.printer.machine.bed.temperature == pytest.approx(40.0, abs=1.5)


def test_short_form_while_waiting() -> None:
    desk = Desk(Manners(wait_form="short"))
    assert desk.do("M109 S50")[0] == "T:25.0 E:0 W:?"
    said(desk, replies.Report, replies.Ok)


def test_orders_act_out_of_turn_only_with_the_parser_for_it() -> None:
    desk = Desk(Manners(emergency_parser=True))
    desk.send("M109 S250", "M108")
    assert desk.live(0.2)[-2:] == ["ok", "ok"]
    desk.send("G4 S60", "M117 a", "M117 b", "M117 c", "M117 d", "M112")  # behind a full queue
    desk.live(0.2)
    assert desk.printer.state == "halted"
    desk = Desk()
    desk.send("M109 S250", "M108")
    desk.live(2.0)
    assert desk.oks() == 0


def test_an_order_split_over_two_writes_is_heard() -> None:
    desk = Desk(Manners(emergency_parser=True, baud=9600))
    desk.send("G4 S60")
    desk.live(1.0)
    desk.write(b"M1")
    desk.live(0.01)
    desk.write(b"12\n")
    desk.live(0.1)
    assert desk.events() == ["at_once", "halted"]


@pytest.mark.parametrize(
    ("manners", "text"), [({}, "Error:stopped by M112; halted"), ({"halt_form": "!!"}, "!! stopped by M112")]
)
def test_halted_until_reset(manners: dict[str, Any], text: str) -> None:
    desk = Desk(Manners(halt_talks=True, **manners))
    desk.do("M104 S200", "G28")
    desk.send("M112")
    assert desk.live(0.1) == [text]
    assert isinstance(replies.parse(text.encode()), replies.Fatal)
    assert desk.printer.machine.nozzle.target == 0.0
    desk.send("M105")
    assert desk.live(0.1) == [text]
    desk.printer.pulse_dtr(desk.now)
    assert desk.live(1.0)[0] == "start"
    desk.number = 0
    assert desk.do("M105")[-1].startswith("ok T:")
    assert not desk.printer.machine.known


def test_bytes_that_come_while_it_boots_are_lost() -> None:
    desk = Desk(Manners(boot_s=0.5))
    desk.printer.opened(desk.now)
    desk.send("M105")
    assert desk.live(2.0) == ["start", "echo:emulated bench board ready"]
    assert desk.executed() == []
    desk = Desk(Manners(restart_on_open=False))
    desk.printer.opened(desk.now)
    assert desk.live(2.0) == []


def test_its_own_shutdown_after_a_time_without_commands() -> None:
    desk = Desk()
    desk.do("M104 S200", "M85 S30")
    desk.live(29.0)
    desk.do("M105")
    desk.live(29.0)
    assert desk.events() == []
    desk.live(2.0)
    assert desk.events() == ["halted"]
    assert isinstance(replies.parse(desk.heard[-1].encode()), replies.Fatal)


def test_its_own_protection() -> None:
    for protection in (True, False):
        desk = Desk(Manners(protection=protection, faults=("T1@5s",)))
        desk.do("M104 S200")
        desk.live(10.0)
        assert (desk.printer.state == "halted") is protection
