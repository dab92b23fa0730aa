"""Wire vectors of replies, each fed whole, byte by byte, and with bytes trailing; and what must stay Unknown."""

from __future__ import annotations

import math
import time

import pytest
from banderole_protocol.replies import (
    OK,
    Banner,
    Busy,
    Capability,
    Fatal,
    Identity,
    LineSplitter,
    Note,
    Ok,
    Position,
    PowerScale,
    Problem,
    Readings,
    Refusal,
    Reply,
    Report,
    Resend,
    Sensor,
    Unknown,
    parse,
    parted,
)
from hypothesis import example, given, settings
from hypothesis import strategies as st

COLD = Sensor(20.3, 0.0)
VECTORS: list[tuple[bytes, Reply]] = [
    (b"ok", OK),
    (b"ok ", OK),
    (b"  ok\t", OK),
    (b"ok N12 P15 B3", Ok(12, 15, 3)),
    (b"ok P15 B3", Ok(None, 15, 3)),
    (b"ok N12", Ok(12)),
    (b"ok N0 P0 B0", Ok(0, 0, 0)),
    (b" ok B3  N12 P15 ", Ok(12, 15, 3)),
    (b"ok T:201 /202 B:117 /120", Ok(readings=Readings(Sensor(201.0, 202.0), Sensor(117.0, 120.0)))),
    (b"ok N4 P15 B3 T:201 /202", Ok(4, 15, 3, Readings(Sensor(201.0, 202.0)))),
    (b"ok T:93.2 B:22.9", Ok(readings=Readings(Sensor(93.2), Sensor(22.9)))),
    (b"ok C: X:9.2 Y:125.4 Z:3.7 E:1902.5", Ok(position=Position(9.2, 125.4, 3.7, 1902.5))),
    (
        b"ok T:93.2 B:22.9 C: X:9.2 Y:125.4 Z:3.7 E:1902.5",
        Ok(readings=Readings(Sensor(93.2), Sensor(22.9)), position=Position(9.2, 125.4, 3.7, 1902.5)),
    ),
    (
        b"ok T:20.3 /0.0 B:19.2 /0.0 T0:20.3 /0.0 T1:20.6 /0.0 @:0 B@:0",
        Ok(readings=Readings(Sensor(20.3, 0.0, 0), Sensor(19.2, 0.0, 0), (COLD, Sensor(20.6, 0.0)))),
    ),
    (
        b"ok FIRMWARE_NAME:Aster 2 PROTOCOL_VERSION:1.0",
        Ok(identity=Identity({"FIRMWARE_NAME": "Aster 2", "PROTOCOL_VERSION": "1.0"})),
    ),
    (
        b"T:210.0 /210.0 B:60.0 /60.0 @:64 B@:0",
        Report(Readings(Sensor(210.0, 210.0, 64), Sensor(60.0, 60.0, 0))),
    ),
    (b" T:210.0 /210.0 (no)", Unknown(b" T:210.0 /210.0 (no)")),
    (b"T:-400.0 /0.0", Report(Readings(Sensor(-400.0, 0.0)))),
    (b"T:-15.1", Report(Readings(Sensor(-15.1)))),
    (b"B:60 /60", Report(Readings(None, Sensor(60.0, 60.0)))),
    (
        b"T0:20.3 /0.0 T1:99.5 /100 @0:0 @1:255 C:31.5 /40",
        Report(
            Readings(
                Sensor(20.3, 0.0, 0),
                None,
                (Sensor(20.3, 0.0, 0), Sensor(99.5, 100.0, 255)),
                Sensor(31.5, 40.0),
            )
        ),
    ),
    (b"T:205.3 E:0 W:9", Report(Readings(Sensor(205.3), waiting=True))),
    (b"T:205.3 E:0 W:?", Report(Readings(Sensor(205.3), waiting=True))),
    (b"T:205.3 W:?", Report(Readings(Sensor(205.3), waiting=True))),
    (b"T:205 /210 B:60 /60 @:127 B@:0 W:3", Report(Readings(Sensor(205, 210, 127), Sensor(60, 60, 0), waiting=True))),
    (b"rs 12", Resend(12)),
    (b"rs N12", Resend(12)),
    (b"Resend:205", Resend(205)),
    (b"Resend: 12", Resend(12)),
    (b"Resend: 8 ", Resend(8)),
    (
        b"Error: Line Number is not current line + 1. Last Line: 7",
        Refusal("Line Number is not current line + 1. Last Line: 7", 7),
    ),
    (
        b"Error:No Checksum with line number, Last Line: 11",
        Refusal("No Checksum with line number, Last Line: 11", 11),
    ),
    (b"Error:checksum mismatch", Refusal("checksum mismatch", None)),
    (b"!!", Fatal("!!")),
    (b"!! heater out of hand", Fatal("!! heater out of hand")),
    (b"Error:Printer halted", Fatal("Printer halted")),
    (b"Error: everything killed", Fatal("everything killed")),
    (b"Error:Heating failed, bed", Fatal("Heating failed, bed")),
    (b"Error:MAXTEMP at nozzle", Fatal("MAXTEMP at nozzle")),
    (b"error: minimum temperature", Fatal("minimum temperature")),
    (b"Error:Thermal failure", Fatal("Thermal failure")),
    (b"Error: no such axis", Problem("no such axis")),
    (b"echo:busy: processing", Busy("processing")),
    (b"busy: processing", Busy("processing")),
    (b"echo:busy: paused for user", Busy("paused for user")),
    (b"busy:paused for user", Busy("paused for user")),
    (b"start", Banner("start")),
    (b"// anything: ok", Note("// anything: ok")),
    (b"echo:Unknown word", Note("echo:Unknown word")),
    (b"FR:100%", Note("FR:100%")),
    (b"E0 Flow: 95%", Note("E0 Flow: 95%")),
    (b"Advance K=0.05", Note("Advance K=0.05")),
    (b"M207 S3.00 F1500", Note("M207 S3.00 F1500")),
    (b"X:1.00 Y:2.00 Z:0.30 E:4.00 Count X:80 Y:160 Z:120", Position(1.0, 2.0, 0.3, 4.0)),
    (b"X:-1.00 Y:2.00 Z:0.30", Position(-1.0, 2.0, 0.3)),
    (b"X:1.00Y:2.00Z:0.30E:4.00 Count X: 1.0", Position(1.0, 2.0, 0.3, 4.0)),
    (b"C: X:9.2 Y:125.4 Z:3.7 E:1902.5", Position(9.2, 125.4, 3.7, 1902.5)),
    (
        b"FIRMWARE_NAME:Aster 2.1 (May) SOURCE_URL:example.org/a:b MACHINE_TYPE:Bench A",
        Identity(
            {"FIRMWARE_NAME": "Aster 2.1 (May)", "SOURCE_URL": "example.org/a:b", "MACHINE_TYPE": "Bench A"},
        ),
    ),
    (b"Cap:EMERGENCY_PARSER:1", Capability("EMERGENCY_PARSER", True)),
    (b"Cap:AUTOREPORT_TEMP:0", Capability("AUTOREPORT_TEMP", False)),
]

DAMAGED = [
    b"oj", b"o", b"okk", b"okok", b"ok ok", b"OK", b"ok N1x", b"ok N", b"ok N1 N2", b"ok nothing known",
    b"ok N12 P15 B", b"ok 12", b"ok T:2x1 /202", b"ok T:201 /", b"ok X:1 Y:2", b"ok C: X:9.2 Y:125.4 Z:3..7",
    b"Resend: 1z", b"Resend:", b"Resend: -1", b"Resend: 1 2", b"Resemd: 12", b"rs", b"rsx12", b"rs N", b"rs12",
    b"Resend: 12345678901", b"Resend: 12 ok",
    b"T:2x5.0 /210", b"T:205.0 /21o", b"T:205.0 /210.0 B:6-0", b"T:205.0/210.0B:60", b"T:", b"T", b"T:1.2.3", b"T:--5",
    b"T:20 T:21", b"T:20 @:1 @:2", b"T:20 W:1 W:?", b"T0:20 T2:20", b"T1:20", b"@:64", b"W:?", b"C:31.5", b"A:31.5",
    b"T:205.3 E:0 W:x", b"T:210 /210 @:6x", b"T:20;B:30", b"T:1e3", b"T:\xb2",
    b"Error: Line Number is not current line + 1. Last Line: 1z", b"Error", b"Errar: thing",
    b"echo_busy: processing", b"busy: pro\x00cessing", b"busy:", b"start!", b"sta\x00rt", b"starting",
    b"Cap:EMERGENCY_PARSER:2", b"Cap:EMERGENCY_PARSER", b"Cap:emergency:1", b"FIRMWARE_NAME", b"FIRMWARF_NAME:x",
    b"FR:1o0%", b"FR:100", b"X:1 Y:2", b"X:1 Y:2 Z:", b"X:1 Y:2 Z:3 F:4", b"", b" ", b"\x00", b"\xff\xfe",
]  # fmt: skip


@pytest.mark.parametrize(("line", "reply"), VECTORS)
def test_a_vector_fed_whole(line: bytes, reply: Reply) -> None:
    assert parse(line) == reply
    assert parse(line + b"\r") == (reply if not isinstance(reply, Unknown) else Unknown(line + b"\r"))


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
@pytest.mark.parametrize(("line", "reply"), VECTORS)
def test_a_vector_fed_byte_by_byte(line: bytes, reply: Reply, end: bytes) -> None:
    splitter = LineSplitter()
    heard: list[Reply] = []
    for value in line + end:
        heard += map(parse, splitter.feed(bytes([value])))
    assert heard == [reply]


@pytest.mark.parametrize(("line", "reply"), VECTORS)
def test_a_vector_with_bytes_trailing(line: bytes, reply: Reply) -> None:
    splitter = LineSplitter()
    assert [parse(found) for found in splitter.feed(line + b"\r\nok N1")] == [reply]
    assert [parse(found) for found in splitter.feed(b"3\n")] == [Ok(13)]


@pytest.mark.parametrize("line", DAMAGED)
def test_a_damaged_line_is_kept_whole_and_not_understood(line: bytes) -> None:
    assert parse(line) == Unknown(line)


def test_a_plain_ok_costs_no_object() -> None:
    assert parse(b"ok") is OK
    assert parse(b" ok ") is OK


@pytest.mark.parametrize("line", [b"ok", b"start", b"!!"])
def test_no_single_bit_flip_of_a_short_reply_is_taken_for_it(line: bytes) -> None:
    for at in range(len(line)):
        for bit in range(8):
            flipped = bytearray(line)
            flipped[at] ^= 1 << bit
            assert type(parse(bytes(flipped))) is not type(parse(line))


def test_two_resends_run_together_are_no_resend() -> None:
    assert parse(b"Resend: 12Resend: 12") == Unknown(b"Resend: 12Resend: 12")


@pytest.mark.parametrize("text", [b"nan", b"NAN", b"NaN", b"-nan"])
def test_a_reading_that_is_no_number_reaches_the_interlocks(text: bytes) -> None:
    reply = parse(b"T:" + text + b" /210.0 B:60.0 /60.0")
    assert isinstance(reply, Report)
    assert reply.readings.nozzle is not None
    assert math.isnan(reply.readings.nozzle.measured)
    assert reply.readings.nozzle.target == 210.0


def test_an_infinite_reading_comes_out_as_it_is() -> None:
    reply = parse(b"T:inf B:-inf")
    assert reply == Report(Readings(Sensor(math.inf), Sensor(-math.inf)))


def test_what_a_printer_says_cannot_steer_a_terminal() -> None:
    assert parse(b"echo:\x1b[2Jgone\x07") == Note("echo:?[2Jgone?")
    assert parse(b"!!\x1b]0;x") == Fatal("!!?]0;x")


@settings(deadline=None)
@given(st.binary(max_size=200))
@example(b"ok N99999999999999999999999999")
@example(b"T:" + b"9" * 5000)
def test_parse_never_raises_on_any_bytes(line: bytes) -> None:
    assert parse(line) is not None


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_parse_never_raises_on_a_mangled_vector(data: st.DataObject) -> None:
    line, _ = data.draw(st.sampled_from(VECTORS))
    at = data.draw(st.integers(0, len(line)))
    cut = data.draw(st.integers(0, 3))
    mangled = line[:at] + data.draw(st.binary(max_size=3)) + line[at + cut :]
    reply = parse(mangled)
    assert not isinstance(reply, Unknown) or reply.raw == mangled


@pytest.mark.parametrize("unit", [b" ", b"C: ", b"T:1 ", b"ok ", b"A_B: ", b"E0 ", b"X: ", b"Last Line: ", b"M207 F1 "])
@pytest.mark.parametrize("head", [b"", b"ok ", b"T:1", b"Error:", b"FIRMWARE_NAME:", b"M221 ", b"X:1"])
def test_the_longest_line_of_anything_is_read_in_no_time(head: bytes, unit: bytes) -> None:
    """4096 bytes, the splitter's limit; a pattern that tries every way to split blanks would take seconds."""
    line = (head + unit * 4096)[:4095] + b"\x01"
    begun = time.process_time()
    parse(line)
    assert time.process_time() - begun < 0.2


def test_power_is_a_fraction_of_127_until_more_is_seen() -> None:
    assert Sensor(20.0, 0.0, 127).power == 1.0
    assert Sensor(20.0, 0.0, 255).power == 1.0
    assert Sensor(20.0, 0.0, 0).power == 0.0
    assert Sensor(20.0).power is None
    scale = PowerScale()
    assert scale.fraction(64) == pytest.approx(64 / 127)
    assert scale.fraction(255) == 1.0
    assert scale.fraction(64) == pytest.approx(64 / 255)
    assert scale.fraction(999) == 1.0


def test_a_line_end_that_is_damaged_or_lost_parts_two_replies() -> None:
    """A reply must not take the next one with it: a temperature request's answer is what a silence is ended by."""
    answer = b"ok T:201.0 /210.0 B:60.0 /60.0"
    for bit in range(8):
        end = bytes((0x0A ^ (1 << bit),))
        assert parted(b"ok" + end + answer) == (Ok(), parse(answer)), end
    assert parted(b"okok") == (Ok(), Ok())
    assert parted(b"ok" + answer) == (Ok(), parse(answer))
    assert parted(answer + b"ok") == (parse(answer), Ok())
    assert parted(answer + b"0k") is None
    assert parted(b"ok\x0bok") == (Ok(), Ok())
    assert parted(b"oc\x0b" + answer) is None  # the first is none either: it stays one line that is not understood
    assert parted(b"echo:unknown command J") is None


def test_a_complaint_names_the_last_line_with_and_without_a_colon() -> None:
    for form in (b"Error: not the next number, last line 7", b"Error:checksum mismatch, Last Line: 7"):
        assert parse(form) == Refusal(form.split(b":", 1)[1].strip().decode(), 7)


@pytest.mark.parametrize(
    ("text", "held_back"),
    [
        ("echo:nozzle too cold, filament held back", True),
        ("echo: Cold extrusion prevented", True),
        ("echo:Extrude prevented, hotend cold", True),
        ("echo:bed is cold", False),
        ("echo:Extrusion scaled, scold nobody", False),
        ("// filament loaded", False),
    ],
)
def test_that_filament_was_held_back_is_known_by_its_words(text: str, held_back: bool) -> None:
    note = parse(text.encode())
    assert isinstance(note, Note)
    assert note.held_back is held_back
