"""Setpoints to blocks, blocks to setpoints, answers to values."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from banderole_protocol.channels import CHANNELS, FileSetpoint, answer_of, is_answer, setpoint_block, setpoint_of
from banderole_protocol.errors import OurError
from banderole_protocol.framing import checksum, frame
from hypothesis import given
from hypothesis import strategies as st

Words = list[tuple[str, float | None]]

# The most that any printer could mean by each channel, in its unit; wider than every [limits] default.
RANGES = {"nozzle": 500, "bed": 200, "fan": 100, "flow": 300, "feed": 999, "advance": 10, "retract": 50}
SETTINGS = st.sampled_from(sorted(CHANNELS)).flatmap(
    lambda name: st.tuples(st.just(name), st.floats(0, RANGES[name], allow_nan=False))
)


def words_of(block: bytes) -> Words:
    """Words of a block of ours, read apart from the parser of the project."""
    return [(letter, float(number)) for letter, number in re.findall(r"([A-Z])([\d.]+)", block.decode())]


@pytest.mark.parametrize(
    ("channel", "value", "first", "second"),
    [
        ("nozzle", 240, b"M104 S240", b"M104 S240.0"),
        ("nozzle", 237.5, b"M104 S237.5", b"M104 S237.50"),
        ("nozzle", 0, b"M104 S0", b"M104 S0.0"),
        ("nozzle", 199.95, b"M104 S200", b"M104 S200.0"),
        ("bed", 60.0, b"M140 S60", b"M140 S60.0"),
        ("fan", 0, b"M106 S0", b"M106 S0.0"),
        ("fan", 30, b"M106 S77", b"M106 S77.0"),  # 76.5 goes up
        ("fan", 50, b"M106 S128", b"M106 S128.0"),
        ("fan", 100, b"M106 S255", b"M106 S255.0"),
        ("flow", 95, b"M221 S95", b"M221 S95.0"),
        ("feed", 100, b"M220 S100", b"M220 S100.0"),
        ("advance", 0.05, b"M900 K0.05", b"M900 K0.050"),
        ("advance", 0.00005, b"M900 K0.0001", b"M900 K0.00010"),
        ("advance", 1e-9, b"M900 K0", b"M900 K0.0"),
        ("retract", 0.8, b"M207 S0.8", b"M207 S0.80"),
        ("retract", 10.0, b"M207 S10", b"M207 S10.0"),
    ],
)
def test_setpoint_blocks(channel: str, value: float, first: bytes, second: bytes) -> None:
    assert setpoint_block(channel, value) == first
    assert setpoint_block(channel, value, spelling=1) == second


@given(SETTINGS)
def test_two_spellings_mean_the_same_number_under_two_checksums(setting: tuple[str, float]) -> None:
    one, other = (setpoint_block(*setting, spelling=s) for s in (0, 1))
    numbers = [Fraction(block.decode().split()[1][1:]) for block in (one, other)]
    assert numbers[0] == numbers[1]
    assert checksum(one) != checksum(other)


@given(SETTINGS, st.integers(0, 2_000_000))
def test_two_spellings_on_lines_that_follow_one_another_differ_too(setting: tuple[str, float], number: int) -> None:
    """The line number is under the checksum as well: the step to the next must not undo the difference."""
    one, other = (frame(number + s, setpoint_block(*setting, spelling=s)) for s in (0, 1))
    assert checksum(one.split(b" ", 1)[1].split(b"*")[0]) != checksum(other.split(b" ", 1)[1].split(b"*")[0])


@given(SETTINGS)
def test_what_is_sent_reads_back_within_the_finest_step(setting: tuple[str, float]) -> None:
    channel, value = setting
    read = setpoint_of(words_of(setpoint_block(channel, value)))
    assert read is not None
    assert (read.channel, read.waits, read.tool) == (channel, False, None)
    step = 100 / 255 if channel == "fan" else 10.0 ** -CHANNELS[channel].decimals
    assert abs(read.value - value) <= step / 2 + 1e-9


@pytest.mark.parametrize(
    ("channel", "value", "spelling"),
    [
        ("nozzle", float("nan"), 0),
        ("nozzle", float("inf"), 0),
        ("bed", -1.0, 0),
        ("fan", 100.5, 0),
        ("fan", 50, 2),
        ("extruder", 1, 0),
    ],
)
def test_a_setpoint_that_makes_no_sense_is_refused(channel: str, value: float, spelling: int) -> None:
    with pytest.raises(OurError, match=channel if channel == "extruder" else "cannot be set|no spelling"):
        setpoint_block(channel, value, spelling)


@pytest.mark.parametrize(
    ("words", "setpoint"),
    [
        ([("M", 104.0), ("S", 210.0)], FileSetpoint("nozzle", 210.0)),
        ([("M", 104.0), ("S", 210.0), ("T", 1.0)], FileSetpoint("nozzle", 210.0, tool=1)),
        ([("T", 0.0), ("S", 0.0), ("M", 104.0)], FileSetpoint("nozzle", 0.0, tool=0)),
        ([("M", 109.0), ("S", 210.0)], FileSetpoint("nozzle", 210.0, waits=True)),
        ([("M", 109.0), ("R", 180.0)], FileSetpoint("nozzle", 180.0, waits=True, both_ways=True)),
        ([("M", 140.0), ("S", 60.0)], FileSetpoint("bed", 60.0)),
        ([("M", 190.0), ("S", 60.0)], FileSetpoint("bed", 60.0, waits=True)),
        ([("M", 190.0), ("R", 40.0)], FileSetpoint("bed", 40.0, waits=True, both_ways=True)),
        ([("M", 106.0), ("S", 255.0)], FileSetpoint("fan", 100.0)),
        ([("M", 106.0), ("S", 51.0)], FileSetpoint("fan", 20.0)),
        ([("M", 106.0), ("S", 300.0)], FileSetpoint("fan", 100.0)),
        ([("M", 106.0)], FileSetpoint("fan", 100.0)),
        ([("M", 106.0), ("P", 0.0), ("S", 0.0)], FileSetpoint("fan", 0.0)),
        ([("M", 107.0)], FileSetpoint("fan", 0.0)),
        ([("M", 220.0), ("S", 90.0)], FileSetpoint("feed", 90.0)),
        ([("M", 221.0), ("S", 95.0), ("T", 1.0)], FileSetpoint("flow", 95.0, tool=1)),
        ([("M", 900.0), ("K", 0.05)], FileSetpoint("advance", 0.05)),
        ([("M", 207.0), ("S", 3.0), ("F", 1500.0)], FileSetpoint("retract", 3.0)),
        ([("M", 106.0), ("P", 1.0), ("S", 255.0)], None),
        ([("M", 107.0), ("P", 2.0)], None),
        ([("M", 104.0)], None),
        ([("M", 104.0), ("S", None)], None),
        ([("M", 104.0), ("R", 210.0)], None),
        ([("M", 109.0)], None),
        ([("M", 220.0)], None),
        ([("M", 104.5), ("S", 210.0)], None),
        ([("M", 105.0)], None),
        ([("G", 104.0), ("S", 210.0)], None),
        ([("S", 210.0)], None),
        ([], None),
    ],
)
def test_setpoints_in_a_file(words: Words, setpoint: FileSetpoint | None) -> None:
    assert setpoint_of(words) == setpoint


@pytest.mark.parametrize(
    ("channel", "text", "value"),
    [
        ("feed", "FR:100%", 100.0),
        ("feed", "echo:FR: 85.5%", 85.5),
        ("feed", "Feedrate: 120 %", 120.0),
        ("feed", "M220 S90", 90.0),
        ("flow", "Flow: 95%", 95.0),
        ("flow", "E0 Flow: 95%", 95.0),
        ("flow", "echo: M221 T0 S97.5", 97.5),
        ("advance", "Advance K=0.05", 0.05),
        ("advance", "echo:  M900 T0 K0.0450", 0.045),
        ("advance", "K: 1.2", 1.2),
        ("retract", "M207 S3.00 F1500", 3.0),
        ("retract", "echo:  M207 S3.00 W0.00 F2700.00 Z0.20", 3.0),
        ("feed", "E0 Flow: 95%", None),
        ("flow", "FR:100%", None),
        ("flow", "E1 Flow: 95%", None),
        ("flow", "Flow: 9x%", None),
        ("flow", "Flow: 95", None),
        ("retract", 'echo:Unknown command: "M207 S3.00"', None),
        ("advance", "Advance K=", None),
        ("nozzle", "M104 S210", None),
        ("fan", "M106 S77", None),
        ("feed", "", None),
    ],
)
def test_answers(channel: str, text: str, value: float | None) -> None:
    assert answer_of(channel, text) == value
    if value is not None:
        assert is_answer(text)


def test_an_answer_of_no_channel_is_our_fault() -> None:
    with pytest.raises(OurError, match="there are nozzle"):
        answer_of("colour", "FR:100%")


@given(st.text(max_size=60))
def test_answers_are_read_from_any_text(text: str) -> None:
    assert is_answer(text) in (True, False)
    assert not is_answer(text + "\x00")


def test_the_channels_are_those_of_the_vocabulary() -> None:
    assert {c.name: (c.unit, c.code, c.letter) for c in CHANNELS.values()} == {
        "nozzle": ("°C", "M104", "S"),
        "bed": ("°C", "M140", "S"),
        "fan": ("%", "M106", "S"),
        "flow": ("%", "M221", "S"),
        "feed": ("%", "M220", "S"),
        "advance": ("s", "M900", "K"),
        "retract": ("mm", "M207", "S"),
    }
    assert [c.name for c in CHANNELS.values() if c.thermal] == ["nozzle", "bed"]
    assert [c.name for c in CHANNELS.values() if c.needs_filament_forward] == ["flow", "retract"]
    assert all(c.query is None or c.query.decode() == c.code for c in CHANNELS.values())
