"""The printer file with its origins, and the heaters' file."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from banderole.plan.config import load_printer
from banderole.setup import heaters_file
from banderole.setup.first_order import Identified
from banderole.setup.printer_file import Draft, toml
from hypothesis import given
from hypothesis import strategies as st

FOUND = Identified(24.0, 330.0, 60.0, 0.5, 9.0, 2.0, 0.1, 0.05)
texts = st.text(st.characters(codec="utf-8", exclude_characters="\x7f"), max_size=40)
numbers = st.integers(-(10**9), 10**9) | st.floats(-2000, 2000, allow_nan=False).map(lambda value: round(value, 2))


@given(st.recursive(st.booleans() | numbers | texts, lambda inner: st.lists(inner, max_size=4), max_leaves=8))
def test_a_value_comes_back_out_of_toml(value: object) -> None:
    back = tomllib.loads(f"key = {toml(value)}")["key"]
    assert back == value


def test_a_draft_is_a_printer_file_with_an_origin_behind_each_value(tmp_path: Path) -> None:
    draft = Draft(remarks=["a remark"])
    draft.put("volume", "x", [0.0, 220.0], "asked")
    draft.put("volume", "y", [0.0, 200.5], "asked")
    draft.put("volume", "z", [0.0, 250.0], "default")
    draft.put("serial", "port", "emulated", "given")
    draft.put("serial", "baud", 9600, "found")
    draft.put("serial", "baud", 250000, "found", "by trying")
    draft.put("limits", "nozzle", [0.0, 250.0], "asked")
    draft.put("", "name", "bench-f", "given")
    file = tmp_path / "bench-f.toml"
    file.write_text(draft.text(), encoding="utf-8")
    printer = load_printer(file)
    assert (printer.name, printer.serial.baud, printer.volume.y) == ("bench-f", 250000, (0.0, 200.5))
    values = [line for line in draft.text().splitlines() if " = " in line]
    assert len(values) == 7
    assert all("# " in line for line in values)
    assert next(line for line in values if line.startswith("baud")).endswith("# found: by trying")


def test_a_value_that_toml_does_not_have_is_an_error() -> None:
    with pytest.raises(TypeError, match="no place in a printer file"):
        toml(None)


def test_the_heaters_file_is_read_back_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert heaters_file.read("bench-f") == {}
    heaters_file.write("bench-f", {"nozzle": heaters_file.as_json(FOUND, "2026-01-01T00:00:00Z")})
    assert heaters_file.read("bench-f")["nozzle"]["tau"] == 60.0
    file = tmp_path / "banderole" / "bench-f" / "heaters.json"
    assert [one.name for one in file.parent.iterdir()] == ["heaters.json"]
    for wrong in (
        "",
        "[]",
        '{"heaters": {"nozzle": {}}}',
        '{"heaters": {"nozzle": {"gain": -1, "gain_off": 1, "tau": 1, "tau_off": 1}}}',
    ):
        file.write_text(wrong)
        assert heaters_file.read("bench-f") == {}, wrong
