"""Events and statuses in words: every kind of the contract, whatever is missing, nothing that steers a terminal."""

from __future__ import annotations

import time
from typing import Any

import pytest
from banderole.cli.sentences import line_of, sentence_of, setpoints
from banderole.cli.status_lines import lines_of, time_left
from hypothesis import given
from hypothesis import strategies as some

from tests.support.pictures import CAUTION, TRIP, status

# As the contract lists them, and whether a person is told.
KINDS = {
    "run_started": True, "crossing_begun": True, "setpoint_confirmed": False, "settled": True, "settle_late": True,
    "crossing_ended": True, "band_entered": False, "position_audit": False, "file_setpoint_reasserted": True,
    "pre_wait": True, "hold_requested": True, "held": True, "hold_point": True, "resumed": True, "amended": True,
    "caution": True, "trip": True, "trip_reset": True, "link_resent": True, "link_lost": True, "printer_reset": True,
    "stopping": True, "aborting": True, "make_safe": True, "restored": False, "command_accepted": False,
    "command_refused": True, "run_ended": True, "lead_begun": True,
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_told_or_meant_not_to_be_even_with_nothing_in_it(kind: str) -> None:
    said = sentence_of({"kind": kind})
    assert (said is not None) is KINDS[kind]
    assert said != ""


@pytest.mark.parametrize(
    ("event", "said"),
    [
        (
            {"kind": "settled", "setpoints": {"nozzle": 236.0}, "predicted_s": 13.2, "taken_s": 14.08},
            "settled at nozzle 236 °C after 14 s, 13 s expected",
        ),
        ({"kind": "settled", "setpoints": {"bed": 60}, "taken_s": 9.0}, "settled at bed 60 °C after 9 s"),
        (
            {"kind": "crossing_ended", "band": 3, "setpoints": {"nozzle": 236, "flow": 95},
                "proof": {"nozzle": "reported", "flow": "answered"}},
            "band 3 begins: nozzle 236 °C, flow 95 % (proof: answered, reported)",
        ),
        ({"kind": "crossing_ended", "band": 1, "setpoints": {}}, "band 1 begins: the file's own setpoints"),
        ({"kind": "position_audit", "line": 9, "off_mm": 0.004}, None),
        ({"kind": "position_audit", "line": 9, "off_mm": 0.31}, "position: 0.31 mm from where the file says, at line 9"),
        ({"kind": "link_resent", "lines": 1}, "the printer asked for a line again"),
        ({"kind": "link_resent", "lines": 4}, "the printer asked for 4 lines again"),
        ({"kind": "hold_requested", "hold_at": "band:4"}, "hold asked for: before band 4"),
        ({"kind": "make_safe", "proven": False}, "heat is NOT proven off: switch the printer off at the mains"),
        ({"kind": "make_safe", "proven": True}, "heat is off, and was seen to be"),
        ({"kind": "make_safe"}, "heat is NOT proven off: switch the printer off at the mains"),
        ({"kind": "run_ended", "state": "Aborted", "reason": "abort by a person"}, "aborted: abort by a person"),
        ({"kind": "something of next year"}, None),
    ],
)  # fmt: skip
def test_what_is_said(event: dict[str, Any], said: str | None) -> None:
    assert sentence_of(event) == said


def test_a_line_begins_with_the_time_of_day_where_it_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Test-05:30")  # POSIX tells the zone by what is to be added to get to UTC
    time.tzset()
    try:
        assert line_of({"kind": "resumed", "at": "2026-11-25T08:16:12.345Z"}) == "13:46:12 back at the part"
    finally:
        monkeypatch.undo()
        time.tzset()
    assert line_of({"kind": "resumed", "at": "gibberish"}) == "back at the part"
    assert line_of({"kind": "resumed"}) == "back at the part"
    assert line_of({"kind": "band_entered", "at": "2026-11-25T08:16:12.345Z"}) is None


def test_setpoints_have_their_units() -> None:
    assert (
        setpoints({"nozzle": 240.0, "advance": 0.05, "retract": 0.8}) == "nozzle 240 °C, advance 0.05 s, retract 0.8 mm"
    )
    assert setpoints({"nozzle": 240.0, "fan": 30}, leading=False) == "240 °C, fan 30 %"
    assert setpoints({"nozzle": None}) == "nozzle – °C"


@given(
    some.sampled_from(sorted(KINDS)),
    some.dictionaries(
        some.sampled_from(
            [
                "file",
                "printer",
                "identity",
                "band",
                "line",
                "z",
                "setpoints",
                "proof",
                "predicted_s",
                "taken_s",
                "off_mm",
                "channel",
                "value",
                "file_value",
                "note",
                "reason",
                "text",
                "alarm",
                "values",
                "rung",
                "lines",
                "hold_at",
            ]
        ),
        some.none() | some.booleans() | some.floats() | some.text() | some.dictionaries(some.text(), some.text()),
    ),
)
def test_whatever_stands_in_an_event_the_sentence_is_one_safe_line(kind: str, fields: dict[str, Any]) -> None:
    said = sentence_of({"kind": kind, **fields})
    assert said is None or said.isprintable()


def test_a_status_in_lines() -> None:
    assert lines_of(status(hold="layer", alarms=[TRIP, CAUTION], heat_proven_off=True)) == [
        "bench-a: Running, laying down band 3",
        "tower.gcode: band 3 of 6, 20.4 mm, 41 %, about 21 min left",
        "nozzle 235.8 °C, set 236; bed 60.1 °C, set 60; flow 100 %",
        "hold asked for: layer",
        "TRIP heat_rise, the first cause: the nozzle rises too slowly (181.2, limit 190)",
        "caution mains: switch the printer off at the mains",
        "heat is off, and was seen to be",
    ]


def test_a_heater_that_is_set_to_nothing_is_off() -> None:
    assert "nozzle 35.0 °C, off" in lines_of(status(measured={"nozzle": 35.0}, setpoint={"nozzle": 0.0}))


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, ""), (0.0, ""), (41.2, "about 41 s left"), (600.0, "about 10 min left"),
        (9000.0, "about 2 h 30 min left"),
    ],
)  # fmt: skip
def test_time_left(seconds: float | None, said: str) -> None:
    assert time_left(seconds) == said
