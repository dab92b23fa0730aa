"""The window against a model printer: every line carried out once and in order, or a loud end; never a wrong sequence."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import reduce
from operator import xor

import pytest
from banderole_protocol.errors import OurError
from banderole_protocol.replies import Report
from banderole_protocol.state import TABLE, LinkInput, LinkState, after
from banderole_protocol.window import QUIET_S, Acknowledged, Broken, Window

from tests.support.conversation import Conversation, Faults
from tests.support.model_printer import Manners

ONE_IN_2000 = 1 / 2000
KINDS: dict[str, Faults] = {
    "clean": Faults(),
    "ok lost": Faults(lose_ok=0.05),
    "ok doubled": Faults(double_ok=0.05),
    "damage to the printer": Faults(to_printer=ONE_IN_2000),
    "damage from the printer": Faults(from_printer=ONE_IN_2000),
    "damage both ways": Faults(to_printer=ONE_IN_2000, from_printer=ONE_IN_2000),
    "damage, lost and doubled": Faults(ONE_IN_2000, ONE_IN_2000, 0.02, 0.02),
    "much of everything": Faults(1 / 300, 1 / 300, 0.05, 0.05),
}
WINDOWS = (0, 64, 96, 103)
LINES = 120


def xor_of(data: bytes) -> int:
    return reduce(xor, data)


def some_manners(rng: random.Random) -> Manners:
    flag = rng.random
    return Manners(
        numbers_ok=flag() < 0.4,
        ok_behind_resend=flag() < 0.6,
        temperatures_on_ok=flag() < 0.6,
        queue=rng.choice((1, 1, 4)),
        flushes=flag() < 0.3,
        last_star=flag() < 0.5,
        says_busy=flag() < 0.7,
        long_s=rng.choice((0.0, 0.0, 2.5)),
    )


def converse(seed: int, faults: Faults, window_bytes: int, lines: int = LINES) -> Conversation:
    talk = Conversation(seed, lines, some_manners(random.Random(seed)), faults, window_bytes)
    try:
        talk.run()
    except Exception as why:
        raise AssertionError(f"seed {seed}, {faults}, window {window_bytes}, {talk.printer.manners}: {why!r}") from why
    return talk


def judge(talk: Conversation, seed: int) -> None:
    told = f"seed {seed}, {talk.faults}, window {talk.window.window_bytes}, {talk.printer.manners}, {talk.broken}"
    executed = talk.executed()
    assert executed == talk.blocks[: len(executed)], told
    assert talk.taken == list(range(len(talk.taken))), told
    if talk.broken is None:
        assert executed == talk.blocks, told
        assert len(talk.taken) == len(talk.blocks), told


@pytest.mark.slow
@pytest.mark.parametrize("window_bytes", WINDOWS)
@pytest.mark.parametrize("kind", KINDS)
def test_every_line_once_and_in_order(kind: str, window_bytes: int) -> None:
    faults, passed, loud, rewrites = KINDS[kind], 0, 0, 0
    seeds = range(10)
    for seed in seeds:
        talk = converse(seed, faults, window_bytes)
        if talk.printer.passed:
            passed += 1
            continue
        judge(talk, seed)
        loud += talk.broken is not None
        rewrites += talk.rewrites
        if not faults.double_ok:  # an `ok` too many, where nothing numbers it, lets a line too many out
            assert not talk.printer.overflowed, seed
        if not faults.miscounts:
            assert talk.early == 0, seed
    assert passed <= 1  # a single wrong byte does not pass the checksum
    assert loud == 0 if kind != "much of everything" else loud <= 2
    if faults.to_printer:
        assert rewrites > 0


@pytest.mark.slow
@pytest.mark.parametrize("banner", [True, False])
@pytest.mark.parametrize("kind", ["clean", "damage both ways", "damage, lost and doubled"])
def test_a_restart_is_a_loud_end_and_nothing_is_carried_out_twice(kind: str, banner: bool) -> None:
    """Also where the banner is lost, and early on, while the line that a fresh printer asks for is still in the history."""
    for seed in range(24):
        faults = replace(KINDS[kind], restart_after=4 + 5 * seed, banner=banner)
        talk = converse(seed, faults, WINDOWS[seed % 4])
        if talk.printer.passed:
            continue
        judge(talk, seed)
        if talk.restarted and talk.printer.executed[-1][1] != b"M105":
            assert talk.broken is not None, seed
        if talk.broken is not None:
            assert talk.broken.restarted, (seed, talk.broken)
            assert talk.window.state is LinkState.BROKEN
            assert talk.window.data_to_send(talk.now + 60) == b""


def test_a_damaged_answer_to_a_probe_makes_room_for_the_next() -> None:
    """Kept: the answer came damaged, and one byte was missing to what the receive buffer was thought to hold for ever."""
    judge(converse(50071, KINDS["much of everything"], 103), 50071)


@pytest.mark.slow
def test_a_greeting_is_heard_whatever_was_counted_before() -> None:
    """A printer that still counts lines of an earlier conversation, and one byte in twenty-five damaged on the way to it."""
    for seed in range(40):
        talk = Conversation(seed, 0, some_manners(random.Random(seed)), Faults(to_printer=1 / 25), WINDOWS[seed % 4])
        talk.printer.last = 500 + seed
        talk.run()
        assert talk.broken is None, (seed, talk.broken)
        assert talk.executed() == [b"M400"], seed


def answered(window: Window, now: float = 0.0) -> None:
    """A printer that has taken the greeting."""
    window.greet()
    window.data_to_send(now)
    window.receive(b"ok\n", now)
    window.data_to_send(now)
    window.receive(b"FIRMWARE_NAME:model KEY:none\nok\n", now)
    assert window.idle


def test_nothing_is_written_behind_m110_until_it_is_taken() -> None:
    window = Window(96)
    window.greet()
    window.send(b"G28")
    assert window.data_to_send(0.0) == b"N0 M110 N0*125\n"  # the sum: public RepRap wiki convention, computed
    assert window.data_to_send(0.5) == b""
    window.receive(b"ok\n", 0.6)
    assert [line.split(b"*")[0] for line in window.data_to_send(0.6).splitlines()] == [b"N1 M115", b"N2 G28"]


def test_a_file_block_counts_once_however_it_is_answered() -> None:
    """Every reply to two lines out, whole, byte by byte, and with bytes trailing; an `ok` behind a refusal counts for none."""
    first, second = b"ok\nResend: 3\nok\nok\n", b"Error:out of turn, Last Line: 3\nResend: 4\nok\n"
    for cut in (len(first + second), 1, 5):
        window = Window(96)
        answered(window)
        window.send(b"G1 X1", "first")
        window.send(b"G1 X2", "second")
        window.data_to_send(1.0)
        assert tags_of(window, first, cut, 1.1) == ["first"]
        assert window.data_to_send(1.2).startswith(b"N3 G1 X2*")
        assert tags_of(window, second, cut, 1.3) == []
        assert window.data_to_send(1.4).startswith(b"\nN4 M105*")
        assert tags_of(window, b"ok T:20.0 /0.0\n", cut, 1.5) == ["second", None]
        assert window.receive(b"o", 1.6) == []
        assert window.idle


def tags_of(window: Window, replies: bytes, cut: int, now: float) -> list[object]:
    """What these replies acknowledge, when they come in pieces of `cut` bytes."""
    tags: list[object] = []
    for at in range(0, len(replies), cut):
        for event in window.receive(replies[at : at + cut], now):
            tags += event.tags if isinstance(event, Acknowledged) else []
    return tags


def test_two_silences_in_turn_do_not_stop_the_line() -> None:
    """The `ok` of a line is lost, and that of the probe too: a reminder draws a refusal that tells all."""
    window = Window(0)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    written = [window.data_to_send(float(second)) for second in range(1, 6)]
    assert written[0] == b"\nN3 M105*%d\n" % xor_of(b"N3 M105")
    assert written[1:3] == [b"\n", b"\n"]
    assert written[3] == b"N0*%d\n" % xor_of(b"N0")
    assert tags_of(window, b"Error:line number out of turn, Last Line: 3\nResend: 4\nok\n", 99, 5.5) == ["first", None]


@pytest.mark.parametrize("number", [2, 99_990, 999_990])
def test_a_reminder_fits_whatever_is_out(number: int) -> None:
    """All answers to a full window are lost: the line is not stuck, and the ring of 127 bytes does not overflow."""
    window = Window(103)
    answered(window)
    window.next_number = number
    for index in range(8):
        window.send(b"G1 X%d Y100 E5" % index, index)
    written = [window.data_to_send(float(second)) for second in range(60)]
    assert sum(map(len, written)) <= 127
    assert b"N0*126\n" in b"".join(written)


def test_a_damaged_request_for_an_old_line_is_set_right_by_the_next_one() -> None:
    """`Resend: 41` loses its second digit: some lines are written again, refused, and the printer's word taken."""
    window = Window(0)
    answered(window)
    for number in range(2, 41):
        window.send(b"G1 X%d" % number, number)
        window.data_to_send(0.0)
        assert tags_of(window, b"ok\n", 9, 0.0) == [number]
    window.send(b"G1 X41", 41)
    window.data_to_send(0.0)
    assert tags_of(window, b"Resend: 4\n", 99, 0.1) == []
    assert window.data_to_send(0.2).startswith(b"N4 G1 X4*")
    assert tags_of(window, b"Resend: 41\n", 99, 0.3) == []
    assert window.data_to_send(0.4).startswith(b"N41 G1 X41*")
    assert tags_of(window, b"ok\n", 9, 0.5) == [41]
    assert window.idle


def test_a_complaint_that_its_request_contradicts_is_no_guess() -> None:
    """Fault S6, from a printer that says which line it has taken and asks for another: probed once, then loud."""
    window = Window(0)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    both = b"Error:checksum is wrong, Last Line: 1\nResend: 1002\nok\n"
    assert tags_of(window, both, 99, 0.1) == []
    assert window.data_to_send(0.2).startswith(b"\nN3 M105*")
    assert any(isinstance(event, Broken) for event in window.receive(both, 0.3))


def test_a_request_refused_by_an_impossible_number_is_not_given_up_but_asked_about_at_once() -> None:
    """Fault S6 on a request for temperatures: to take it for answered would forget what the printer asked for."""
    window = Window(0)
    answered(window)
    window.ask_temperatures()
    assert window.data_to_send(0.0).startswith(b"N2 M105*")
    both = b"Error:checksum is wrong, Last Line: 1\nResend: 1002\nok\n"
    assert tags_of(window, both, 99, 0.1) == []
    assert window.data_to_send(0.2) == b"N0*126\n"
    assert [window.tick(float(second)) for second in range(1, 9)] == [[]] * 8
    assert any(isinstance(event, Broken) for event in window.receive(both, 9.0))


def test_what_was_given_up_once_is_not_given_up_again_before_a_word_has_come() -> None:
    """A line that is dead for four seconds: a request given up, the next one asked about by a reminder, and both made good."""
    window = Window(0)
    answered(window)
    window.ask_temperatures()
    window.data_to_send(0.0)
    for second, asked in ((1.0, b"\n"), (2.0, b"\n")):
        assert window.tick(second) == []
        assert window.data_to_send(second) == asked
    assert window.tick(3.0) == [Acknowledged([None])]
    window.ask_temperatures()
    assert window.data_to_send(3.0).startswith(b"N3 M105*")
    assert window.tick(4.0) == []
    assert window.data_to_send(4.0) == b"N0*126\n"
    window.receive(b"Error:number is not the next in turn, Last Line: 1\nResend: 2\n", 4.1)
    again = window.data_to_send(4.2)
    assert [line.split(b"*")[0] for line in again.splitlines()] == [b"N2 M105"]


def test_a_request_that_was_lost_is_written_again_though_the_line_before_it_has_not_been_answered() -> None:
    """One line at a time, and two seconds in which nothing comes through: the answer to M400 is lost, then the request."""
    window = Window(0)
    answered(window)
    window.send(b"M400", "at rest")
    window.data_to_send(0.0)
    window.ask_temperatures()
    assert window.data_to_send(1.0).startswith(b"\nN3 M105*")
    written = [window.data_to_send(float(second)) for second in range(2, 5)]
    assert written[2] == b"N0*126\n"
    window.receive(b"Error:number is not the next in turn, Last Line: 2\nResend: 3\n", 4.1)
    assert window.data_to_send(4.2).startswith(b"N3 M105*")
    assert tags_of(window, b"ok T:200.0 /200.0 B:60.0 /60.0\n", 99, 4.3) == ["at rest", None]


def test_a_printer_that_has_read_a_wait_has_not_ended_it() -> None:
    """M0 on a board that says nothing meanwhile: to a reminder it tells what it has read, and the person is not there yet."""
    window = Window(0)
    answered(window)
    window.send(b"M0", "wait")
    window.data_to_send(0.0)
    written = [window.data_to_send(float(second)) for second in range(1, 5)]
    assert written[3] == b"N0*126\n"
    assert tags_of(window, b"Error:line number out of turn, Last Line: 3\nResend: 4\nok\n", 99, 4.1) == []
    asked = [window.data_to_send(at) for at in (4.2, 5.2)]
    assert [line.split(b"*")[0] for line in b"".join(asked).split(b"\n") if line] == [
        b"N4 M105"
    ]  # the first one's answer may be lost
    assert tags_of(window, b"ok\nok T:20.0 /0.0\nok T:20.0 /0.0\n", 99, 90.0) == ["wait", None, None]
    assert window.idle


def test_a_damaged_number_does_not_end_a_recovery() -> None:
    """Of two refusals the second loses a digit of a line that is certain: the first one's stands."""
    window = Window(103)
    answered(window)
    for number in range(3):
        window.send(b"G1 X%d" % number, number)
    window.data_to_send(0.0)
    assert tags_of(window, b"ok\n", 9, 0.1) == [0]
    assert tags_of(window, b"Resend: 3\nResend: 1\n", 99, 0.2) == []
    assert window.data_to_send(0.3).startswith(b"N3 G1 X1*")


def test_the_greeting_is_not_written_again_once_lines_stand_behind_it() -> None:
    """`rs 20` comes as `rs 00`, and who it is had been lost: M110 again would set the count back, and all be taken anew."""
    window = Window(0)
    window.greet()
    for _ in range(2):
        window.data_to_send(0.0)
        window.receive(b"ok\n", 0.0)
    for number in range(2, 20):
        window.send(b"G1 X%d" % number, number)
        window.data_to_send(0.0)
        assert tags_of(window, b"ok\n", 9, 0.0) == [number]
    window.send(b"G1 X20", 20)
    window.data_to_send(0.0)
    assert tags_of(window, b"rs 00\nok\n", 9, 0.1) == []
    assert b"M110" not in window.data_to_send(0.2)
    assert tags_of(window, b"rs 20\nok\n", 9, 0.3) == []
    assert window.data_to_send(0.4).startswith(b"N20 G1 X20*")


def test_a_damaged_report_before_its_ok_does_not_count_for_it() -> None:
    window = Window(0)
    answered(window)
    window.ask_temperatures()
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    assert tags_of(window, b"T:210.0 /2x0.0 B:60.0 /60.0 @:64 B@:0\n", 99, 0.1) == []
    assert tags_of(window, b"ok\n", 9, 0.1) == [None]


def test_two_requests_out_are_answered_in_turn() -> None:
    """The answer to the first, which was a probe, is not that of the second, behind which lines would be written."""
    window = Window(64)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    window.data_to_send(1.0)  # the probe
    window.ask_temperatures()
    window.send(b"G1 X2", "second")
    window.data_to_send(1.1)
    window._pending.appendleft((b"M105", "again", 0.0))
    window.data_to_send(1.2)
    assert tags_of(window, b"ok T:20.0 /0.0\n", 99, 1.3) == ["first", None]
    assert tags_of(window, b"ok\n", 99, 1.4) == ["second"]
    assert tags_of(window, b"ok T:20.0 /0.0\n", 99, 1.5) == ["again"]
    assert window.idle


def test_a_complaint_stands_for_the_request_behind_it_that_was_damaged() -> None:
    """Without it the `ok` behind the damaged request would pass for that of the refused line."""
    window = Window(0)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    assert tags_of(window, b"Error:checksum is wrong, Last Line: 1\nRes?nd: 2\nok\n", 99, 0.1) == []
    assert window.data_to_send(0.2).startswith(b"N2 G1 X1*")


def test_probes_are_bounded_and_keep_to_the_receive_buffer() -> None:
    """A printer that is at work for an hour and says nothing reads nothing either."""
    window = Window(103)
    answered(window)
    for number in range(8):
        window.send(b"G1 X%d Y100 E5" % number, number)
    written = b"".join(window.data_to_send(float(second)) for second in range(3600))
    assert len(written) <= 127


def test_a_line_that_was_dead_is_asked_anew_once_something_is_heard() -> None:
    """All that was out is lost, and the probes with it; the printer lives on and knows of nothing."""
    window = Window(103)
    answered(window)
    for number in range(8):
        window.send(b"G1 X%d Y100 E5" % number, number)
    for second in range(1, 60):
        window.data_to_send(float(second))
    assert window.data_to_send(60.0) == b""
    window.receive(b"T:200.0 /200.0\n", 60.5)
    asked = b"".join(window.data_to_send(60.5 + second) for second in range(1, 9))
    assert b"N0*126\n" in asked
    assert len(asked) <= 40


def test_a_printer_that_talks_and_takes_nothing_is_asked_seldom_for_as_long_as_it_lasts() -> None:
    window = Window(103)
    answered(window)
    for number in range(8):
        window.send(b"G1 X%d Y100 E5" % number, number)
    asked = 0
    for second in range(1, 600):
        window.receive(b"T:200.0 /200.0\n", float(second))
        asked += window.data_to_send(second + 0.5).count(b"N0*126\n")
    assert 18 <= asked <= 24


def test_urgent_lines_go_ahead_of_what_is_queued_and_into_the_room_kept_free() -> None:
    window = Window(103, ahead_s=1.0)
    answered(window)
    for number in range(4):
        window.send(b"G1 X%d" % number, number, 0.9)
    first = window.data_to_send(0.0)
    assert first.count(b"\n") == 1  # more would be more than a second of motion
    window.urgent(b"M104 S0", "off")
    window.urgent(b"M140 S0", "off")
    assert [line.split(b" ", 1)[1].split(b"*")[0] for line in window.data_to_send(0.1).splitlines()] == [
        b"M104 S0",
        b"M140 S0",
    ]
    assert window.drop_pending() == [1, 2, 3]


def test_motion_ahead_is_bounded_but_one_long_block_may_go_alone() -> None:
    window = Window(103, ahead_s=4.0)
    answered(window)
    window.send(b"G1 X200 F60", "long", 200.0)
    window.send(b"G1 X0 F60", "next", 200.0)
    assert window.data_to_send(0.0).count(b"\n") == 1
    window.receive(b"ok\n", 1.0)
    assert window.data_to_send(1.0).count(b"\n") == 1


def test_what_comes_after_a_restart_settles_nothing() -> None:
    window = Window(96)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    events = window.receive(b"start\nok\nok N2 P15 B3\nResend: 1\nT:20.0 /0.0\n", 0.1)
    assert [type(event) for event in events] == [Broken, Report]
    window.greet()
    assert window.data_to_send(0.2).startswith(b"N0 M110 N0")


def test_a_line_end_that_never_comes_breaks_the_conversation() -> None:
    """Fault S8: a megabyte without a line end."""
    window = Window(96)
    answered(window)
    events: list[object] = []
    for _ in range(1024):
        events += window.receive(b"x" * 1024, 0.0)
    assert isinstance(events[0], Broken)
    assert not events[0].restarted


def test_one_refusal_of_every_line_in_flight_is_one_recovery() -> None:
    """Fault S5: ten refusals, each with its `ok`, while five lines are out."""
    window = Window(103)
    answered(window)
    for number in range(4):
        window.send(b"G1 X%d" % number, number)
    window.data_to_send(0.0)
    for moment in range(10):
        assert not [e for e in window.receive(b"Resend: 2\nok\n", 0.01 * moment) if isinstance(e, Acknowledged)]
        assert window.data_to_send(0.01 * moment) == b""
    again = window.data_to_send(0.09 + QUIET_S + 0.001)
    assert [line.split(b"*")[0] for line in again.splitlines()] == [b"N%d G1 X%d" % (n + 2, n) for n in range(4)]


def test_a_request_for_a_line_long_gone_is_asked_about_once_and_then_loud() -> None:
    """Fault S6: a damaged digit looks the same, so one probe; twice the same is no common ground."""
    window = Window(96)
    answered(window)
    window.send(b"G1 X1", "first")
    window.data_to_send(0.0)
    assert window.receive(b"Resend: 4711\nok\n", 0.1) == []
    assert b"M105" in window.data_to_send(0.2)
    (event,) = [e for e in window.receive(b"Resend: 4711\nok\n", 0.3) if isinstance(e, Broken)]
    assert "4711" in event.reason
    assert not event.restarted


@pytest.mark.parametrize("state", LinkState)
@pytest.mark.parametrize("what", LinkInput)
def test_every_state_and_input_is_legal_or_one_named_error(state: LinkState, what: LinkInput) -> None:
    if (state, what) not in TABLE:
        with pytest.raises(OurError, match=f"{what.value} in state {state.value}"):
            after(state, what)
        return
    follows = after(state, what)
    assert (state is not LinkState.BROKEN) or what is LinkInput.GREETED or follows is LinkState.BROKEN


def test_a_line_that_two_answers_show_as_taken_is_never_given_again() -> None:
    """Else a printer that began anew, its banner and its identity lost, would carry out the whole history twice."""
    window = Window(0)
    window.greet()
    for number in range(6):
        window.send(b"G1 X%d" % number, number)
        window.data_to_send(0.0)
        window.receive(b"ok N%d P15 B3\n" % number, 0.0)
    assert window.data_to_send(0.0) != b""
    first = window.receive(b"Resend: 1\nok\n", 0.1)
    again = window.data_to_send(0.2)
    second = window.receive(b"Resend: 1\nok\n", 0.3)
    assert first == []
    assert b"X0" not in again
    assert [event.restarted for event in second if isinstance(event, Broken)] == [True]
