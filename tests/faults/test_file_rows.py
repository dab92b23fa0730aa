"""Files that are malformed, hostile or ambiguous (F1 to F3): refused in one line that says what, before anything is sent."""

from __future__ import annotations

import copy
import datetime
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from banderole.bench import MemoryPort
from banderole.cli.main import command_line
from banderole.link.port import SerialPort
from banderole.plan.config import Printer, load_printer
from banderole.plan.refusal import InputError
from banderole.plan.schedule import load_schedule
from banderole.plan.schedule_file import BandRow, HoldPoint, SettleSettings, Stairs
from pydantic import BaseModel

from tests.faults.ends import finishes
from tests.rehearsal.acts import act, write
from tests.support.toml_values import written
from tests.support.towers import NOZZLE, How, crlf, numbered, schedule, spaced, tower

PRINTER = """
name = "bench-f"
serial = { port = "emulated" }
firmware = { e_mode = "apart" }
volume = { x = [0, 220], y = [0, 220], z = [0, 250] }
limits = { nozzle = [0, 260] }
broker = { url = "mqtt://localhost:1883" }
"""
BANDS = """
band = [{ from_mm = 0, to_mm = 0.9, nozzle = 220 }, { from_mm = 0.9, nozzle = 212 }]
hold_point = [{ before_band = 2, note = "look" }]
settle = { tolerance = 1.5 }
"""
Path_ = tuple[str | int, ...]
DATE = datetime.datetime(1979, 5, 27, 7, 32, tzinfo=datetime.UTC)

NEVER: tuple[Any, ...] = (DATE, DATE.date(), DATE.time(), {"nonsense": 1}, [[DATE]], [{"nonsense": True}])
"""No key of ours takes one of these."""
FOR_A_NUMBER: tuple[Any, ...] = (math.nan, math.inf, -math.inf, 1e300, -1e300, 10**25, "5", "", True, [5], [])
FOR_A_WORD: tuple[Any, ...] = (5, 1.5, False, ["a"], "\x00", "\x1b[2J", "no such word ☃")
FOR_A_PAIR: tuple[Any, ...] = ([1], [1, 2, 3], [2, 1], ["a", "b"], [math.nan, 1], [1, math.inf], 5, "auto?", [[1], [2]])
FOR_A_SWITCH: tuple[Any, ...] = (1, 0, "true", [True], math.nan)


def leaves(model: type[BaseModel], above: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    """Every key of a file with what it is annotated with."""
    for name, field in model.model_fields.items():
        inner = [m for m in _types(field.annotation) if isinstance(m, type) and issubclass(m, BaseModel)]
        if inner:
            yield from leaves(inner[0], (*above, name))
        else:
            yield (*above, name), field.annotation


def _types(annotation: Any) -> list[Any]:
    inner = getattr(annotation, "__args__", ())
    return [annotation, *(one for part in inner for one in _types(part))]


def malformed(annotation: Any) -> list[Any]:
    """Values that a key of this kind does not take."""
    kinds = _types(annotation)
    if any(getattr(kind, "__origin__", None) is tuple for kind in kinds):
        return [*NEVER, *([5, "x", [5], [math.nan]] if any(kind is ... for kind in kinds) else FOR_A_PAIR)]
    if bool in kinds:
        return [*NEVER, *FOR_A_SWITCH]
    if int in kinds or float in kinds:
        return [*NEVER, *FOR_A_NUMBER]
    return [*NEVER, *FOR_A_WORD]


def put(text: str, path: Path_, value: Any) -> str:
    """The file with this value there; tables on the way are made."""
    data: Any = tomllib.loads(text)
    at = data
    for part in path[:-1]:
        at = at[part] if isinstance(part, int) else at.setdefault(part, {})
    if path[-1] == "change":
        at["first"] = 100  # which a ramp wants before all
    at[path[-1]] = value
    return "".join(f"{key} = {written(one)}\n" for key, one in data.items())


PRINTER_KEYS = dict(leaves(Printer))
STAIRS_KEYS = {("stairs", *path): kind for path, kind in leaves(Stairs)}
ROW_KEYS = {("band", 1, *path): kind for path, kind in leaves(BandRow)}
SETTLE_KEYS = {("settle", *path): kind for path, kind in leaves(SettleSettings)}
HOLD_KEYS = {("hold_point", 0, *path): kind for path, kind in leaves(HoldPoint)}
TOP_KEYS: dict[Path_, Any] = {("title",): str, ("material",): str}


def taken(load: Callable[[], object]) -> str:
    """The refusal, or "" where it was taken."""
    try:
        load()
    except InputError as why:
        return str(why)
    return ""


def told_rightly(said: str, path: Path_, value: Any) -> None:
    assert said, f"{path} = {value!r} was taken"
    assert "\n" not in said
    assert "\x1b" not in said
    names = [part for part in path if isinstance(part, str)]
    key = names[-2] if said.startswith("band ") and names[0] == "stairs" else names[-1]  # a step of stairs is a band
    assert key in said, f"{path} = {value!r}: {key} is not named in {said!r}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("malformed")
    (made / "tower.gcode").write_text(tower())
    (made / "printer.toml").write_text(PRINTER)
    (made / "stairs.toml").write_text(schedule(NOZZLE))
    (made / "bands.toml").write_text(BANDS)
    assert load_schedule(made / "bands.toml", load_printer(made / "printer.toml")).bands
    return made


@pytest.mark.parametrize("path", PRINTER_KEYS, ids=lambda path: ".".join(map(str, path)))
@pytest.mark.fault("F1", on="simulation")
def test_f1_any_malformed_value_of_the_printer_file(path: Path_, folder: Path) -> None:
    file = folder / "spoilt.toml"
    count = 0
    for value in malformed(PRINTER_KEYS[path]):
        if is_fine(path, value):
            continue
        file.write_text(put(PRINTER, path, value))
        told_rightly(taken(lambda: load_printer(file)), path, value)
        count += 1
    assert count >= 8


@pytest.mark.parametrize(
    ("base", "path"),
    [(base, path) for base, keys in (("stairs", {**STAIRS_KEYS, **TOP_KEYS, **SETTLE_KEYS}), ("bands", {**ROW_KEYS, **HOLD_KEYS}))
     for path in keys],
    ids=lambda part: part if isinstance(part, str) else ".".join(map(str, part)),
)  # fmt: skip
@pytest.mark.fault("F1", on="simulation")
def test_f1_any_malformed_value_of_the_schedule(base: str, path: Path_, folder: Path) -> None:
    kinds = {**STAIRS_KEYS, **TOP_KEYS, **SETTLE_KEYS, **ROW_KEYS, **HOLD_KEYS}
    text, file = (folder / f"{base}.toml").read_text(), folder / "spoilt.toml"
    printer = load_printer(folder / "printer.toml")
    count = 0
    for value in malformed(kinds[path]):
        if is_fine(path, value):
            continue
        file.write_text(put(text, path, value))
        told_rightly(taken(lambda: load_schedule(file, printer)), path, value)
        count += 1
    assert count >= 8


def is_fine(path: Path_, value: Any) -> bool:
    """What looks odd and may well be meant: words of a person's own, paths, and a place that is no range."""
    if path == ("aside", "at") and value == [2, 1]:
        return True
    free = {"title", "material", "note", "user", "root", "port", "password_file", "ca_file", "keys_dir", "command"}
    return path[-1] in free and isinstance(value, str)


@pytest.fixture
def no_port(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whoever opens a port fails the test; and folders that nothing has touched."""

    def opened(*_: object) -> None:
        raise AssertionError("a port was opened")

    for port in (MemoryPort, SerialPort):
        monkeypatch.setattr(port, "open", opened)
    for name in ("XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "HOME"):
        (tmp_path / name).mkdir(mode=0o700)
        monkeypatch.setenv(name, str(tmp_path / name))


@pytest.mark.parametrize(
    ("which", "path", "value"),
    [
        ("printer", ("serial", "baud"), math.nan),
        ("printer", ("limits", "nozzle"), [260, 0]),
        ("printer", ("interlocks", "bed", "stuck_s"), -1),
        ("printer", ("volume", "keep_out"), [[1, 2, 3]]),
        ("schedule", ("stairs", "rise_mm"), 0),
        ("schedule", ("stairs", "nozzle"), {"first": DATE}),
        ("schedule", ("settle", "when_late"), "never"),
    ],
)
@pytest.mark.fault("F1", on="simulation")
def test_f1_the_command_ends_with_2_and_opens_nothing(
    which: str, path: Path_, value: Any, folder: Path, tmp_path: Path, no_port: None, capsys: pytest.CaptureFixture[str]
) -> None:
    texts = {"printer": PRINTER, "schedule": (folder / "stairs.toml").read_text()}
    texts[which] = put(texts[which], path, value)
    for name, text in texts.items():
        (tmp_path / f"{name}.toml").write_text(text)
    words = ["run", str(folder / "tower.gcode"), "--schedule", str(tmp_path / "schedule.toml")]
    assert command_line([*words, "--printer", str(tmp_path / "printer.toml"), "--bed-clear"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert str(path[-1]) in said.err
    assert f"{which}.toml" in said.err


# ---- F2: G-code

AT_SURVEY: dict[str, tuple[bytes, int, str]] = {
    "binary": (bytes(range(256)) * 20, 2, "tower.gcode:1"),
    "empty": (b"", 2, "empty"),
    "comments alone": (b"; nothing\n" * 100, 2, "empty"),
    "no deposits": (b"G28\nG1 X10 F600\nM104 S200\n", 2, "nothing is laid down"),
    "a line of a megabyte": (b"G28\nG1 " + b"X1 " * 400_000 + b"\n", 2, "tower.gcode:2"),
    "a NUL": (tower().encode().replace(b"G28", b"G\x0028", 1), 2, "tower.gcode:"),
    "UTF-16": (tower().encode("utf-16"), 2, "UTF-16"),
    **{
        f"{code} in it": (tower(How(inside=((2, f"{code} x.gco" if code == "M23" else code),))).encode(), 3, code)
        for code in ("M23", "M24", "M28", "M30", "M112")
    },
}


@pytest.mark.parametrize("name", AT_SURVEY)
@pytest.mark.fault("F2", on="simulation")
def test_f2_what_cannot_be_run_is_told_at_survey(
    name: str, folder: Path, tmp_path: Path, no_port: None, capsys: pytest.CaptureFixture[str]
) -> None:
    data, code, says = AT_SURVEY[name]
    (tmp_path / "tower.gcode").write_bytes(data)
    words = ["--schedule", str(folder / "stairs.toml"), "--printer", str(folder / "printer.toml")]
    assert command_line(["run", str(tmp_path / "tower.gcode"), *words, "--bed-clear"]) == code
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == 1
    assert says in said.err


@pytest.mark.parametrize(
    "spelling",
    [crlf, spaced, numbered, lambda text: text.replace("\n", "\r").encode(), lambda text: text.rstrip().encode()],
    ids=["CRLF", "blanks, no last newline", "numbers and checksums", "CR", "no last newline"],
)
@pytest.mark.fault("F2", on="simulation")
def test_f2_what_can_be_run_is_sent_as_it_stands(tmp_path: Path, spelling: Callable[[str], bytes]) -> None:
    """Judged against the file as a printer reads it that is given the file alone."""
    with act(tmp_path, data=spelling(tower())) as play:
        finishes(play)


# ---- F3: what G90 does to E


@pytest.mark.parametrize(
    ("how", "refused"),
    [
        (How(mode_last="G90"), True),  # M83, then G90: does that make E absolute?
        (How(relative_e=False, relative_hop=True), False),  # each G90 is followed by M82
        (How(), False),
        (How(mode_last="G90", relative_e=False), False),  # absolute either way
    ],
)
@pytest.mark.fault("F3", on="simulation")
def test_f3_a_silent_printer_file_is_refused_only_where_it_matters(
    how: How, refused: bool, tmp_path: Path, no_port: None, capsys: pytest.CaptureFixture[str]
) -> None:
    file, wanted = write(tmp_path, how)
    silent = tmp_path / "printer.toml"
    silent.write_text(PRINTER.replace('e_mode = "apart"', ""))
    words = ["survey", str(file), "--schedule", str(wanted), "--printer", str(silent)]
    assert command_line(words) == (3 if refused else 0)
    said = capsys.readouterr()
    if refused:
        line = 1 + tower(how).splitlines().index("G90")
        told = said.err + said.out
        assert "e_mode" in told
        assert re.search(rf"tower\.gcode:\d+|line \d+|\b{line}\b", told)


def test_the_values_are_put_where_they_are_meant() -> None:
    spoilt = tomllib.loads(put(PRINTER, ("interlocks", "bed", "stuck_s"), -1))
    assert spoilt["interlocks"]["bed"]["stuck_s"] == -1
    rest = copy.deepcopy(spoilt)
    del rest["interlocks"]
    assert rest == tomllib.loads(PRINTER)
    assert len(PRINTER_KEYS) > 60
