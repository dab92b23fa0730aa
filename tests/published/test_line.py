"""Lines and replies as published.

Sources: public RepRap wiki, page "G-code" (as of 2012 and quotations of it) and public terminal logs. What is marked
"computed" follows from the wiki's rule; what is marked "from memory" was confirmed nowhere.
"""

from __future__ import annotations

import pytest
from banderole_protocol.channels import setpoint_block
from banderole_protocol.framing import checksum, frame, unframe
from banderole_protocol.readings import Position
from banderole_protocol.replies import (
    Banner,
    Busy,
    Capability,
    Fatal,
    Identity,
    LineSplitter,
    Note,
    Ok,
    Refusal,
    Report,
    Resend,
    parse,
)

WIKI = [
    b"N3 T0*57",
    b"N4 G92 E0*67",
    b"N5 G28*22",
    b"N6 G1 F1500.0*82",
    b"N7 G1 X2.0 Y2.0 F3000.0*85",
    b"N8 G1 X3.0 Y3.0*33",
]
LOGS = [
    b"N65048 G1 X136.689 Y160.389 E6563.257*93",
    b"N65066 G1 X120.855 Y154.43 E6566.422*106",
    b"N201 G1 X88.28 Y111.20 E2.1025 F600.00 *50",
]
COMPUTED = [b"N0 M110 N0*125", b"N1 M110*34", b"N1 M105*38"]


@pytest.mark.parametrize("line", WIKI + LOGS + COMPUTED)
def test_worked_examples_both_ways(line: bytes) -> None:
    number, block = unframe(line)
    assert number is not None
    assert frame(number, block) == line + b"\n"


def test_the_blank_before_the_asterisk_counts() -> None:
    """Public terminal log; the other value is computed."""
    assert checksum(b"N201 G1 X88.28 Y111.20 E2.1025 F600.00 ") == 50
    assert checksum(b"N201 G1 X88.28 Y111.20 E2.1025 F600.00") == 18


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ((b"N7 M104 S210", b"N7 M104 S120", b"N7 M104 S201"), 97),
        ((b"N5 G1 X10 Y20", b"N5 G1 X30 Y00"), 47),
        ((b"N5 G1 X100 Y20", b"N5 G1 X1 Y20"), 31),
    ],
)
def test_blind_spots(lines: tuple[bytes, ...], told: int) -> None:
    """Computed: order and equal pairs are invisible, so a setpoint is confirmed by what is read back, never by `ok`."""
    assert {checksum(line) for line in lines} == {told}


def test_two_spellings_of_a_setpoint_have_two_checksums() -> None:
    """Computed: what is invisible in one spelling is not the same damage in the other."""
    for value in (180.0, 201.0, 210.0, 240.5):
        sums = {checksum(b"N7 " + setpoint_block("nozzle", value, spelling)) for spelling in (0, 1)}
        assert len(sums) == 2


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_any_line_end(end: bytes) -> None:
    """RepRap wiki: any of CR, LF, CRLF ends a line."""
    assert LineSplitter().feed(b"ok" + end + b"start" + end) == [b"ok", b"start"]


def test_replies_of_the_wiki() -> None:
    ok = parse(b"ok T:93.2 B:22.9 C: X:9.2 Y:125.4 Z:3.7 E:1902.5")
    assert isinstance(ok, Ok)
    assert ok.readings is not None
    assert ok.readings.nozzle is not None
    assert ok.readings.bed is not None
    assert (ok.readings.nozzle.measured, ok.readings.bed.measured) == (93.2, 22.9)
    assert ok.position == Position(9.2, 125.4, 3.7, 1902.5)
    assert isinstance(parse(b"!!"), Fatal)
    assert parse(b"// some debugging info") == Note("// some debugging info")
    assert isinstance(parse(b"start"), Banner)


def test_a_missing_sensor_comes_as_it_was_read() -> None:
    """RepRap wiki: a missing sensor reads below -273."""
    report = parse(b"T:-274.0 B:22.9")
    assert isinstance(report, Report)
    assert report.readings.nozzle is not None
    assert report.readings.nozzle.measured == -274.0


@pytest.mark.parametrize(
    ("line", "wanted"), [(b"Resend: 8", 8), (b"Resend:205", 205), (b"Resend: 12", 12), (b"rs 12", 12)]
)
def test_forms_of_asking_again(line: bytes, wanted: int) -> None:
    """Public terminal logs; `rs` with a number is from memory."""
    assert parse(line) == Resend(wanted)


@pytest.mark.parametrize(
    ("line", "last"),
    [
        (b"Error: Line Number is not current line + 1. Last Line: 7", 7),
        (b"Error:No Checksum with line number, Last Line: 11", 11),
    ],
)
def test_complaints_about_a_line(line: bytes, last: int) -> None:
    """Public terminal logs."""
    refusal = parse(line)
    assert isinstance(refusal, Refusal)
    assert refusal.last_line == last


def test_forms_from_memory() -> None:
    """From memory: numbered `ok`, temperatures with targets and power, the form while waiting, busy, capabilities."""
    assert parse(b"ok N12 P15 B3") == Ok(12, 15, 3)
    ok = parse(b"ok T:201 /202 B:117 /120")
    assert isinstance(ok, Ok)
    assert ok.readings is not None
    assert ok.readings.nozzle is not None
    assert (ok.readings.nozzle.measured, ok.readings.nozzle.target) == (201.0, 202.0)
    report = parse(b"T:210.0 /210.0 B:60.0 /60.0 @:64 B@:0")
    assert isinstance(report, Report)
    assert report.readings.nozzle is not None
    assert report.readings.nozzle.power_raw == 64
    for waiting in (b"T:205.3 E:0 W:9", b"T:205.3 E:0 W:?"):
        report = parse(waiting)
        assert isinstance(report, Report)
        assert report.readings.waiting
    assert parse(b"echo:busy: processing") == Busy("processing")
    assert parse(b"echo:busy: paused for user") == Busy("paused for user")
    assert parse(b"Cap:EMERGENCY_PARSER:1") == Capability("EMERGENCY_PARSER", True)
    identity = parse(b"FIRMWARE_NAME:model 1.0 PROTOCOL_VERSION:1.0")
    assert identity == Identity({"FIRMWARE_NAME": "model 1.0", "PROTOCOL_VERSION": "1.0"})


def test_several_tools_on_one_line() -> None:
    """Public terminal log of a machine with two tools."""
    ok = parse(b"ok T:20.3 /0.0 B:19.2 /0.0 T0:20.3 /0.0 T1:20.6 /0.0 @:0 B@:0")
    assert isinstance(ok, Ok)
    assert ok.readings is not None
    assert [tool.measured for tool in ok.readings.tools] == [20.3, 20.6]
    assert all(tool.target == 0.0 for tool in ok.readings.tools)
