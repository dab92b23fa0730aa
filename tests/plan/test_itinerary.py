"""The itinerary against brute force: every deposit under its own band, every block once and as it is, cuts in the gaps."""

from __future__ import annotations

import io
import math
import random
import time
import tracemalloc
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import pytest
from banderole.plan.blocks import Block, blocks_of
from banderole.plan.itinerary import (
    GAP_BLOCKS,
    STRETCH_BLOCKS,
    AskPosition,
    Crossing,
    DwellAside,
    Facts,
    Item,
    Itinerary,
    PersonWait,
    PreWait,
    Reassertion,
    Stretch,
)
from banderole.plan.refusal import InputError
from banderole.plan.schedule import Schedule
from banderole_protocol.channels import setpoint_of
from banderole_protocol.modal import EMode, Modal
from banderole_protocol.words import words_of
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.bands import bands_of, middles, schedule

THREE = schedule({"nozzle": 240.0}, {"nozzle": 230.0}, {"nozzle": 220.0}, heights=(0.7, 1.3))
LAST_OF_BLOCK = {"x0", "y0", "z0", "unclear"}


def square(z: float, size: float = 10.0, at: float = 50.0, e: float = 0.4) -> list[str]:
    """One layer: up, across with the filament back, four sides."""
    corners = [(at + size, at), (at + size, at + size), (at, at + size), (at, at)]
    return [
        "G1 E-0.8 F1800",
        f"G1 Z{z + 0.4:.3f} F600",
        f"G0 X{at:.3f} Y{at:.3f} F7200",
        f"G1 Z{z:.3f} F600",
        "G1 E0.8 F1800",
        *(f"G1 X{x:.3f} Y{y:.3f} E{e:.5f} F1200" for x, y in corners),
    ]


def layers(count: int, height: float = 0.2, at: float = 50.0) -> list[str]:
    return [block for n in range(count) for block in square((n + 1) * height, at=at)]


# ---- what is tried of every file


@dataclass
class Walk:
    """An itinerary taken to its end, with what was checked on the way."""

    blocks: list[str]
    items: list[Item]
    itinerary: Itinerary
    band_at: dict[int, int | None] = field(default_factory=dict)  # index of block → band under which it goes out
    kinds: list[str] = field(default_factory=list)

    @property
    def bands(self) -> list[int]:
        return [item.band.number for item in self.items if isinstance(item, Crossing)]


def of_item(item: Item) -> list[Block]:
    match item:
        case Stretch(blocks=blocks):
            return blocks
        case Reassertion(block=block) | PreWait(block=block) | PersonWait(block=block) | DwellAside(block=block):
            return [block]
        case Crossing() | AskPosition():
            return []
    raise TypeError(item)


def facts_of(blocks: list[str], joined: bool) -> Facts:
    deposits = sorted(middles(blocks, joined))
    return Facts(deposits[0] + 1, deposits[-1] + 1)


def walk(
    blocks: list[str], bands: Schedule | None, e_mode: EMode = "apart", facts: Facts | None = None, check: bool = True
) -> Walk:
    """Take the itinerary; check order, bytes, states and bands on the way."""
    numbered: Iterable[tuple[int, bytes]] = ((n, b.encode()) for n, b in enumerate(blocks, 1))
    itinerary = Itinerary(numbered, bands, e_mode, facts)
    done = Walk(blocks, list(itinerary.items()), itinerary)
    state, band, at = Modal(e_mode), None, 0
    holds, laid = Holds(bands), set(middles(blocks, e_mode == "joined"))
    for item in done.items:
        done.kinds.append(type(item).__name__)
        if not isinstance(item, AskPosition):
            assert seen(item.modal) == seen(state), f"state before block {at + 1}"
        if isinstance(item, Crossing):
            assert (item.line, item.block) == (at + 1, at + 1)
            band = item.band.number
        for block in of_item(item):
            holds.hear(block)
            assert (block.line, block.text) == (at + 1, blocks[at].encode())
            done.band_at[at] = band
            state.apply(block.text)
            if at in laid:
                holds.check(f"block {at + 1}, {blocks[at]}")
            at += 1
        holds.take(item)
    assert at == len(blocks)
    if check and bands is not None:
        for index, middle in middles(blocks, e_mode == "joined").items():
            told = f"block {index + 1}, {blocks[index]}, middle {float(middle):.4f}"
            assert done.band_at[index] in bands_of(bands, middle), told
    return done


class Holds:
    """What the printer has been set to, by the file's blocks and by us, held against the band at each deposit."""

    def __init__(self, bands: Schedule | None) -> None:
        self.channels = bands.channels if bands is not None else ()
        self.set: dict[str, float] = {}
        self.wanted: dict[str, float] = {}

    def hear(self, block: Block) -> None:
        setpoint = setpoint_of(words_of(block.text))
        if setpoint is not None and setpoint.channel in self.channels and setpoint.tool is None:
            self.set[setpoint.channel] = setpoint.value

    def take(self, item: Item) -> None:
        match item:
            case Crossing(band=band, setpoints=setpoints):
                self.set |= setpoints
                self.wanted = dict(band.setpoints)
            case Reassertion(channel=channel, value=float(value)):
                self.set[channel] = value
            case PreWait(setpoint=setpoint, reassert=float(value)):
                self.set[setpoint.channel] = value
            case _:
                pass

    def check(self, told: str) -> None:
        for channel, value in self.wanted.items():
            assert self.set[channel] == value, f"{channel} at {told}"


def seen(modal: Modal) -> dict[str, object]:
    return {name: getattr(modal, name) for name in Modal.__slots__ if name not in LAST_OF_BLOCK}


def lines(text: bytes) -> list[str]:
    return [block.decode() for _, block in blocks_of(io.BytesIO(text), "tower.gcode")]


# ---- files of every kind

START = ["G90", "M83", "G21", "G28", "G92 E0"]


def test_a_plain_tower_crosses_at_the_middles_of_its_layers() -> None:
    """Layers of 0.2: the one at Z 0.8 has its middle at 0.7, the lower end of band 2, which it includes."""
    done = walk(START + layers(8), THREE)
    crossings = [item for item in done.items if isinstance(item, Crossing)]
    assert [(c.band.number, round(c.z, 6), round(c.middle, 6)) for c in crossings] == [
        (1, 0.2, 0.1),
        (2, 0.8, 0.7),
        (3, 1.4, 1.3),
    ]
    assert [c.setpoints for c in crossings] == [{"nozzle": 240.0}, {"nozzle": 230.0}, {"nozzle": 220.0}]
    assert [c.left.number if c.left else None for c in crossings] == [None, 1, 2]
    assert [c.top for c in crossings] == pytest.approx([0.0, 0.6, 1.2])


@pytest.mark.parametrize(("height", "band"), [(0.6981, 1), (0.6995, 2), (0.7, 2), (0.705, 2)])
def test_the_micrometre_at_a_boundary(height: float, band: int) -> None:
    """Lower included, upper excluded, within 1 µm."""
    first = ["G1 Z0.4", "G1 X10 E1", f"G1 Z{2 * height - 0.4:.5f}", "G1 X0 E1"]
    assert walk(START + first, THREE).bands[-1] == band


def test_parts_in_turn_cross_back_down() -> None:
    done = walk(START + layers(8) + layers(8, at=90.0) + layers(3, height=0.25, at=20.0), THREE)
    assert done.bands == [1, 2, 3, 1, 2, 3, 1]


def test_parts_of_other_layer_heights_find_their_own_layer_below() -> None:
    """The second part's layer at 0.9 lies on its own at 0.6 (middle 0.75, band 2), not on the first one's at 0.8."""
    bands = schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(0.8,))
    assert walk(START + layers(4) + layers(3, height=0.3, at=90.0), bands).bands == [1]
    assert walk(START + layers(4) + layers(4, height=0.3, at=90.0), bands).bands == [1, 2]


def test_a_finished_part_is_nothing_to_lie_on() -> None:
    """Layers of 0.2 then of 0.3: at 0.6 the first has its middle at 0.5, the second at 0.45."""
    bands = schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(0.48,))
    done = walk(START + layers(4) + layers(4, height=0.3, at=90.0), bands)
    assert [round(c.z, 6) for c in done.items if isinstance(c, Crossing)] == [0.2, 0.6, 0.3, 0.9]


def test_a_part_taken_up_again_lies_on_itself_and_not_in_the_air() -> None:
    """The first part goes on above a shorter one: no layer is 2 mm thick."""
    bands = schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(2.5,))
    again = [block for n in range(15, 18) for block in square(n * 0.2)]
    done = walk(START + layers(14) + layers(3, at=90.0) + again, bands)
    assert done.bands == [1, 2, 1, 2]
    assert [round(c.middle, 3) for c in done.items if isinstance(c, Crossing)] == [0.1, 2.5, 0.1, 2.9]


def test_z_hops_never_cross() -> None:
    """Hops of 3 mm, over every boundary, in every layer: two crossings up and that is all."""
    hops: list[str] = []
    for n in range(8):
        hops += square((n + 1) * 0.2)
        hops += ["G1 E-0.8 F1800", "G91", "G1 Z3 F600", "G90", "G0 X20 Y20", "G91", "G1 Z-3", "G90", "G1 E0.8"]
    done = walk(START + hops, THREE)
    assert done.bands == [1, 2, 3]


@pytest.mark.parametrize("e_mode", ["joined", "apart"])
def test_both_families_of_firmware(e_mode: EMode) -> None:
    """G90 after M83: in one family E turns absolute; the same blocks lay down other things, each in its band."""
    relative = START + layers(8)
    assert walk(relative, THREE, e_mode, check=True).bands[0] == 1
    hops = ["G90", "M83"] + [
        w for n in range(8) for w in (*square(n * 0.2 + 0.2), "G91", "G1 Z1", "G1 Z-1", "G90", "M83")
    ]
    assert walk(hops, THREE, e_mode).bands == [1, 2, 3]


@pytest.mark.parametrize("e_mode", ["joined", "apart"])
@pytest.mark.parametrize("every", [None, 1, 3])
def test_absolute_e_with_and_without_resets(e_mode: EMode, every: int | None) -> None:
    blocks, e = ["G90", "M82", "G28"], 0.0
    for n in range(8):
        if every and n % every == 0:
            blocks.append("G92 E0")
            e = 0.0
        blocks += [f"G1 E{e - 0.8:.5f} F1800", f"G0 Z{n * 0.2 + 0.2:.3f}", f"G1 E{e:.5f}"]
        for x, y in ((60, 50), (60, 60), (50, 60), (50, 50)):
            e += 0.4
            blocks.append(f"G1 X{x} Y{y} E{e:.5f}")
    done = walk(blocks, THREE, e_mode)
    assert done.bands == [1, 2, 3]
    assert done.itinerary.ambiguous_line is None


def test_where_the_meaning_depends_on_the_family_the_line_is_known() -> None:
    blocks = ["M83", "G90", "G1 X5 F600", "G1 X9 E0.1", "G1 X5 E0.1"]
    families: tuple[EMode | None, ...] = (None, "joined", "apart")
    for e_mode in families:
        itinerary = Itinerary(((n, b.encode()) for n, b in enumerate(blocks, 1)), None, e_mode)
        list(itinerary.items())
        assert itinerary.ambiguous_line == 4


def test_blocks_that_machines_may_take_differently_are_known_with_their_lines() -> None:
    itinerary = walk(["G28", "G91 G1 X5", "G1 X5 X6", *["X5"] * 100], None).itinerary
    assert list(itinerary.unclear.values()) == [(2, 1), (3, 1), (4, 100)]


def test_relative_motion_all_through() -> None:
    blocks = ["G91", "M83", "G28"]
    for _ in range(8):
        blocks += ["G1 E-0.8", "G1 Z0.6", "G1 X5 Y5", "G1 Z-0.4", "G1 E0.8"]
        blocks += ["G1 X10 E0.4", "G1 Y10 E0.4", "G1 X-10 E0.4", "G1 Y-10 E0.4", "G1 X-5 Y-5"]
    assert walk(blocks, THREE).bands == [1, 2, 3]
    assert walk(blocks, THREE, "joined").bands == [1, 2, 3]


def test_inches() -> None:
    blocks = ["G20", "G90", "M83", "G28"]
    for n in range(8):
        blocks += [f"G1 Z{(n + 1) * 0.2 / 25.4:.6f}", "G1 X0.4 E0.02", "G1 Y0.4 E0.02", "G1 X0 E0.02", "G1 Y0 E0.02"]
    bands = schedule({"nozzle": 240.0}, {"nozzle": 230.0}, {"nozzle": 220.0}, heights=(0.75, 1.35))
    assert walk(blocks, bands).bands == [1, 2, 3]


def test_arcs() -> None:
    blocks = list(START)
    for n in range(8):
        blocks += [
            "G1 E-0.8",
            f"G0 Z{n * 0.2 + 0.2:.2f}",
            "G0 X60 Y50",
            "G1 E0.8",
            "G3 X50 Y60 I-10 E1",
            "G2 X60 Y50 R10 E1",
        ]
        blocks.append("G2 I-5 E2")
    assert walk(blocks, THREE).bands == [1, 2, 3]


def spiral(turns: int, pitch: float, segments: int, decimals: int, start: float = 0.0) -> Iterator[str]:
    for n in range(1, turns * segments + 1):
        angle, z = 2 * math.pi * n / segments, start + pitch * n / segments
        yield f"G1 X{60 + 10 * math.cos(angle):.3f} Y{60 + 10 * math.sin(angle):.3f} Z{z:.{decimals}f} E0.03"


@pytest.mark.parametrize(("segments", "decimals"), [(24, 3), (150, 3), (400, 3), (2500, 5), (2100, 6)])
def test_a_spiral_crosses_at_the_middle_of_its_own_path(segments: int, decimals: int) -> None:
    """From coarse to so fine that a block rises by less than 0.1 µm, or by nothing at the file's last decimal."""
    blocks = [*START, "G0 X70 Y60 F6000", *spiral(8, 0.2, segments, decimals)]
    done = walk(blocks, THREE, check=segments < 200)
    assert done.bands == [1, 2, 3]
    for crossing in (item for item in done.items if isinstance(item, Crossing)):
        if crossing.band.number > 1:
            assert crossing.middle == pytest.approx(
                crossing.band.from_mm, abs=0.0011 + 0.2 / segments + 10.0**-decimals
            )
    begun = sum(isinstance(item, Stretch) and item.layer_begins for item in done.items)
    assert 8 <= begun <= 13, "a layer of a spiral is a turn or so, not a block"


@pytest.mark.parametrize("segments", [24, 60])
@pytest.mark.parametrize("turns", [4, 40])
def test_a_flat_floor_then_a_spiral_then_a_flat_rim(turns: int, segments: int) -> None:
    """The rim goes on where the spiral ended, and stays in its band; what is then laid above it is a layer again."""
    top = 0.6 + 0.2 * turns
    rim = ["G1 X50 Y60 E1", "G1 X60 Y50 E1", f"G1 Z{top + 0.2:.2f}", "G1 X50 E1"]
    blocks = [*START, *layers(3), "G0 X70 Y60", *spiral(turns, 0.2, segments, 3, start=0.6), *rim]
    done = walk(blocks, schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(top - 0.07,)))
    assert [c.z for c in done.items if isinstance(c, Crossing)][1:] == [pytest.approx(top - 0.066, abs=0.008)]
    assert done.itinerary.top == pytest.approx(top + 0.2)


@pytest.mark.parametrize("steps", [1, 4, 12])
def test_a_seam_that_tapers_into_its_layer_does_not_make_the_layer_a_spiral(steps: int) -> None:
    """The first moves of each layer slope up from the one below; the layer's middle stays where it is."""
    blocks = list(START)
    for n in range(8):
        blocks += [
            f"G1 X{50 + 5 * s / steps:.3f} Y50 Z{n * 0.2 + 0.2 * s / steps:.4f} E0.1" for s in range(1, steps + 1)
        ]
        blocks += ["G1 X60 E0.1", "G1 Y60 E0.4", "G1 X50 Y50 E0.4"]
    done = walk(blocks, schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(1.0 + 0.2,)))
    flat = [done.band_at[n] for n, block in enumerate(blocks) if block == "G1 Y60 E0.4"]
    assert flat == [1, 1, 1, 1, 1, 1, 2, 2]


def test_spirals_in_turn() -> None:
    blocks = [*START, *spiral(8, 0.2, 24, 4), "G0 X200 Z0", *spiral(8, 0.2, 24, 4), *layers(1, height=1.8)]
    assert walk(blocks, THREE).bands == [1, 2, 3, 1, 2, 3]
    blocks = [*START, *spiral(20, 0.2, 24, 4), "G0 X200 Z0", *spiral(5, 0.2, 24, 4), "G1 Z1.2", "G1 X50 E1"]
    done = walk(blocks, schedule({"nozzle": 240.0}, {"nozzle": 230.0}, heights=(1.1,)), check=False)
    assert done.bands == [1, 2, 1], (
        "what is laid at 1.2 lies on the second spiral (middle 1.0), not on the first one's trace"
    )


def test_a_purge_that_rises_belongs_to_band_1() -> None:
    """What is laid down before the first layer belongs to band 1; here at 15 mm, above every boundary."""
    blocks = [*START, "G1 Z5 F600", "G1 Z15 E20", "G1 E-1", *layers(8)]
    assert walk(blocks, THREE).bands == [1, 2, 3]


def test_a_purge_line() -> None:
    blocks = [*START, "G1 X5 Y5 Z0.3 F3000", "G1 Y100 E10", "G1 X5.4", "G1 Y5 E10", "G92 E0", *layers(8)]
    done = walk(blocks, THREE)
    assert done.bands == [1, 2, 3]
    assert done.band_at[6] == 1


def test_bytes_come_from_the_file_as_they_stand() -> None:
    """Lower case, CRLF, CR, own numbers and sums, comments, blank lines, a mark of UTF-8, no newline at the end."""
    text = (
        b"\xef\xbb\xbf; a tower\r\nn1 g90*14\r\nN2 M83 *33\r\n\r\n  g28 ; home\rg1 z.2f600\ng1x10e1\n"
        b"( across )\nG1 (here) Y10 E1\n%\nM110 N5\nG1   X0  E1"
    )
    assert lines(text) == ["g90", "M83", "g28", "g1 z.2f600", "g1x10e1", "G1  Y10 E1", "G1   X0  E1"]
    assert walk(lines(text), THREE).bands == [1]
    numbers = [number for number, _ in blocks_of(io.BytesIO(text), "tower.gcode")]
    assert numbers == [2, 3, 5, 6, 7, 9, 12]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("chunk", [1, 7, 64])
def test_line_ends_at_the_edge_of_a_read_count_once(end: bytes, chunk: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("banderole.plan.blocks.CHUNK_BYTES", chunk)
    text = end.join([b"G28", b"", b"G1 X1", b"; nothing", b"G1 X2", b""])
    assert list(blocks_of(io.BytesIO(text), "t")) == [(1, b"G28"), (3, b"G1 X1"), (5, b"G1 X2")]


def test_a_file_cut_off_within_a_number_gives_no_command_of_it() -> None:
    whole = b"G28\nG1 Z10\nG1 X120"
    assert [block for _, block in blocks_of(io.BytesIO(whole), "t", 3)] == [b"G28", b"G1 Z10", b"G1 X120"]
    cut = blocks_of(io.BytesIO(whole[:9]), "t", 3)  # Z1 of Z10: into the part
    assert next(cut) == (1, b"G28")
    with pytest.raises(InputError, match="t:2"):
        next(cut)
    assert [block for _, block in blocks_of(io.BytesIO(whole[:4]), "t", 3)] == [b"G28"]


# ---- plinth and hold points


def test_a_plinth_with_the_files_own_setpoints() -> None:
    """Nothing is set for it; coming back to it, what the file had set is put back."""
    bands = schedule({}, {"nozzle": 230.0}, {"nozzle": 220.0}, heights=(0.7, 1.3))
    blocks = ["M104 S215", *START, *layers(8), *layers(8, at=90.0)]
    crossings = [item for item in walk(blocks, bands).items if isinstance(item, Crossing)]
    assert [c.band.number for c in crossings] == [1, 2, 3, 1, 2, 3]
    assert [c.setpoints for c in crossings[:4]] == [{}, {"nozzle": 230.0}, {"nozzle": 220.0}, {"nozzle": 215.0}]


def test_in_a_plinth_of_its_own_the_files_setpoints_pass() -> None:
    bands = schedule({}, {"nozzle": 230.0}, {"nozzle": 220.0}, heights=(0.7, 1.3))
    blocks = [*START, *layers(2), "M104 S210", *layers(8)[18:], *layers(1, at=90.0)]
    done = walk(blocks, bands)
    assert "Reassertion" not in done.kinds
    assert [c.setpoints for c in done.items if isinstance(c, Crossing)][-1] == {"nozzle": 210.0}


# ---- where a crossing comes


def cut_of(gap: list[str], bands: Schedule = THREE) -> tuple[int, Crossing]:
    """The crossing to band 2 in this gap: how many blocks of the gap go out before it."""
    before = [*START, "G1 Z0.6", "G1 X10 E1"]
    done = walk([*before, *gap, "G1 X0 E1"], bands)
    crossing = [item for item in done.items if isinstance(item, Crossing)][1]
    assert crossing.band.number == 2
    return crossing.block - 1 - len(before), crossing


@pytest.mark.parametrize(
    ("gap", "cut"),
    [
        (["G1 E-0.8", "G1 Z1.4", "G0 X5", "G1 Z0.9", "G1 E0.8"], 4),  # as late as the filament is back
        (["G1 E-0.8", "G1 Z1.4", "G0 X5", "G1 Z0.9", "M117 x", "G1 E0.8", "G0 X6"], 5),
        (["G10", "G1 Z0.9", "G11"], 2),
        (["G1 E-0.8", "G1 Z0.9"], 2),
        (["G1 Z0.9"], 1),  # never back: at its end
        (["G1 E-0.8", "G1 E0.8", "G1 Z0.9"], 1),
        (["G1 E-0.8", "G1 Z0.9", "G1 E0.8", "M106 S50"], 2),  # a channel that nobody scheduled
    ],
)
def test_a_crossing_comes_as_late_as_the_filament_is_back(gap: list[str], cut: int) -> None:
    got, crossing = cut_of(gap)
    assert got == cut
    assert crossing.modal.back is ("G1 E-0.8" in gap or "G10" in gap)


def test_the_first_crossing_comes_after_the_files_own_setpoints() -> None:
    """Before the first deposit they pass; band 1's crossing comes behind the last of them."""
    blocks = [*START, "G1 E-0.8", "M104 S200", "G1 Z0.2", "M104 S205", "G1 E0.8", "M106 S0", "G1 X10 E1"]
    done = walk(blocks, THREE)
    (crossing,) = (item for item in done.items if isinstance(item, Crossing))
    assert blocks[crossing.block - 1] in ("G1 E0.8", "M106 S0", "G1 X10 E1")
    assert "Reassertion" not in done.kinds
    blocks = [*START, "G1 E-0.8", "G1 Z0.2", "G1 E0.8", "M104 S200", "G1 X10 E1"]
    (crossing,) = (item for item in walk(blocks, THREE).items if isinstance(item, Crossing))
    assert crossing.block == len(blocks)


def test_a_crossing_out_of_a_plinth_of_its_own_comes_after_the_files_setpoints() -> None:
    """Else the file's value, sent behind it, would hold in band 2 (the walk checks what holds at each deposit)."""
    bands = schedule({}, {"nozzle": 230.0}, {"nozzle": 220.0}, heights=(0.7, 1.3))
    blocks = [*START, *layers(3), "G1 E-0.8", "G1 Z0.8", "G1 E0.8", "M104 S210", "G1 X10 E1", "G1 Y10 E1"]
    crossing = [item for item in walk(blocks, bands).items if isinstance(item, Crossing)][-1]
    assert blocks[crossing.block - 1] == "G1 X10 E1"


# ---- the file's own setpoints


def test_in_the_middle_a_setpoint_goes_out_and_the_bands_is_set_again() -> None:
    blocks = [*START, *layers(2), "M104 S200", "M106 S255", *layers(8)[18:], "M104 S0", "G1 Z30"]
    done = walk(blocks, THREE, facts=facts_of(blocks, False))
    middle, last = (item for item in done.items if isinstance(item, Reassertion))
    assert (middle.channel, middle.value, middle.file_value) == ("nozzle", 240.0, 200.0)
    assert (last.value, last.file_value) == (None, 0.0), "a zero after the last deposit stands"
    blocks = [*START, *layers(2), "M106 S0"]
    fan = schedule({"fan": 100.0}, {"fan": 50.0}, heights=(0.7,), channels=("fan",))
    (fan_off,) = (
        item for item in walk(blocks, fan, facts=facts_of(blocks, False)).items if isinstance(item, Reassertion)
    )
    assert (fan_off.channel, fan_off.value) == ("fan", None), "it stands too, once all is laid down"


def test_the_setpoint_of_another_tool_is_not_ours() -> None:
    blocks = [*START, *layers(2), "M104 T1 S200", *layers(4)[18:]]
    assert "Reassertion" not in walk(blocks, THREE).kinds


@pytest.mark.parametrize("wait", ["M109 S200", "M109 R180", "M190 S60"])
def test_waits_of_the_file(wait: str) -> None:
    blocks = [*START, wait, *layers(2), wait, *layers(8)[18:], wait]
    done = walk(blocks, THREE, facts=facts_of(blocks, False))
    first, middle, last = (item for item in done.items if isinstance(item, PreWait))
    assert [w.over_part for w in (first, middle, last)] == [False, True, False]
    assert [w.reassert for w in (first, middle, last)] == [None, 240.0 if "M109" in wait else None, None]
    assert {w.setpoint.both_ways for w in (first, middle, last)} == {" R" in wait}


@pytest.mark.parametrize("wait", ["M0", "M1 look", "M600"])
def test_waits_for_a_person(wait: str) -> None:
    assert walk([*START, *layers(2), wait, *layers(4)[18:]], THREE).kinds.count("PersonWait") == 1


@pytest.mark.parametrize(("pause", "aside"), [("G4 S3", 1), ("G4 P2500", 1), ("G4 S2", 0), ("G4 P500", 0)])
def test_long_pauses_are_spent_aside(pause: str, aside: int) -> None:
    blocks = [pause, *START, *layers(2), pause, *layers(4)[18:], pause]
    assert walk(blocks, THREE, facts=facts_of(blocks, False)).kinds.count("DwellAside") == aside


@pytest.mark.parametrize("home", ["G28", "G28 X Y", "G29", "G30"])
def test_after_homing_the_position_is_asked(home: str) -> None:
    """And what the printer says counts from then on, also for the height that decides."""
    blocks = ["G90", "M83", home, "G91", "G1 Z0.2", "G1 X10 E1"]
    itinerary = Itinerary(((n, b.encode()) for n, b in enumerate(blocks, 1)), THREE, "apart")
    bands = []
    for item in itinerary.items():
        if isinstance(item, AskPosition):
            assert (item.line, item.head) == (3, home.split()[0])
            itinerary.located({"Z": 0.9})
        if isinstance(item, Crossing):
            bands.append(item.modal.z)
            assert item.z == pytest.approx(1.1)
    assert bands == [pytest.approx(1.1)]
    itinerary = Itinerary(enumerate([b"M83", home.encode(), b"G1 X10 E1"], 1), THREE, "apart")
    for item in itinerary.items():
        if isinstance(item, AskPosition):
            itinerary.located({"Z": 0.9})
        if isinstance(item, Crossing):
            assert (item.modal.z, item.z) == (0.9, 0.9)
            assert item.band.number == 1


# ---- any program at all

PIECES = st.one_of(
    st.integers(1, 20).map(lambda n: [f"G1 Z{n / 10:.1f}"]),
    st.tuples(st.integers(0, 9), st.integers(0, 9)).map(lambda p: [f"G1 X{p[0]} Y{p[1]} E0.1"]),
    st.integers(0, 9).map(lambda x: [f"G0 X{x} Y{x}"]),
    st.sampled_from(
        ["G1 E-0.8", "G1 E0.8", "G10", "G11", "M117 x", "G92 E0", "M106 S9", "G28 X", "M0", "G4 S5", "G4 S1"]
    ).map(lambda b: [b]),
    st.sampled_from([200, 0]).map(lambda v: [f"M104 S{v}"]),
    st.sampled_from(["M109 S200", "M109 R150", "M190 S60", "M104 T1 S90"]).map(lambda b: [b]),
    st.just(["G91", "G1 Z0.4", "G90"]),
    st.just(["G91", "G1 X3 E0.2", "G90"]),
)


SLOPES = st.tuples(st.integers(0, 9), st.integers(1, 20)).map(lambda p: [f"G1 X{p[0]} Z{p[1] / 10:.1f} E0.1"])
FLAT = st.lists(PIECES, max_size=60)
SLOPING = st.lists(
    PIECES.filter(lambda piece: piece[0][:4] != "G1 X" and "G1 X3 E0.2" not in piece) | SLOPES, max_size=60
)


@settings(max_examples=200, deadline=None)
@given(FLAT | SLOPING, st.booleans(), st.booleans())
def test_any_program(pieces: list[list[str]], two: bool, plinth: bool) -> None:
    """Bands, bytes, order and states, whatever stands in the file; and cuts where the file's own setpoints allow."""
    blocks = ["G90", "M83", *(block for piece in pieces for block in piece)]
    channels = ("nozzle", "fan") if two else ("nozzle",)
    rows = [dict.fromkeys(channels, 100.0 - 10 * n) for n in range(3)]
    bands = schedule({} if plinth else rows[0], rows[1], rows[2], heights=(0.68, 1.32), channels=channels)
    laid = sorted(middles(blocks, False))
    facts = Facts(laid[0] + 1, laid[-1] + 1) if laid else None
    done = walk(blocks, bands, "apart", facts)
    assert bool(done.bands) is bool(laid)
    at, last = 0, -1
    for item in done.items:
        if isinstance(item, Crossing):
            own = [i for i in range(last + 1, min(i for i in laid if i >= at)) if scheduled(blocks[i], channels)]
            assert not own or item.left is not None or own[-1] < at, "band 1 comes behind the file's own setpoints"
        for _ in of_item(item):
            last = at if at in done.band_at and at in laid else last
            at += 1


def scheduled(block: str, channels: tuple[str, ...]) -> bool:
    setpoint = setpoint_of(words_of(block.encode()))
    return setpoint is not None and setpoint.channel in channels and setpoint.tool is None


# ---- constant memory


def plain(count: int) -> Iterator[tuple[int, bytes]]:
    chance = random.Random(1)
    yield from enumerate([b"G90", b"M83", b"G1 Z0.2 F1200"], 1)
    for n in range(count):
        yield n + 4, b"G1 X%.3f Y%.3f E%.5f" % (chance.uniform(0, 99), chance.uniform(0, 99), 0.0321)


def fine_spiral(count: int) -> Iterator[tuple[int, bytes]]:
    yield from enumerate([b"G90", b"M83", b"G28"], 1)
    for n in range(count):
        yield n + 4, b"G1 X%d Y%d Z%.3f E0.01" % (n % 7, n % 11, n * 0.0005)


def idle(count: int) -> Iterator[tuple[int, bytes]]:
    yield from ((n + 1, b"M117 %d" % n) for n in range(count))


def travels(count: int) -> Iterator[tuple[int, bytes]]:
    yield from ((n + 1, b"G1 X%d" % (n % 100)) for n in range(count))


@pytest.mark.slow
@pytest.mark.parametrize("source", [plain, fine_spiral, idle, travels])
def test_memory_is_constant(source: object) -> None:
    """Three times the file takes no more: what is held is a stretch, or a gap."""
    peaks = []
    for count in (10_000, 30_000):
        tracemalloc.start()
        for item in Itinerary(source(count), THREE, "apart").items():  # type: ignore[operator]
            assert len(of_item(item)) <= GAP_BLOCKS + STRETCH_BLOCKS + 1
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] * 1.2 + 20_000, peaks


def test_a_megabyte_of_line_ends_takes_no_longer_than_other_text() -> None:
    """A CR may be an end of its own or half of one: to look for its LF must not take longer the more of them there are."""

    def seconds_for(end: bytes, last: int) -> float:
        text = b"G28\n" + end * 1_000_000 + b"\nG1 X5\r"
        began = time.process_time()
        assert [number for number, _ in blocks_of(io.BytesIO(text), "tower.gcode")] == [1, last]
        return time.process_time() - began

    # The last CR and the LF behind it are one end; two LF are two.
    assert seconds_for(b"\r", 1_000_002) < 1.5 * seconds_for(b"\n", 1_000_003)
