"""The schedule: stairs and single bands, what is refused, and which band a height belongs to."""

import io
import re
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from banderole.plan.config import CHANNEL_UNITS, InputError, Printer, load_printer
from banderole.plan.schedule import Schedule, load_schedule
from banderole.plan.schedule_file import ScheduleFile
from banderole.plan.survey import survey
from banderole_protocol.channels import setpoint_block
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.toml_values import VALUES, written

EXAMPLES = Path(__file__).parents[2] / "examples"
STAIRS = """\
[stairs]
plinth_mm = 1.2
rise_mm = 7.5
count = 6
nozzle = { first = 248, change = -6 }
"""
ROWS = """\
[[band]]
from_mm = 0
to_mm = 8.7
nozzle = 248
[[band]]
from_mm = 8.7
nozzle = 242
"""
Loader = Callable[[str], Schedule]


@pytest.fixture(scope="module")
def printer() -> Printer:
    return load_printer(EXAMPLES / "bench-a.toml")


@pytest.fixture(scope="module")
def load(tmp_path_factory: pytest.TempPathFactory, printer: Printer) -> Loader:
    """Loads a text as tower.toml for the example printer."""
    file = tmp_path_factory.mktemp("schedule") / "tower.toml"

    def loader(text: str) -> Schedule:
        file.write_bytes(text.encode())
        return load_schedule(file, printer)

    return loader


def refusal(load: Loader, text: str) -> str:
    with pytest.raises(InputError) as caught:
        load(text)
    assert str(caught.value).isprintable()
    return re.sub(r"/\S*/tower\.toml", "tower.toml", str(caught.value))


# ---- what the contract gives


def test_stairs_become_touching_bands(load: Loader) -> None:
    """The plinth belongs to the first; heights are the ones a person would write, whatever binary fractions add."""
    schedule = load(STAIRS)
    assert [(band.number, band.from_mm, band.to_mm) for band in schedule.bands] == [
        (1, 0.0, 8.7),
        (2, 8.7, 16.2),
        (3, 16.2, 23.7),
        (4, 23.7, 31.2),
        (5, 31.2, 38.7),
        (6, 38.7, 46.2),
    ]
    assert [band.setpoints for band in schedule.bands] == [{"nozzle": 248.0 - 6 * n} for n in range(6)]
    assert schedule.channels == ("nozzle",)


def test_a_plinth_of_the_files_own_is_a_band_without_setpoints(load: Loader) -> None:
    schedule = load(STAIRS.replace("rise_mm", 'plinth = "file"\nrise_mm'))
    assert [(band.from_mm, band.to_mm) for band in schedule.bands][:3] == [(0.0, 1.2), (1.2, 8.7), (8.7, 16.2)]
    assert schedule.bands[0].setpoints == {}
    assert schedule.bands[1].setpoints == {"nozzle": 248.0}


def test_stairs_and_the_same_bands_one_by_one_are_one_thing(load: Loader) -> None:
    stairs = load(STAIRS)
    rows = "".join(
        f"[[band]]\nfrom_mm = {band.from_mm}\nto_mm = {band.to_mm}\nnozzle = {band.setpoints['nozzle']:g}\n"
        for band in stairs.bands
    )
    assert load(rows).bands == stairs.bands


def test_the_last_band_may_go_to_the_top(load: Loader) -> None:
    assert load(ROWS).bands[-1].to_mm is None


def test_every_default_is_the_contracts(load: Loader) -> None:
    """Typed off by hand from the contract's schedule file."""
    schedule = load(STAIRS.replace("plinth_mm = 1.2\n", ""))
    settle = schedule.settle
    assert (settle.stance, settle.tolerance, settle.dwell_s) == ("aside", 1.5, 8)
    assert (settle.patience_s, settle.when_late) == (240, "hold")
    assert schedule.hold_points == ()
    assert schedule.material is None
    assert schedule.title == "tower"  # the file's name
    assert schedule.bands[0] == load(STAIRS.replace("1.2", "0")).bands[0]


def test_the_contracts_own_example_loads(load: Loader) -> None:
    schedule = load(
        'title = "Harbour grey PETG, spool 7"\nmaterial = "PETG"\n'
        + STAIRS.replace("rise_mm", 'plinth = "first"\nrise_mm')
        + "fan = { first = 30, change = 0 }\n"
        '[settle]\nstance = "aside"\ntolerance = 1.5\ndwell_s = 8\npatience_s = 240\nwhen_late = "hold"\n'
        '[[hold_point]]\nbefore_band = 4\nnote = "look at the bridge"\n'
    )
    assert schedule.title == "Harbour grey PETG, spool 7"
    assert schedule.channels == ("nozzle", "fan")
    assert [(point.before_band, point.note) for point in schedule.hold_points] == [(4, "look at the bridge")]


@pytest.mark.parametrize("channel", CHANNEL_UNITS)
def test_every_channel_can_be_scheduled_both_ways(channel: str, load: Loader, printer: Printer) -> None:
    low, high = printer.limits.of(channel)
    first, last = ("200", "210") if channel == "nozzle" else (f"{low:g}", f"{high:g}")
    span = float(last) - float(first)
    ramp = f"{channel} = {{ first = {first}, change = {span} }}"
    stairs = load(f"[stairs]\nrise_mm = 5\ncount = 2\n{ramp}\n")
    rows = load(f"[[band]]\nfrom_mm = 0\nto_mm = 5\n{channel} = {first}\n[[band]]\nfrom_mm = 5\n{channel} = {last}\n")
    wanted = [{channel: float(first)}, {channel: float(last)}]
    assert [band.setpoints for band in stairs.bands] == wanted
    assert [band.setpoints for band in rows.bands] == wanted


@pytest.mark.parametrize(("channel", "wanted"), [("flow", ()), ("advance", ("advance",)), ("retract", ("retract",))])
def test_what_cannot_be_put_back_is_named(
    channel: str, wanted: tuple[str, ...], load: Loader, printer: Printer
) -> None:
    value = 100 if channel == "flow" else 1
    assert load(f"[[band]]\nfrom_mm = 0\n{channel} = {value}\n").without_prior(printer) == wanted


# ---- which band a height belongs to: lower included, upper excluded, within 1 µm


@pytest.mark.parametrize(
    ("height", "number"),
    [
        (-1.0, 1),
        (0.0, 1),
        (8.6, 1),
        (8.6985, 1),
        (8.6995, 2),  # half a micrometre below: the same height
        (8.7, 2),
        (8.7005, 2),
        (16.2, 3),
        (16.1985, 2),
        (46.2, 6),  # above the last the last goes on
        (1e6, 6),
    ],
)
def test_a_height_belongs_to_one_band(height: float, number: int, load: Loader) -> None:
    assert load(STAIRS).band_at(height).number == number


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(plinth=st.integers(0, 5000), rise=st.integers(10, 20_000), count=st.integers(1, 60), height=st.floats(-1, 1500))
def test_bands_cover_every_height_once(plinth: int, rise: int, count: int, height: float, load: Loader) -> None:
    """Heights in µm are whole: a person writes no finer. The band found is the one a plain search finds."""
    if plinth + rise * count > 2_000_000:
        return
    heights = f"plinth_mm = {plinth / 1000}\nrise_mm = {rise / 1000}\ncount = {count}\n"
    schedule = load(f"[stairs]\n{heights}flow = {{ first = 100 }}\n")
    bands = schedule.bands
    assert bands[0].from_mm == 0.0
    assert all(below.to_mm == band.from_mm for below, band in pairwise(bands))
    assert bands[-1].to_mm == pytest.approx((plinth + rise * count) / 1000, abs=1e-9)
    holding = [b.number for b in bands if b.from_mm <= height + 0.001 and (b.to_mm or 0) > height + 0.001]
    wanted = holding or [1 if height < 0 else len(bands)]
    assert [schedule.band_at(height).number] == wanted


# ---- facts of the trade


def test_nine_steps_of_ten_millimetres_from_235_end_at_195(load: Loader) -> None:
    """Common practice, no source: nine steps of 10 mm that fall by 5 °C from 235 °C end at 195 °C."""
    bands = load("[stairs]\nrise_mm = 10\ncount = 9\nnozzle = { first = 235, change = -5 }\n").bands
    assert len(bands) == 9
    assert bands[-1].setpoints == {"nozzle": 195.0}
    assert bands[-1].to_mm == 90.0
    assert bands[4].setpoints == {"nozzle": 215.0}


@pytest.mark.parametrize(("layer", "per_step"), [(0.2, 50), (0.25, 40), (0.1, 100)])
def test_with_whole_layers_the_first_layer_above_the_step_changes(
    layer: float, per_step: int, load: Loader, printer: Printer
) -> None:
    """Common practice, no source: the setpoint changes at the start of the first layer above the step's height."""
    schedule = load("[stairs]\nrise_mm = 10\ncount = 9\nnozzle = { first = 235, change = -5 }\n")
    lines = ["G28", "G90", "M82", "G92 E0", "G1 X50 Y50 F6000"]
    for number in range(1, 9 * per_step + 1):
        side = 60 if number % 2 else 50
        lines += [f"G1 Z{number * layer:.3f} F600", f"G1 X{side} Y50 E{number * 0.4:.5f} F1500"]
    found = survey(io.BytesIO("\n".join(lines).encode()), "steps.gcode", schedule, printer)
    assert [row.layers for row in found.rows] == [per_step] * 9
    assert [round(row.z, 6) for row in found.rows] == [round(10 * n + layer, 6) for n in range(9)]
    assert [row.setpoints["nozzle"] for row in found.rows] == [235.0 - 5 * n for n in range(9)]


def test_a_nozzle_setpoint_is_sent_without_a_wait() -> None:
    """Common practice, no source: M104 S sets the hot end and goes on; M109 would wait inside the printer."""
    assert setpoint_block("nozzle", 195) == b"M104 S195"


# ---- what is refused


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "nothing is scheduled, tower.toml: add [stairs] or [[band]]"),
        ("[stairs]\nrise_mm = 5\ncount = 2\n", "nothing is scheduled, tower.toml:1: name a channel"),
        ("[[band]]\nfrom_mm = 0\n", "nothing is scheduled, tower.toml:1: name a channel"),
        (STAIRS + ROWS, "band and [stairs] are both there, tower.toml:6: keep one"),
        (
            ROWS.replace("8.7\nnozzle = 242", "8\nnozzle = 242"),
            "band 2: from_mm = 8, but band 1 ends at 8.7: they overlap",
        ),
        (
            ROWS.replace("8.7\nnozzle = 242", "9\nnozzle = 242"),
            "band 2: from_mm = 9, but band 1 ends at 8.7: a gap is left",
        ),
        (
            "[[band]]\nfrom_mm = 0\nto_mm = 5\nfan = 1\n[[band]]\nfrom_mm = 5\nto_mm = 9\nfan = 2\n"
            "[[band]]\nfrom_mm = 2\nfan = 3\n",
            "band 3: from_mm = 2 lies below band 2, tower.toml:10: write the bands from the bed upwards",
        ),
        (
            ROWS.replace("from_mm = 0", "from_mm = 1"),
            "band 1: from_mm = 1, but the first band begins on the bed, tower.toml:2",
        ),
        (ROWS.replace("to_mm = 8.7\n", ""), "band 1: to_mm is missing, tower.toml:1: only the last"),
        (ROWS.replace("to_mm = 8.7", "to_mm = 0"), "band[1].to_mm = 0 is out of range"),
        (ROWS + "to_mm = 8.7\n", "band[2].to_mm = 8.7 is not above from_mm = 8.7"),
        (ROWS + "fan = 30\n", "band 1: fan is missing, but other bands name it, tower.toml:1"),
        (ROWS.replace("nozzle = 242", "nozzle = 261"), "band 2: nozzle = 261 °C is outside limits.nozzle"),
        (ROWS.replace("nozzle = 242", "nozzle = 255"), "band 2: nozzle = 255 °C is above 250 °C, too hot for the PTFE"),
        (ROWS.replace("nozzle = 242", "nozzle = 217"), "band 2: nozzle = 217 °C is a step of 31 °C from band 1"),
        (
            STAIRS.replace("-6", "-31"),
            "band 2: nozzle = 217 °C is a step of 31 °C from band 1, over limits.nozzle_step = 30",
        ),
        (STAIRS.replace("-6", "-18"), "band 6: nozzle = 158 °C is below limits.deposit_above = 160 °C"),
        (STAIRS.replace("-6", "6"), "band 2: nozzle = 254 °C is above 250 °C, too hot for the PTFE"),
        (
            STAIRS + "flow = { first = 100, change = 5 }\n",
            "band 6: flow = 125 % is outside limits.flow = [80, 120] %, tower.toml:6",
        ),
        (
            STAIRS + "[[hold_point]]\nbefore_band = 7\n",
            "hold_point[1].before_band = 7, but there are 6 bands, tower.toml:7",
        ),
        (
            STAIRS + "[[hold_point]]\nbefore_band = 2\n[[hold_point]]\nbefore_band = 2\n",
            "hold_point[2].before_band = 2 is there twice, tower.toml:9",
        ),
        (STAIRS + "[[hold_point]]\nbefore_band = 0\n", "hold_point[1].before_band = 0 is out of range, tower.toml:7"),
        (STAIRS + "colour = 1\n", "unknown key stairs.colour, tower.toml:6"),
        (STAIRS + "chamber = { first = 40 }\n", "unknown key stairs.chamber, tower.toml:6"),
        (STAIRS.replace("first = 248", "start = 248"), "stairs.nozzle.first is missing, tower.toml:5"),
        (STAIRS.replace("count = 6", "count = 6.5"), "stairs.count must be a whole number, not 6.5, tower.toml:4"),
        (STAIRS.replace("count = 6", "count = 1001"), "stairs.count = 1001 is out of range, tower.toml:4"),
        (STAIRS.replace("7.5", "0"), "stairs.rise_mm = 0 is out of range, tower.toml:3"),
        (STAIRS.replace("7.5", "nan"), "stairs.rise_mm must be an ordinary number"),
        (STAIRS.replace("7.5", "400"), "stairs.count makes the stairs taller than 2000 mm, tower.toml:4"),
        (
            STAIRS.replace("plinth_mm = 1.2", 'plinth = "file"'),
            'stairs.plinth = "file", but there is no plinth, tower.toml:2',
        ),
        (STAIRS.replace("{ first = 248, change = -6 }", "248"), "stairs.nozzle must be a table, not 248, tower.toml:5"),
        (STAIRS + '[settle]\nstance = "beside"\n', 'settle.stance = "beside" is not known, tower.toml:7: use "aside"'),
        (STAIRS + "[settle]\npatience_s = 8\n", "settle.patience_s = 8 is not above dwell_s = 8: nothing could settle"),
        (STAIRS + "[settle]\ntolerance = 0\n", "settle.tolerance = 0 is out of range, tower.toml:7"),
        (STAIRS + "[settle]\ndwell = 5\n", "unknown key settle.dwell, tower.toml:7: did you mean dwell_s?"),
    ],
)
def test_what_is_wrong_is_said_with_band_key_and_line(text: str, told: str, load: Loader) -> None:
    line = refusal(load, text)
    assert line.startswith(told)
    assert re.search(r", tower\.toml(:\d+)?: \S", line)


def test_parts_that_touch_within_a_micrometre_touch(load: Loader) -> None:
    schedule = load(ROWS.replace("from_mm = 8.7", "from_mm = 8.7005"))
    assert schedule.bands[1].from_mm == 8.7
    assert "a gap is left" in refusal(load, ROWS.replace("from_mm = 8.7", "from_mm = 8.702"))


def test_the_first_setpoint_is_no_step(load: Loader) -> None:
    """Heating from cold is not a difference between neighbours; nor is the file's own plinth."""
    load(STAIRS)
    load(STAIRS.replace("rise_mm", 'plinth = "file"\nrise_mm'))


def test_without_a_printer_only_the_file_is_judged(tmp_path: Path) -> None:
    file = tmp_path / "hot.toml"
    file.write_text(STAIRS.replace("248", "400"))
    assert load_schedule(file).bands[0].setpoints == {"nozzle": 400.0}


# ---- amendments


def test_an_amended_schedule_differs_in_one_setpoint(load: Loader, printer: Printer) -> None:
    before = load(STAIRS)
    after = before.amended(3, "nozzle", 240.0, printer)
    assert after.bands[2].setpoints == {"nozzle": 240.0}
    assert [band for band in after.bands if band.number != 3] == [band for band in before.bands if band.number != 3]
    assert before.bands[2].setpoints == {"nozzle": 236.0}


@pytest.mark.parametrize(
    ("number", "channel", "value", "told"),
    [
        (0, "nozzle", 240, "there is no band 0, band 0, nozzle: the bands are 1 to 6"),
        (7, "nozzle", 240, "there is no band 7"),
        (3, "fan", 30, '"fan" is not scheduled in band 3, band 3, fan: scheduled there: nozzle'),
        (3, "nozzle", 300, "band 3: nozzle = 300 °C is outside limits.nozzle"),
        (3, "nozzle", float("nan"), "band 3: nozzle = nan °C is outside limits.nozzle"),
        (3, "nozzle", 150, "band 3: nozzle = 150 °C is below limits.deposit_above"),
        (3, "nozzle", 205, "band 3: nozzle = 205 °C is a step of 37 °C from band 2"),
        (3, "nozzle", 250, ""),
        (6, "nozzle", 194, ""),  # 30 °C, the largest step there may be
        (6, "nozzle", 193.9, "band 6: nozzle = 193.9 °C is a step of 30.1 °C from band 5"),
    ],
)
def test_an_amendment_is_checked_like_the_file(
    number: int, channel: str, value: float, told: str, load: Loader, printer: Printer
) -> None:
    schedule = load(STAIRS)
    if not told:
        assert schedule.amended(number, channel, value, printer).bands[number - 1].setpoints[channel] == value
        return
    with pytest.raises(InputError) as caught:
        schedule.amended(number, channel, value, printer)
    assert str(caught.value).startswith(told)


# ---- anything at all

_STAIRS_KEYS = [*ScheduleFile.model_fields["stairs"].annotation.__args__[0].model_fields]  # type: ignore[union-attr]
_KEYS = [
    "title",
    "material",
    "stairs",
    "band",
    "settle",
    "hold_point",
    "colour",
    *(f"stairs.{k}" for k in _STAIRS_KEYS),
]
_KEYS += [f"settle.{k}" for k in ("stance", "tolerance", "dwell_s", "patience_s", "when_late")]
_KEYS += [f"stairs.nozzle.{k}" for k in ("first", "change")]


def said_of(loading: Callable[[], Schedule]) -> str:
    """The error's line, or "" for a schedule. Any other exception is let through: the test fails."""
    try:
        schedule = loading()
    except InputError as error:
        return str(error)
    assert schedule.bands
    return ""


@pytest.mark.slow
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(key=st.sampled_from(_KEYS), value=VALUES)
def test_any_value_for_any_key_is_taken_or_refused_in_one_line(key: str, value: Any, load: Loader) -> None:
    lines = {
        "stairs.plinth_mm": "1.2",
        "stairs.rise_mm": "7.5",
        "stairs.count": "6",
        "stairs.nozzle.first": "248",
        "stairs.nozzle.change": "-6",
    }
    kept = {name: one for name, one in lines.items() if not (name + ".").startswith(key + ".")}
    text = "".join(f"{name} = {one}\n" for name, one in {**kept, key: written(value)}.items())
    assert said_of(lambda: load(text)).isprintable()


@pytest.mark.slow
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=st.lists(
        st.dictionaries(st.sampled_from(["from_mm", "to_mm", "nozzle", "fan"]), st.integers(0, 260) | VALUES),
        max_size=5,
    )
)
def test_any_rows_are_taken_or_refused_in_one_line(rows: list[dict[str, Any]], load: Loader) -> None:
    text = "".join("[[band]]\n" + "".join(f"{key} = {written(one)}\n" for key, one in row.items()) for row in rows)
    assert said_of(lambda: load(text)).isprintable()


def test_loading_takes_less_than_5_ms_beyond_imports(load: Loader) -> None:
    """The best of many: what else the machine does is not ours."""
    text = (EXAMPLES / "nozzle-and-fan.toml").read_text()
    taken = []
    for _ in range(30):
        begin = time.perf_counter()
        load(text)
        taken.append(time.perf_counter() - begin)
    assert min(taken) < 0.005
