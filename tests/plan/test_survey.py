"""The survey: what it measures, what it refuses with the line, what it warns of, and where it would wait."""

from __future__ import annotations

import hashlib
import io
import math
from pathlib import Path

import pytest
from banderole.plan import pieces
from banderole.plan.config import InputError, Printer, load_printer
from banderole.plan.findings import MOST_FINDINGS
from banderole.plan.footprint import CELL_MM, Footprint
from banderole.plan.machine_tables import Volume
from banderole.plan.schedule import Schedule, load_schedule
from banderole.plan.survey import Survey, survey, survey_file
from banderole_protocol.modal import Modal
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.bands import schedule

EXAMPLES = Path(__file__).parents[2] / "examples"
PRINTER = load_printer(EXAMPLES / "bench-a.toml")
SCHEDULE = """\
[[band]]
from_mm = 0
to_mm = 0.6
{channel} = {first}
[[band]]
from_mm = 0.6
to_mm = 1.2
{channel} = {then}
"""
HEAD = "M104 S215\nG28\nG90\nM83\nG1 F1200\n"  # five lines


def part(layers: int = 4, height: float = 0.3, before: str = "", end: str = "M104 S0\n") -> str:
    """Squares of 10 mm from (50, 50), one a layer, 0.5 mm of filament a side; `before` stands ahead of each layer."""
    text = HEAD
    for layer in range(1, layers + 1):
        text += f"{before}G1 Z{layer * height:.3f}\nG1 X50 Y50\n"
        text += "G1 X60 E0.5\nG1 Y60 E0.5\nG1 X50 E0.5\nG1 Y50 E0.5\n"
    return text + end


def read(
    text: str | bytes, schedule: Schedule | None = None, printer: Printer | None = PRINTER, *, timed: bool = True
) -> Survey:
    data = text.encode() if isinstance(text, str) else text
    return survey(io.BytesIO(data), "tower.gcode", schedule, printer, timed=timed)


@pytest.fixture(scope="module")
def stairs(tmp_path_factory: pytest.TempPathFactory) -> Schedule:
    return scheduled(tmp_path_factory, "nozzle", 215, 210)


def scheduled(folder: pytest.TempPathFactory, channel: str, first: float, then: float) -> Schedule:
    file = folder.mktemp("schedule") / "tower.toml"
    file.write_text(SCHEDULE.format(channel=channel, first=first, then=then))
    return load_schedule(file, PRINTER)


def kinds(found: Survey) -> list[str]:
    """Kinds of the cautions, but for the one that every file with a G28 in it gives."""
    return [one.kind for one in found.cautions if not one.what.startswith("G28")]


# ---- what it measures


def test_a_plain_part_by_hand(stairs: Schedule) -> None:
    found = read(part(), stairs)
    assert found.refusals == []
    assert kinds(found) == []
    assert found.layers == 4
    assert found.top == pytest.approx(1.2)
    assert found.filament_mm == pytest.approx(4 * 4 * 0.5)
    assert found.footprint.box == (50, 50, 60, 60)
    # 20 mm/s throughout: 160 mm of walls, 1.2 mm up, and once from the corner where homing ends to (50, 50)
    least = (160 + 1.2 + math.hypot(50, 50)) / 20
    assert read(part(), stairs, timed=False).seconds == pytest.approx(least)
    # 22 motions at most from rest to rest, each 20 mm/s / 1000 mm/s² longer than that; where it rounds a corner, less
    assert least < found.seconds <= least + 24 * 0.02 + 1e-9
    assert found.seconds == pytest.approx(found.before_s + sum(layer.seconds for layer in found.layer_table))
    assert found.facts.first_deposit == 8
    assert found.facts.last_deposit == 5 + 4 * 6
    assert found.told == {"nozzle": 215.0}


def test_bands_as_the_file_fills_them(stairs: Schedule) -> None:
    """Layers of 0.3 mm have their middles at 0.15, 0.45, 0.75 and 1.05 mm: two in each band."""
    found = read(part(), stairs)
    assert [(row.band, row.layers, row.entered) for row in found.rows] == [(1, 2, 1), (2, 2, 1)]
    assert [row.filament_mm for row in found.rows] == pytest.approx([4.0, 4.0])
    assert [row.middle for row in found.rows] == pytest.approx([0.15, 0.75])
    assert [row.setpoints for row in found.rows] == [{"nozzle": 215.0}, {"nozzle": 210.0}]


def test_the_digest_is_of_the_commands_alone() -> None:
    """SHA-256 over each command and a line feed, by the standard library; comments, numbers, line ends are left off."""
    commands = [line for line in part().splitlines() if line]
    expected = hashlib.sha256("".join(f"{command}\n" for command in commands).encode()).hexdigest()
    assert read(part()).digest == expected
    dressed = "; a tower\r\n" + "".join(f"  N{n} {c} ; word\r\n\r\n" for n, c in enumerate(commands, 1))
    found = read(dressed + "M110 N5\r\n%\r\n")
    assert (found.digest, found.blocks) == (expected, len(commands))
    assert read(part().replace("E0.5\n", "E0.50\n")).digest != expected


def test_everything_as_plain_data(stairs: Schedule) -> None:
    plain = read(part(), stairs).as_json()
    assert plain["blocks"] == 5 + 4 * 6 + 1
    assert plain["box_mm"] == [50, 50, 60, 60]
    assert [row["band"] for row in plain["bands"]] == [1, 2]
    assert plain["refusals"] == plain["hold_points"] == []
    assert [(one["kind"], one["line"]) for one in plain["cautions"]] == [("deaf", 2)]


# ---- what is no G-code


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"; nothing but words\n", "the file is empty"),
        (b"G28\nG1 X5 Y5 F600\n", "nothing is laid down"),
        (b"G28\nM83\nG1 E5 F100\n", "nothing is laid down"),
        ("G28\n".encode("utf-16"), "UTF-16"),
        (b"G28\nG1 X\x00\n", "tower.gcode:2"),
        (b"G28\nM117 " + b"long" * 40 + b"\n", "tower.gcode:2"),
        (b"\x89PNG\r\n\x1a\n" + bytes(200), "control characters"),
        (b"G1 " + b"X1 " * (1 << 19), "tower.gcode:1"),
    ],
)
def test_what_is_no_tower_is_said_in_one_line(data: bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read(data)
    assert words in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        survey_file(tmp_path / "none.gcode", None, None)
    with pytest.raises(InputError, match="cannot be read"):
        survey_file(tmp_path, None, None)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400) | st.text(alphabet="GMXYZEFNT0123456789.;(*)- \n", max_size=300).map(str.encode))
def test_any_bytes_give_a_survey_or_one_line(data: bytes) -> None:
    found, why = None, ""
    try:
        found = read(data)
    except InputError as error:
        why = str(error)
    if found is None:
        assert why.isprintable()
        assert "tower.gcode" in why
    else:
        assert found.blocks > 0
        assert found.facts.first_deposit <= found.facts.last_deposit


# ---- refusals


NOT_FOR_A_RUN = "M23 a.g,M24,M28 a.g,M30 a.g,M32 a.g,M112,M410,M999,M575 S250000,M80,M81,M302 P1,M302 S0"
SPELLED = ["m112", "N7 M112*35", "M 112"]


@pytest.mark.parametrize("block", [*NOT_FOR_A_RUN.split(","), *SPELLED])
def test_commands_that_are_not_for_a_run(block: str) -> None:
    found = read(part(end=f"{block}\nM104 S0\n"))
    (one,) = found.refusals
    assert one.line == 5 + 4 * 6 + 1
    told = found.refusal()
    assert told is not None
    assert f"tower.gcode:{one.line}" in told
    assert told.isprintable()


@pytest.mark.parametrize("block", ["M302", "M302 S170", "M105", "M117 M112", "M300 S440", "G4 P1", "M400", "M500"])
def test_commands_that_pass(block: str) -> None:
    assert read(part(end=f"{block}\nM104 S0\n")).refusals == []


@pytest.mark.parametrize("block", ["M500", "M501", "M502"])
def test_factors_are_not_stored_while_they_are_scheduled(block: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    flow = scheduled(tmp_path_factory, "flow", 100, 95)
    text = part(end=f"{block}\nM104 S0\n")
    assert [one.line for one in read(text, flow).refusals] == [5 + 4 * 6 + 1]
    assert read(text, scheduled(tmp_path_factory, "nozzle", 215, 210)).refusals == []


def test_heat_beyond_the_printers_limits_is_refused_and_factors_only_told() -> None:
    (one,) = read(part().replace("M104 S215", "M104 S290")).refusals
    assert (one.kind, one.line) == ("limit", 1)
    assert "290" in one.what
    found = read(part(before="M221 S150\n", layers=1))
    assert found.refusals == []
    assert kinds(found) == ["limit"]
    assert read(part().replace("M104 S215", "M104 S290"), printer=None).refusals == []


def test_findings_are_bounded_and_the_first_is_told() -> None:
    found = read(part(end="M24\n" * 1000 + "M104 S0\n"))
    assert len(found.refusals) == MOST_FINDINGS
    assert found.refusals[0].line == 5 + 4 * 6 + 1


def test_what_e_means_must_be_said_where_the_file_depends_on_it() -> None:
    """Fault F3: G90 after M83."""
    text = part().replace("G90\nM83\n", "M83\nG90\n")
    silent = PRINTER.model_copy(update={"firmware": PRINTER.firmware.model_copy(update={"e_mode": None})})
    (one,) = read(text, printer=silent).refusals
    assert (one.kind, one.line) == ("e_mode", 8)  # the first E word
    assert read(text).refusals == []
    assert kinds(read(text, printer=None)) == ["e_mode"]
    assert read(part(), printer=silent).refusals == []


# ---- cautions


def test_heat_left_on_at_the_end() -> None:
    assert kinds(read(part(end=""))) == ["heat_left_on"]


def test_a_part_shorter_or_taller_than_the_schedule(stairs: Schedule) -> None:
    assert kinds(read(part(layers=2), stairs)) == ["shorter"]
    assert kinds(read(part(layers=5), stairs)) == ["taller"]
    assert kinds(read(part(layers=4, height=0.3001), stairs)) == []  # rounding of layer heights is none


def test_the_files_own_setpoints_are_told_where_the_band_overrides_them(stairs: Schedule) -> None:
    found = read(part(before="M104 S230\n", layers=3), stairs)
    told = [one.line for one in found.cautions if one.kind == "file_setpoint"]
    assert told == [13, 20]  # before the first deposit, and after the last, it passes


def test_slow_and_waiting_commands_are_told() -> None:
    assert kinds(read(part(end="M600\nM0\nM104 S0\n"))) == ["person", "person"]
    found = read(part().replace("G28\n", "G28\nG29\n"))
    assert [(one.kind, one.line, one.what[:4]) for one in found.cautions] == [("deaf", 2, "G28:"), ("deaf", 3, "G29:")]


def test_a_part_outside_the_volume() -> None:
    assert "volume" in kinds(read(part().replace("X60", "X250")))


# ---- the waiting place


def test_the_waiting_place_is_clear_and_near() -> None:
    found = read(part())
    assert found.aside is not None
    x, y = found.aside
    away = max(50 - x, x - 60, 50 - y, y - 60)
    assert CELL_MM <= away <= 3 * CELL_MM


def test_a_place_over_the_part_is_told() -> None:
    over = PRINTER.model_copy(update={"aside": PRINTER.aside.model_copy(update={"at": (60.0, 55.0)})})
    found = read(part(), printer=over)
    assert found.aside == (60.0, 55.0)
    assert kinds(found) == ["aside"]


def test_a_bed_that_is_full_has_no_place() -> None:
    small = PRINTER.model_copy(update={"volume": Volume(x=(45, 65), y=(45, 65), z=(0, 250))})
    (one,) = read(part(), printer=small).refusals
    assert one.kind == "aside"


@st.composite
def lines(draw: st.DrawFn) -> list[tuple[float, float, float, float]]:
    number = st.floats(0, 100).map(lambda value: round(value, 3))
    step = st.floats(-3, 3).map(lambda value: round(value, 3))
    long = st.tuples(number, number, number, number)
    short = st.builds(lambda x, y, dx, dy: (x, y, x + dx, y + dy), number, number, step, step)
    return draw(st.lists(long | short, min_size=1, max_size=6))


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(lines(), st.booleans())
def test_no_deposit_comes_near_the_waiting_place(
    drawn: list[tuple[float, float, float, float]], round_bed: bool
) -> None:
    """By brute force: a point each tenth of a millimetre of every line is at least the margin's cell away, but for corners."""
    footprint = Footprint()
    for one in drawn:
        footprint.add(*one)
    volume = Volume(
        x=(0, 220), y=(0, 220), z=(0, 250), shape="round" if round_bed else "box", keep_out=((0, 0, 9, 220),)
    )
    place = footprint.waiting_place(volume)
    if place is None:
        return
    assert volume.holds(*place)
    for x0, y0, x1, y1 in drawn:
        steps = max(1, math.ceil(10 * math.dist((x0, y0), (x1, y1))))
        for step in range(steps + 1):
            x, y = x0 + (x1 - x0) * step / steps, y0 + (y1 - y0) * step / steps
            assert max(abs(x - place[0]), abs(y - place[1])) >= CELL_MM


def test_an_arc_covers_what_it_passes() -> None:
    """A half turn from (50, 50) to (70, 50) bulges out by 10 mm."""
    text = HEAD + "G1 X50 Y50 Z0.3\nG2 X70 Y50 I10 J0 E3\nM104 S0\n"
    found = read(text)
    assert found.footprint.box is not None
    assert found.footprint.box[3] >= 60
    assert not found.footprint.clear(60, 59)


@pytest.mark.parametrize("block", ["M105 M112", "G1 X55 E0.1 M112", "M104 S215 M81"])
def test_a_refused_command_behind_another_is_found(block: str) -> None:
    found = read(part(before=f"{block}\n"))
    assert found.refusals
    assert found.refusals[0].line == 6
    assert found.refusals[0].what.startswith(block.split("M")[-1].join(["M", ""]))


def test_lines_that_machines_take_differently_are_told() -> None:
    found = read(part(before="M105 M114\n", layers=1))
    assert [(one.kind, one.line) for one in found.cautions if one.kind == "unclear"] == [("unclear", 6)]


# ---- layers, flow, material


def test_the_layers_of_a_part_by_hand(stairs: Schedule) -> None:
    found = read(part(), stairs)
    assert [(layer.z, layer.line, layer.block, layer.blocks) for layer in found.layer_table] == [
        (pytest.approx(0.3 * n), 2 + 6 * n, 2 + 6 * n, 6 if n < 4 else 5) for n in (1, 2, 3, 4)
    ]
    for layer in found.layer_table:
        assert (layer.height, layer.filament_mm, layer.length_mm) == pytest.approx((0.3, 2.0, 40.0))
        assert layer.box == (50, 50, 60, 60)
    assert [(row.layer, row.off_mm) for row in found.rows] == [(1, 0.0), (3, pytest.approx(0.0))]


def test_how_far_a_step_is_from_a_layers_true_height(stairs: Schedule) -> None:
    """Layers of 0.4 mm: the step at 0.6 mm falls into the second, whose middle is at 0.6 mm: it begins at 0.4 mm."""
    found = read(part(layers=4, height=0.4), stairs)
    assert [(row.layer, round(row.off_mm, 6)) for row in found.rows] == [(1, 0.0), (2, -0.2)]


def test_flow_that_a_hot_end_does_not_melt_is_told(stairs: Schedule) -> None:
    """0.5 mm of filament, 2.40528 mm² thick (1.75 mm, check value), in 10 mm at 100 mm/s: 12.03 mm³/s."""
    found = read(part().replace("F1200", "F6000"), stairs)
    assert [row.flow_mm3_s for row in found.rows] == pytest.approx([12.026, 12.026], abs=0.001)
    assert kinds(found) == ["flow"]
    assert "12.0 mm³/s" in found.cautions[-1].what
    assert [row.flow_mm3_s for row in read(part(), stairs).rows] == pytest.approx([2.405, 2.405], abs=0.001)


@pytest.mark.parametrize(
    ("material", "first", "bed", "told"),
    [
        ("PLA", 215, 60, []),
        ("PLA", 240, 60, ["material", "first_layer"]),
        ("petg-cf", 240, 80, ["first_layer"]),
        ("PLA", 215, 110, ["first_layer"]),
        ("ABS", 240, 100, ["first_layer"]),
        ("something else", 240, 60, ["first_layer"]),
        ("TPU", 212, 60, ["material"]),
    ],
)
def test_what_is_unusual_for_the_material_is_told(
    material: str, first: float, bed: float, told: list[str], tmp_path: Path
) -> None:
    """Ranges: check values of polymer handbooks, named in the module; the file's own first layer is at 215 °C."""
    file = tmp_path / "s.toml"
    file.write_text(f'material = "{material}"\n[[band]]\nfrom_mm = 0\nnozzle = {first}\n')
    found = read(f"M140 S{bed}\n" + part(end="M104 S0\nM140 S0\n"), load_schedule(file, PRINTER))
    assert kinds(found) == told


def test_a_file_without_a_heat_off_is_told_apart() -> None:
    assert "never turns the nozzle off" in read(part(end="")).cautions[-1].what
    left = read(part(end="M104 S0\nM104 S200\n")).cautions[-1]
    assert (left.kind, left.what) == ("heat_left_on", "the file leaves heat on at its end")


# ---- rows of deposits taken together


def surveyed(data: bytes, schedule: Schedule | None = None, *, together: bool = True) -> Survey:
    """Plain motions many at a time, or (nothing has a shape that is known) each block by itself."""
    with pytest.MonkeyPatch.context() as patch:
        if not together:
            patch.setattr(pieces, "SHAPES", {})
        return survey(io.BytesIO(data), "t", schedule, PRINTER)


NUMBER = st.integers(0, 4000).map(lambda n: n / 20)
MOVE = st.one_of(
    st.builds("G1 X{:g} Y{:g} E{:g}".format, NUMBER, NUMBER, NUMBER),
    st.builds("G1 X{:g} Y{:g} E{:g} F{}".format, NUMBER, NUMBER, NUMBER, st.integers(0, 6000)),
    st.builds("G1 F{} X{:g} Y{:g} E{:g}".format, st.integers(600, 6000), NUMBER, NUMBER, NUMBER),
    st.builds("G1 X{:g} Y{:g} Z0.3 F{} E{:g}".format, NUMBER, NUMBER, st.integers(0, 6000), NUMBER),
)
CLIMB = st.lists(st.tuples(NUMBER, NUMBER, st.integers(1, 99)), min_size=4, max_size=9).map(
    lambda steps: (
        "G92 E0\n"
        + "\n".join(
            f"G1 X{x:g} Y{y:g} E{sum(e for _, _, e in steps[: at + 1]) / 20:g}" for at, (x, y, _) in enumerate(steps)
        )
    )
)
# A spiral: by its turns, the height of a turn in blocks, Z with three decimals; now and then a feedrate, and a level block.
SPIRAL = st.tuples(
    st.integers(6, 40), st.integers(1, 30), st.integers(0, 40), st.sampled_from([0.3, 0.8, 1.85]), st.integers(2, 50)
).map(
    lambda spiral: (
        "M83\n"
        + "\n".join(
            f"G1 X{50 + 9 * (n % 5 % 3)} Y{50 + 8 * (n % 4 // 2) + n % 2} "
            f"Z{spiral[3] + n * spiral[1] / 200 - (n == spiral[2]):.3f} E0.2" + " F900" * (n % spiral[4] == 1)
            for n in range(spiral[0])
        )
    )
)
HOP = st.tuples(
    st.sampled_from(["G91", "G91 ; up", "g91"]), st.integers(1, 40), st.sampled_from(["G90", "G90\nM83"])
).map(lambda hop: f"{hop[0]}\nG1 Z{hop[1] / 10:g} F900\n{hop[2]}")
TRAVEL = st.builds(
    "{} X{:g} Y{:g}{}".format, st.sampled_from(["G0", "G1"]), NUMBER, NUMBER, st.sampled_from(["", " F9000"])
)
HEIGHT = st.integers(1, 40).map(lambda n: f"G1 Z{n / 10:g} F900")
BACK = st.tuples(st.sampled_from([0.5, 0.8]), TRAVEL, st.sampled_from([0.5, 0.8])).map(
    lambda back: f"G1 E-{back[0]} F2400\n{back[1]}\nG1 E{back[2]} F2400"
)
ARC = st.builds(
    "G{} X{:g} Y{:g}{} I{:g} J{:g}{}".format,
    st.integers(2, 3), NUMBER, NUMBER, st.sampled_from(["", "", " Z0.4"]), NUMBER, NUMBER,
    st.sampled_from(["", " E9", " E7 F900"]),
)  # fmt: skip
ROUND = st.lists(st.sampled_from("RLUD"), min_size=1, max_size=8).map(
    lambda turns: (
        "M83\nG90\nG1 X50 Y50\n"
        + "\n".join(
            {
                "R": "G3 X60 Y50 I5 J0 E.4\nG2 X50 Y50 I-5 E.4",
                "L": "G1 X50 Y55 E.1\nG3 X50 Y50 J-2.5 E.2",
                "U": "G3 X55 Y55 J5 E.2\nG1 X50 Y50",
                "D": "G2 X50 Y50 I3 J1 E1",
            }[turn]
            for turn in turns
        )
    )
)
PLAIN = [
    "G1 Z0.4",
    "G1 Z0.7",
    "G1 E-1",
    "G1 E1",
    "G92 E0",
    "M82",
    "M83",
    "G91\nG90",
    "G0 X5 Y5",
    "G1 F1500",
    "",
    "; a layer",
]
ODD = ["G92 X5 Y5", "G92 Z0", "G20", "G21", "G10", "G11", "M220 S50", "M205 X8", "M204 P500 T900", "G4 P50", "G1 X9 F0"]
ODD += [
    "M106 S127",
    "M106 S127 ; fan",
    "M104 S205",
    "M109 S205",
    "M73 P5 R9",
    "M82 G1 X70",
    "M106 S9 M81",
    "M117 G1 X5",
    "M117 5*9",
    "G92 E0.0",
    "G28 X",
    "G2 X60 Y60 E1 R90",
    "G1 Y5 X5 E.5",
    "G1 X7 Y8 Z1.5 E1",
    "N5 G1 X5 Y6 E2",
    "G92",
]
ODD += [
    "G1 X 5",
    "G1 X5. Y+6 E.5",
    "G1 X1.2.3 Y5",
    "G1 X Y5 E1",
    "G1 5X Y6 E1",
    "G1 X5 6Y 7E1",
    "-G1 X5 Y6",
    "G5 X9 Y9 E1",
    "(x) G1 X5 Y5 E1",
    "G1 X9 (;) E9",
    "M600",
]
ROWS = st.lists(
    st.one_of(
        CLIMB,
        SPIRAL,
        ARC,
        ROUND,
        st.lists(MOVE, min_size=1, max_size=24).map("\n".join),
        st.lists(MOVE, min_size=1, max_size=3).map(" ; wall\n".join),
        HOP,
        TRAVEL,
        HEIGHT,
        BACK,
        st.sampled_from(PLAIN),
        st.sampled_from(ODD),
    ),
    max_size=16,
)


@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("dressed", ["{}", "G1 F1800 {}", "{} F1800", "{}  ; wall", "{};"])
def test_plain_walls_do_go_together(relative: bool, dressed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Held apart from what comes out of it: a row that is never taken together would be equal too."""
    alone: list[bytes] = []
    apply = Modal.apply

    def counted(modal: Modal, block: bytes) -> int:
        alone.append(block)
        return apply(modal, block)

    monkeypatch.setattr(Modal, "apply", counted)
    steps = [f"X{50 + n} Y{50 + n % 2} E{0.1 if relative else 5 + n / 10:g}" for n in range(40)]
    lines = [dressed.format(one) if "G1" in dressed else "G1 " + dressed.format(one) for one in steps]
    hop = (
        "G1 E-1\nG91\nG1 Z2 F600\nG90\nM83\nG0 X5 Y5\nG1 Z0.6\nG1 E1\n"
        if relative
        else "G0 Z3\nG0 X5 Y5 Z0.6\nG92 E4.9\n"
    )
    head = "G28\nG90\nM83\nG1 E5 F1200\n" + ("" if relative else "M82\n") + "G1 Z0.3\n"
    text = (head + "\n".join(lines) + "\n" + hop + "\n".join(lines) + "\nM104 S0\n").encode()
    found = surveyed(text)
    # By themselves go: what comes before a feedrate is known, the first deposit of all, commands that motions depend on.
    apart = [block for block in alone if block[:3] == b"G1 "]
    assert [block[:4] for block in apart] == [b"G1 E", lines[0][:4].encode()]
    commands = [block.split()[0] for block in alone if block not in apart]
    assert commands == [b"G28", b"G90", b"M83", *[b"G92"] * (not relative)]
    assert (found.layers, found.filament_mm) == (2, pytest.approx(80 * 0.1 - (0 if relative else 0.1), abs=1e-6))
    assert flat(found.as_json()) == pytest.approx(flat(surveyed(text, together=False).as_json()), abs=1e-3)


def test_arcs_go_together_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """All but those that machines may take differently: the last has no such centre."""
    alone: list[bytes] = []
    apply = Modal.apply
    monkeypatch.setattr(Modal, "apply", lambda modal, block: alone.append(block) or apply(modal, block))
    ring = "G3 X60 Y50 I5 J0 E.4\nG1 X60 Y60 E.3\nG2 F900 X50 Y60 Z1 I-5 E.4\nG3 X50 Y50 J-5 E.3 F1200\nG2 X55 Y50 I2.5 J0\n"
    text = "G28\nG90\nM83\nG1 Z1 F1200\nG1 X50 Y50 E.3\n" + (ring + "G1 X50 Y50\n") * 9 + "G3 X60 Y50 I1 J0 E1\n"
    found = surveyed(text.encode())
    assert [block for block in alone if block[:2] in (b"G2", b"G3")] == [b"G28", b"G3 X60 Y50 I1 J0 E1"]
    same(found, surveyed(text.encode(), together=False))


def test_a_spiral_goes_together_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 280 blocks two go by themselves: the first, which is level, and the one before which the second band begins."""
    alone: list[bytes] = []
    apply = Modal.apply
    monkeypatch.setattr(Modal, "apply", lambda modal, block: alone.append(block) or apply(modal, block))
    steps = [(50 + 9 * math.cos(n / 9), 50 + 9 * math.sin(n / 9), 0.3 + n * 0.004) for n in range(280)]
    text = "G28\nG90\nM83\nG1 Z0.3 F1200\n" + "\n".join(f"G1 X{x:.3f} Y{y:.3f} Z{z:.3f} E.04" for x, y, z in steps)
    bands = schedule({"nozzle": 220.0}, {"nozzle": 210.0}, heights=(0.9,))
    found = surveyed(text.encode(), bands)
    assert len([block for block in alone if block.startswith(b"G1 X")]) == 2
    same(found, surveyed(text.encode(), bands, together=False))
    assert [row.entered for row in found.rows] == [1, 1]
    assert found.layers == pytest.approx(280 * 0.004 / 0.2, abs=1.5)


@given(ROWS, st.booleans(), st.booleans())
@settings(max_examples=150)
def test_rows_taken_together_are_what_they_are_one_by_one(rows: list[str], relative: bool, banded: bool) -> None:
    e = "M83" if relative else "M82"
    text = "\n".join([f"G28\nG90\n{e}\nM104 S215\nG1 Z0.3 F1200\nG1 X50 Y50 E0.1", *rows, "M104 S0\n"]).encode()
    bands = schedule({"nozzle": 220.0}, {"nozzle": 210.0}, {"nozzle": 200.0}, heights=(0.6, 1.9)) if banded else None
    same(surveyed(text, bands), surveyed(text, bands, together=False))


FILES = sorted((Path(__file__).parents[1] / "files").glob("*.gcode"))


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_files_of_the_field_are_the_same_read_many_blocks_at_a_time(path: Path) -> None:
    bands = schedule({"nozzle": 220.0}, {"nozzle": 210.0}, {"nozzle": 200.0}, heights=(0.6, 1.9))
    same(surveyed(path.read_bytes(), bands), surveyed(path.read_bytes(), bands, together=False))


def same(together: Survey, apart: Survey) -> None:
    one, other = together.as_json(), apart.as_json()
    assert flat(one) == pytest.approx(flat(other), abs=2e-3)
    assert together.footprint.cells == apart.footprint.cells
    assert [(row["line"], row["block"], row["why_here"]) for row in one["bands"]] == [
        (row["line"], row["block"], row["why_here"]) for row in other["bands"]
    ]
    for name in (
        "blocks_sha256",
        "aside_mm",
        "refusals",
        "cautions",
        "blocks",
        "first_deposit_line",
        "last_deposit_line",
    ):
        assert one[name] == other[name], name


def flat(value: object) -> list[float]:
    """All the numbers in it, in order."""
    if isinstance(value, dict):
        return [number for one in value.values() for number in flat(one)]
    if isinstance(value, list):
        return [number for one in value for number in flat(one)]
    return [float(value)] if isinstance(value, int | float) else []
