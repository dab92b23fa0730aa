"""The conversation of `identify`, in memory: what a device says, what is written to it, what is made of it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from banderole.bench import Manners, MemoryPort
from banderole.bench.heater import HeaterBuild
from banderole.cli import inquiry
from banderole.cli.inquiry import Inquiry, NoPrinter
from banderole.cli.manner import Manner
from banderole.cli.ports import lines_of
from banderole.rehearsal.virtual_time import VirtualLoop, run_virtually
from banderole_protocol import parse

WHO = b"FIRMWARE_NAME:Plain 1.0 MACHINE_TYPE:bench\nCap:AUTOREPORT_TEMP:1\nCap:EMERGENCY_PARSER:0\nok\n"
READING = b"ok T:25.0 /0.0 B:24.5 /0.0 @:0 B@:0\n"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("BANNER_S", "AGAIN_S", "ANSWER_WITHIN_S", "TICK_S"):
        monkeypatch.setattr(inquiry, name, getattr(inquiry, name) / 100)


class Device:
    """Answers each line by what `answer` makes of it; `first` is said when the port is opened."""

    def __init__(self, answer: Callable[[str], bytes], first: bytes = b"") -> None:
        self.heard: list[str] = []
        self.closed = False
        self._answer = answer
        self._first = first

    def open(self, receiver: Callable[[bytes], None]) -> None:
        self._receiver = receiver
        if self._first:
            receiver(self._first)

    def write(self, data: bytes) -> None:
        for line in data.decode().splitlines():
            self.heard.append(line.partition("*")[0])
            if answer := self._answer(line.partition("*")[0]):
                self._receiver(answer)

    def unplug(self) -> bytes:
        self._receiver(b"")
        return b""

    def close(self) -> None:
        self.closed = True


REFUSAL = b"Error:line number out of turn, Last Line: 2\nResend: 3\nok\n"


def sound(line: str) -> bytes:
    if line == "N0":
        return REFUSAL
    return {"M110 N0": b"ok\n", "M115": WHO, "M105": READING}[line.split(" ", 1)[1]]


async def test_a_sound_printer() -> None:
    device = Device(sound)
    said = await Inquiry(device, "port").ask()
    assert device.heard == ["N0 M110 N0", "N1 M115", "N2 M105", "N0"]
    assert said.as_json() == {
        "identity": {"FIRMWARE_NAME": "Plain 1.0", "MACHINE_TYPE": "bench"},
        "capabilities": {"AUTOREPORT_TEMP": True, "EMERGENCY_PARSER": False},
        "reads": True,
        "measured": {"nozzle": 25.0, "bed": 24.5},
        "restarted": False,
        "manner": {
            "line_end": "LF",
            "ok_has_number": False,
            "temperatures_on_ok": True,
            "whole_degrees": None,
            "power_shown": True,
            "tools": 1,
            "complains": True,
            "asks_again": "Resend",
            "ok_behind_asking": True,
        },
    }
    assert device.closed


async def test_a_board_that_restarts_is_greeted_after_its_banner_and_told_of() -> None:
    said = await Inquiry(Device(sound, first=b"start\nhello\n"), "port").ask()
    assert said.restarted
    assert said.identity


async def test_a_banner_in_the_middle_means_greeting_anew() -> None:
    answers = iter([b"", b"start\n"])
    device = Device(lambda line: next(answers, None) or sound(line))
    said = await Inquiry(device, "port").ask()
    assert said.restarted
    assert said.identity
    assert device.heard[-4:] == ["N0 M110 N0", "N1 M115", "N2 M105", "N0"]


async def test_a_restart_right_behind_the_answers_takes_them_back() -> None:
    answers = iter([b"ok\n", b"ok\nstart\n"])
    device = Device(lambda line: next(answers, None) or sound(line))
    assert (await Inquiry(device, "port").ask()).identity
    assert device.heard == ["N0 M110 N0", "N1 M115", "N0 M110 N0", "N1 M115", "N2 M105", "N0"]


async def test_one_that_does_not_say_who_it_is() -> None:
    said = await Inquiry(Device(lambda line: READING if "M105" in line else b"ok\n"), "port").ask()
    assert (said.identity, said.measured["nozzle"]) == ({}, 25.0)


async def test_identity_and_ok_on_one_line() -> None:
    said = await Inquiry(
        Device(lambda line: b"ok FIRMWARE_NAME:Plain 2.0\n" if "M115" in line else sound(line)), "port"
    ).ask()
    assert said.identity == {"FIRMWARE_NAME": "Plain 2.0"}


async def test_no_temperatures_is_an_answer_too() -> None:
    device = Device(lambda line: b"ok\n" if "M105" in line else sound(line))
    said = await Inquiry(device, "port").ask()
    assert said.as_json()["reads"] is False
    assert device.heard[2:] == ["N2 M105"] * inquiry.READING_TRIES


async def test_a_question_that_was_refused_is_put_under_the_number_that_is_wanted() -> None:
    device = Device(lambda line: b"Resend: 1\n" if line == "N2 M105" else sound(line))
    said = await Inquiry(device, "port").ask()
    assert said.measured
    assert device.heard[2:] == ["N2 M105", "N1 M105", "N0"]


@pytest.mark.parametrize(
    ("says", "said"),
    [(b"", "nothing answered"), (b"\xff\x00\xfe" * 20, "not as a printer does"), (b"x" * 3000, "not as a printer does"),
     (b"ok?\n", "not as a printer does ('ok?"), (b"start\n", "not as a printer does")],
    ids=["silent", "noise", "endless", "nearly", "restarting for ever"],
)  # fmt: skip
async def test_who_is_no_printer_is_asked_nothing_but_who_it_is(says: bytes, said: str) -> None:
    device = Device(lambda line: says)
    with pytest.raises(NoPrinter, match="port: ") as why:
        await Inquiry(device, "port").ask()
    assert said in str(why.value)
    assert str(why.value).isprintable()
    assert set(device.heard) == {"N0 M110 N0", "N1 M115"}
    assert len(device.heard) > 10, "each second again, up to 15 s"
    assert device.closed


async def test_unplugged_meanwhile() -> None:
    device = Device(lambda line: device.unplug())
    with pytest.raises(NoPrinter, match="unplugged"):
        await Inquiry(device, "port").ask()
    assert device.closed


MANNERS: list[tuple[Manners, dict[str, object]]] = [
    (
        Manners(),
        {"ok_has_number": False, "asks_again": "Resend", "ok_behind_asking": True, "line_end": "LF", "tools": 1},
    ),
    (Manners(advanced_ok=True, line_end="crlf"), {"ok_has_number": True, "line_end": "CRLF"}),
    (
        Manners(resend_form="rs ", resend_ok=False, line_end="cr"),
        {"asks_again": "rs", "ok_behind_asking": False, "line_end": "CR"},
    ),
    (Manners(readings_on_ok=False, power_shown=False), {"temperatures_on_ok": False, "power_shown": False}),
    (Manners(tools=2, resend_form="Resend:"), {"tools": 2, "asks_again": "Resend", "temperatures_on_ok": True}),
    (
        Manners(nozzle=HeaterBuild(resolution=1.0), bed=HeaterBuild(gain=120.0, tau=400.0, band=5.0, resolution=1.0)),
        {"whole_degrees": None},  # written as 25.0, which a fine sensor may be at by chance
    ),
    (
        Manners(boot_s=0.001, nozzle=HeaterBuild(ambient=24.6)),
        {"whole_degrees": False, "power_shown": True, "complains": True},
    ),
]


@pytest.mark.parametrize(("board", "shown"), MANNERS, ids=lambda one: "" if isinstance(one, dict) else None)
def test_the_manner_of_an_emulated_board_is_found_out(
    board: Manners, shown: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("BANNER_S", "AGAIN_S", "ANSWER_WITHIN_S", "TICK_S"):
        monkeypatch.setattr(inquiry, name, getattr(inquiry, name) * 100)  # as they are: the clock is virtual
    said = run_virtually(Inquiry(MemoryPort(board), "port").ask(), VirtualLoop())
    found = said.manner.as_json()
    assert {name: found[name] for name in shown} == shown
    assert "answers: " in "\n".join(lines_of(said))


def test_whole_degrees_show_where_they_are_written_so() -> None:
    manner = Manner()
    raw = b"ok T:201 /202 B:117 /120"  # a form of the public convention, from memory
    manner.heard(raw, parse(raw))
    assert manner.whole_degrees is True
    assert "in whole degrees" in manner.sentence()
