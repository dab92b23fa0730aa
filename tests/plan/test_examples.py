"""The examples are held to what they claim: files that regenerate, schedules that fit them, printer files that load."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
TOWERS = ("tower.gcode", "short-tower.gcode")


@pytest.fixture(scope="module")
def writer() -> ModuleType:
    """``examples/tower.py`` as a module; it is a script, in no package."""
    spec = importlib.util.spec_from_file_location("tower_example", EXAMPLES / "tower.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", TOWERS)
def test_a_tower_is_what_its_first_line_says_it_was_written_with(name: str, writer: ModuleType) -> None:
    written = (EXAMPLES / name).read_text(encoding="ascii")
    spelled = written.partition("\n")[0].partition("tower.py ")[2]
    assert writer.tower(writer.chosen(spelled.split())) == written


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("--rise 7.4", "whole layers"),
        ("--steps 0", "steps 1 to 60"),
        ("--steps 60 --rise 10", "240 mm"),
        ("--layer 0.5", "layer 0.05 to 0.4"),
        ("--nozzle warm", "--nozzle"),
    ],
)
def test_options_that_make_no_tower_end_with_usage(
    words: str, told: str, writer: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        writer.chosen(words.split())
    assert ended.value.code == 2
    assert told in capsys.readouterr().err
