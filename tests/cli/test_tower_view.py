"""The tower on a screen: at every size whole, top band on top, and readable without colour."""

from __future__ import annotations

import io
from typing import Any

import pytest
from banderole.cli.tower_view import as_run_table, tower
from rich.cells import cell_len
from rich.console import Console

from tests.support.pictures import CAUTION, EVENTS, TRIP, bands, status


def drawn(
    now: dict[str, Any], column: list[dict[str, Any]], width: int, height: int, ascii_only: bool = False
) -> list[str]:
    console = Console(file=(out := io.StringIO()), width=width, height=height, color_system=None)
    console.print(tower(now, column, EVENTS, width, height, ascii_only))
    return out.getvalue().rstrip("\n").split("\n")


def row_of(lines: list[str], band: int, setpoint: int) -> int:
    found = [at for at, line in enumerate(lines) if f"{band}  " in line.replace("!", " ") and f" {setpoint} °C" in line]
    assert len(found) == 1, lines
    return found[0]


def test_the_bands_stand_as_on_the_bed_with_what_they_got() -> None:
    lines = drawn(status(), bands(), 80, 23)
    assert [row_of(lines, n, 254 - 6 * n) for n in range(1, 7)] == sorted(
        (row_of(lines, n, 254 - 6 * n) for n in range(1, 7)), reverse=True
    )
    second = lines[row_of(lines, 2, 242)]
    assert "241.9" in second
    assert "93 %" in second
    assert "241.0 to 242.8" in second
    assert "2!" in second
    assert "! band 2: not settled within 240 s" in lines
    assert "ahead" in lines[row_of(lines, 6, 218)]


def test_measured_beside_setpoint_the_sentence_and_what_is_left() -> None:
    lines = drawn(status(), bands(), 80, 23)
    assert lines[0].startswith("bench-a  tower.gcode  Harbour grey PETG, spool 7")
    assert lines[0].endswith("Running")
    assert lines[1] == "laying down band 3"
    assert lines[2] == "nozzle 235.8 °C, set 236; bed 60.1 °C, set 60; flow 100 %"
    assert any("41 %, about 21 min left" in line for line in lines)
    assert EVENTS[-1] in lines


@pytest.mark.parametrize(("height", "rows"), [(16.2, 0), (20.0, 2), (23.6, 3)], ids=["begun", "half", "nearly"])
def test_the_column_is_filled_as_far_as_it_is_laid_down(height: float, rows: int) -> None:
    lines = drawn(status(height=height), bands(), 80, 40)
    filled = [line for line in lines if set(line) & set("█▓▁▂▃▄▅▆▇")]
    assert len(filled) == 6 + rows  # three rows a band at this height; two bands are done


def test_the_band_in_work_stands_beside_the_nozzle_with_no_colour() -> None:
    lines = drawn(status(), bands(), 80, 23)
    assert [line for line in lines if "◂" in line] == [lines[row_of(lines, 3, 236)]]


def test_settling_is_told_at_the_band_that_is_entered() -> None:
    column = bands(at=3)
    column[2]["state"] = "done"
    lines = drawn(
        status(phase="settling", doing="settling 230 °C, about 14 s", band=4, height=23.7, hold="band:5"),
        column,
        80,
        23,
    )
    assert lines[1] == "settling 230 °C, about 14 s; hold asked for: band:5"
    fourth = lines[row_of(lines, 4, 230)]
    assert "settling" in fourth
    assert "◂" in fourth


def test_a_trip_is_said_in_words_the_first_cause_first() -> None:
    lines = drawn(status(state="Aborting", alarms=[CAUTION, TRIP], heat_proven_off=False), bands(), 80, 23)
    trip = lines.index("TRIP heat_rise, the first cause: the nozzle rises too slowly (181.2, limit 190)")
    assert lines[trip + 1] == "caution mains: switch the printer off at the mains"
    assert "heat is NOT proven off: switch the printer off at the mains" in lines


def test_many_alarms_leave_the_first_and_the_newest() -> None:
    alarms = [TRIP, *({**CAUTION, "alarm": f"c{number}"} for number in range(9))]
    lines = drawn(status(alarms=alarms), bands(), 80, 23)
    assert [line.split()[1].rstrip(":,") for line in lines if line.startswith(("TRIP", "caution"))] == [
        "heat_rise",
        "c7",
        "c8",
    ]
    assert "and 7 more: banderole status" in lines


@pytest.mark.parametrize("width", [24, 40, 60, 80, 132, 200])
@pytest.mark.parametrize("height", [10, 19, 23, 60])
@pytest.mark.parametrize("count", [1, 6, 40])
def test_it_fits_whatever_the_screen(width: int, height: int, count: int) -> None:
    for now in (status(), status(alarms=[TRIP, CAUTION], heat_proven_off=False, doing="x " * 200, title="长" * 60)):
        lines = drawn(now, bands(count, at=min(3, count), fan=30.0, flow=95.0), width, height)
        assert len(lines) <= height
        assert max(map(cell_len, lines)) <= width


def test_narrow_keeps_number_setpoint_and_mean() -> None:
    lines = drawn(status(), bands(), 40, 19)
    assert "241.9" in lines[row_of(lines, 2, 242)]
    assert "settled at nozzle 236 °C after 14 s, 13…" in lines


def test_a_long_word_does_not_take_the_means_with_it() -> None:
    column = bands(at=3)
    column[2]["state"] = "ahead"  # being entered
    lines = drawn(status(state="Aborting", phase="making safe", doing="turning the heat off"), column, 40, 19)
    assert "241.9" in lines[row_of(lines, 2, 242)]
    assert "making" in lines[row_of(lines, 3, 236)]


def test_too_many_bands_are_counted_and_the_one_in_work_stays_in_sight() -> None:
    lines = drawn(status(band=20), bands(40, at=20), 80, 23)
    column = [line for line in lines if line.count("│") == 2]
    shown = [n for n in range(1, 41) if any(f" {254 - 6 * n} °C" in line for line in column)]
    assert 20 in shown
    above = next(int(line.split()[0]) for line in lines if line.endswith("more above"))
    below = next(int(line.split()[0]) for line in lines if line.endswith("more below"))
    assert (above, below) == (40 - shown[-1], shown[0] - 1)
    assert len(shown) + above + below == 40


def test_without_unicode_the_column_is_drawn_in_ascii() -> None:
    lines = drawn(status(), bands(), 80, 23, ascii_only=True)
    rest = "".join(lines).replace("°", "")
    assert rest.isascii()
    assert any("######" in line for line in lines)


def test_nothing_from_elsewhere_steers_the_terminal() -> None:
    evil = "\x1b[2Jevil\r\n"
    column = bands(at=7)
    column[1]["cautions"] = [evil]
    now = status(file=evil, title=evil, doing=evil, hold=evil, alarms=[{**TRIP, "text": evil, "alarm": evil}])
    assert "\x1b" not in "".join(drawn(now, column, 80, 30))


def test_missing_figures_are_dashes_not_errors() -> None:
    lines = drawn({"state": "Idle", "doing": "idle", "measured": {"nozzle": None}}, [], 80, 23)
    assert any("nozzle – °C" in line for line in lines)
    column = [{"band": 1, "state": "at work", "setpoints": {}, "from_mm": 0.0, "to_mm": None}]
    assert any("the file's own" in line for line in drawn(status(band=1, height=None), column, 80, 23))


def test_a_share_is_never_rounded_up_to_all() -> None:
    lines = drawn(status(), bands(), 80, 23)
    assert "99 %" in lines[row_of(lines, 1, 248)]  # 99.86 % of the readings


def table(column: list[dict[str, Any]], width: int) -> list[str]:
    console = Console(file=(out := io.StringIO()), width=width, color_system=None)
    console.print(as_run_table(column))
    return [line.rstrip() for line in out.getvalue().rstrip("\n").split("\n")]


def test_the_table_has_the_lowest_band_last_and_every_figure() -> None:
    lines = table(bands(at=7), 80)
    assert lines[-2].split() == ["1", "0.0", "248", "°C", "247.9", "247.0", "248.8", "99", "%", "14.1", "13.0", "312"]
    assert lines[-1] == "! band 2: not settled within 240 s"
    assert [line.split()[0] for line in lines[3:9]] == ["6", "5", "4", "3", "2!", "1"]


@pytest.mark.parametrize("width", [30, 50, 70])
def test_where_the_table_does_not_fit_no_figure_is_cut(width: int) -> None:
    text = " ".join(" ".join(table(bands(at=6, fan=30.0, flow=95.0), width)).split())
    assert "band 3 from 16.2 mm, 236 °C, fan 30 %, flow 95 %: mean 235.9 °C, 235.0 to 236.8, 99 % in tolerance" in text
    assert "settled in 14.1 s, 13.0 s expected, 312 mm of filament" in text


def test_a_band_that_was_never_begun_claims_nothing() -> None:
    assert any("band 6 from 38.7 mm, 218 °C, fan 30 %: not begun" in line for line in table(bands(fan=30.0), 60))
    six = next(line for line in table(bands(), 80) if line.strip().startswith("6 "))
    assert six.split()[4:] == ["–", "–", "–", "–", "–", "–", "0"]
