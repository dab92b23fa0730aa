"""The documents are held to what they say: links, commands, files, tables, bounds, and the way of the imports."""

import ast
import re
import shlex
import tomllib
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from banderole.bench.__main__ import main as bench
from banderole.plan.config import load_printer
from banderole.plan.schedule import load_schedule
from banderole.run import decisions, make_safe, register
from banderole.run.state import as_diagram, as_table

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)  # typer takes a name from click that click 9 will not have
    import click
    import typer
    from banderole.cli import errors
    from banderole.cli.main import app

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "systemd/README.md")
TEXTS = {name: (ROOT / name).read_text(encoding="utf-8") for name in DOCUMENTS}
README, DEVELOPERS = TEXTS["README.md"], TEXTS["DEVELOPERS.md"]


def program() -> click.Group:
    command = typer.main.get_command(app)
    assert isinstance(command, click.Group)
    return command


def section(text: str, heading: str) -> str:
    """What stands under a heading of the second level."""
    _, found, rest = text.partition(f"\n## {heading}\n")
    assert found, f"no section {heading}"
    return rest.partition("\n## ")[0]


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of a language; one in a list is set in by spaces."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", text, re.DOTALL | re.MULTILINE)
    return [re.sub(rf"(?m)^{indent}", "", body) for indent, body in found]


def spans(text: str) -> list[str]:
    """What stands in code quotes, outside fenced blocks."""
    return re.findall(r"`([^`\n]+)`", re.sub(r"(?ms)^ *```.*?^ *```$", "", text))


def lines_shown(text: str) -> list[str]:
    """Every line that a reader may type: of shell blocks, and in code quotes."""
    typed = [line for body in blocks(text, "sh") for line in body.splitlines()]
    return [line.partition(" # ")[0].strip() for line in [*typed, *spans(text)]]


# ---- links and names


def anchors(text: str) -> set[str]:
    """As the usual renderers make them of headings: lower case, spaces to hyphens, punctuation away."""
    headings = re.findall(r"(?m)^#+ (.+)$", text)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_link_leads_somewhere(name: str) -> None:
    folder = (ROOT / name).parent
    for target in re.findall(r"\]\(([^)\s]+)\)", TEXTS[name]):
        file, _, anchor = target.partition("#")
        assert not file or (folder / file).exists(), target
        if anchor:
            assert anchor in anchors((folder / file).read_text() if file else TEXTS[name]), target


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_file_that_is_named_is_there(name: str) -> None:
    named = [word for line in lines_shown(TEXTS[name]) for word in re.findall(r"[\w.@/*-]+", line)]
    ours = [word for word in named if re.match(r"(daemon|protocol|examples|systemd|tests)/", word)]
    for word in ours:
        assert (ROOT / word).exists(), word


def test_every_room_that_is_named_is_there_and_every_room_is_named() -> None:
    drawn = section(DEVELOPERS, "Rooms").partition("```text\n")[2].partition("```")[0]
    named = set(re.findall(r"(?m)^    (\w+)/ ", drawn))
    there = {path.parent.name for path in (ROOT / "daemon/banderole").glob("*/__init__.py")}
    assert named == there


PLACES = ("/dev/", "/etc/", "/opt/", "/run/", "/tmp/", "/usr/", "/var/")  # that every Debian has


@pytest.mark.parametrize("name", DOCUMENTS)
def test_only_places_that_any_machine_has_are_named(name: str) -> None:
    absolute = re.findall(r"(?<![\w.~>:/*+)\]`-])/[a-z]\w*(?:/|\b)", TEXTS[name])
    quoted = re.findall(r"(?<=[`\"(])/[a-z]\w*/", TEXTS[name])
    for path in [*absolute, *quoted]:
        assert f"{path.rstrip('/')}/" in PLACES, path


@pytest.mark.parametrize("name", DOCUMENTS)
def test_nothing_is_left_open_and_no_ticket_is_needed_to_understand(name: str) -> None:
    left = re.search(r"TODO|FIXME|XXX|\b[Ii]ssue \d|(?<![\w&])#\d", TEXTS[name])
    assert left is None, left


# ---- commands


def commands_shown() -> list[tuple[str, str]]:
    shown = [(name, line) for name in DOCUMENTS for line in lines_shown(TEXTS[name])]
    return [(name, line) for name, line in shown if line.startswith("banderole ") and line.isascii()]


@pytest.mark.parametrize(("name", "line"), commands_shown())
def test_every_command_line_can_be_typed(name: str, line: str) -> None:
    words = shlex.split(line.partition(" > ")[0])[1:]
    group = program()
    top = group.make_parser(click.Context(group)).parse_args(words)[1]
    if not top:  # `banderole --help`, `banderole --install-completion`
        return
    command = group.commands.get(top[0])
    assert command is not None, f"there is no {top[0]}"
    given, rest, _ = command.make_parser(click.Context(command)).parse_args(words[words.index(top[0]) + 1 :])
    assert rest == []
    if len(words) > 1:  # the bare name is a way of speaking of it
        missing = [p.name for p in command.params if p.required and given.get(p.name or "") in (None, ())]
        assert missing == []
    for argument in given.values():
        if isinstance(argument, str) and argument.startswith("examples/"):
            assert (ROOT / argument).is_file()


def test_the_readme_shows_command_lines_at_all() -> None:
    assert len([line for name, line in commands_shown() if name == "README.md"]) > 15


@pytest.mark.parametrize("name", sorted(program().commands))
def test_every_command_is_in_readme_and_changelog_and_has_an_example_in_its_help(name: str) -> None:
    assert re.search(rf"`banderole {name}\b|^banderole {name}\b|^sh examples/{name}$", README, re.MULTILINE)
    assert f"`{name}`" in TEXTS["CHANGELOG.md"]
    assert f"Example: banderole {name}" in (program().commands[name].help or "")


def test_what_it_is_said_not_to_do_yet_it_does_not_do() -> None:
    group, said = program(), spans(section(README, "What it does not do yet"))
    assert said
    for span in said:
        words = span.split()
        if len(words) == 1:
            assert words[0] not in group.commands
        elif words[0] in group.commands:
            options = {option for p in group.commands[words[0]].params for option in p.opts}
            assert words[1] not in options


def test_the_emulated_printer_takes_the_options_shown(capsys: pytest.CaptureFixture[str]) -> None:
    shown = [line for line in lines_shown(DEVELOPERS) if line.startswith("python -m banderole.bench ")]
    assert shown
    for line in shown:
        with pytest.raises(SystemExit) as left:  # `--help` behind it: everything before it must have been understood
            bench([*shlex.split(line)[3:], "--help"])
        assert left.value.code == 0
        assert "usage" in capsys.readouterr().out


# ---- files of the reader's own


def test_the_printer_file_of_the_readme_is_one(tmp_path: Path) -> None:
    printers = [body for body in blocks(README, "toml") if body.startswith("name =")]
    brokers = [body for body in blocks(README, "toml") if body.startswith("[broker]")]
    assert len(printers) == len(brokers) == 1
    file = tmp_path / "my-printer.toml"
    for text in (printers[0], printers[0] + brokers[0]):
        file.write_text(text, encoding="utf-8")
        assert load_printer(file).name == file.stem


def test_the_schedules_of_the_readme_are_schedules_and_the_drawing_tells_their_bands(tmp_path: Path) -> None:
    schedules = [body for body in blocks(README, "toml") if body.startswith("title =")]
    assert len(schedules) == 2
    drawing = next(body for body in blocks(README, "text") if "middle" in body)
    drawn = [(float(z), int(band)) for z, band in re.findall(r"([\d.]+) +band (\d)", drawing)]
    assert len(drawn) == 3
    for text in schedules:
        tomllib.loads(text)
        file = tmp_path / "schedule.toml"
        file.write_text(text, encoding="utf-8")
        schedule = load_schedule(file)
        assert [(middle, schedule.band_at(middle).number) for middle, _ in drawn] == drawn


# ---- tables


def test_the_state_table_and_its_picture_are_the_codes_own() -> None:
    assert as_table() in DEVELOPERS
    assert decisions.as_table() in DEVELOPERS
    assert register.as_table() in DEVELOPERS
    assert f"```mermaid\n{as_diagram()}" in DEVELOPERS


def test_the_bounds_of_the_ladder_are_the_codes_own() -> None:
    said = re.findall(r"`([A-Z_]+_S)` (\d+) s", section(DEVELOPERS, "Making safe, rung by rung"))
    assert {name for name, _ in said} == {
        "LADDER_S", "PROOF_S", "DEAF_S", "QUEUED_S", "BREAK_S", "GREET_S", "STOP_S", "REOPEN_S", "FAN_S",
    }  # fmt: skip
    for name, seconds in said:
        assert getattr(make_safe, name) == float(seconds), name


def test_the_exit_codes_are_those_of_the_program() -> None:
    told = {int(code) for code in re.findall(r"(?m)^\| (\d+) \|", section(README, "Exit codes"))}
    used = {0, 5, *errors.CODES.values(), errors.USAGE, errors.INTERRUPTED, errors.OUR_FAULT}  # 5: of the run's own end
    assert told == used


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(one for extra in project["optional-dependencies"].values() for one in extra)]
    reasons = section(README, "What it is made of")
    for requirement in wanted:
        name = re.split(r"[<>=\[ ]", requirement)[0]
        assert re.search(rf"(?m)^\|[^|]*\b{re.escape(name)}\b[^|]*\|", reasons), name


# ---- the way of the imports

MAY_USE = {
    "cli": {"record", "link", "setup", "rehearsal", "run", "plan", "protocol", "places", "bench", "demo"},
    "record": {"run", "plan", "protocol", "places"},
    "link": {"run", "plan", "protocol", "places"},
    "setup": {"run", "plan", "protocol", "places"},
    "rehearsal": {"run", "plan", "protocol", "places", "bench"},
    "run": {"plan", "protocol", "places"},
    "plan": {"protocol", "places"},
    "demo": set[str](),
    "places": set[str](),
    "bench": set[str](),
    "protocol": set[str](),
}
NOT_IN_PROTOCOL = {"asyncio", "socket", "serial", "time", "pathlib"}
PACKAGES = {"banderole": ROOT / "daemon" / "banderole", "banderole_protocol": ROOT / "protocol" / "banderole_protocol"}


def modules() -> Iterator[tuple[str, Path]]:
    """Dotted name and file of every module of ours."""
    for package, folder in PACKAGES.items():
        for file in sorted(folder.rglob("*.py")):
            parts = [package, *file.relative_to(folder).with_suffix("").parts]
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), file


def room_of(module: str) -> str:
    """The room of a dotted name; "" for the top of the distribution, which holds the version."""
    first, _, rest = module.partition(".")
    return "protocol" if first == "banderole_protocol" else rest.partition(".")[0]


def imported(module: str, file: Path) -> Iterator[str]:
    """Dotted names of all that a module imports, wherever it stands in it."""
    package = module if file.name == "__init__.py" else module.rpartition(".")[0]
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package.rsplit(".", node.level - 1)[0] if node.level else ""
            base = ".".join(part for part in (above, node.module) if part)
            yield from (f"{base}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize(("module", "file"), list(modules()), ids=[name for name, _ in modules()])
def test_imports_go_one_way(module: str, file: Path) -> None:
    room = room_of(module)
    for name in imported(module, file):
        if name.partition(".")[0] in PACKAGES:
            used = room_of(name)
            fine = used in ("", room, "__version__") or used in MAY_USE.get(room, set())
            assert fine, f"{room} may not use {name}"
        elif room == "protocol":
            assert name.partition(".")[0] not in NOT_IN_PROTOCOL, name


def test_the_emulated_printer_does_not_even_know_the_version() -> None:
    for module, file in modules():
        if room_of(module) == "bench":
            ours = [name for name in imported(module, file) if name.partition(".")[0] in PACKAGES]
            assert all(name.startswith("banderole.bench") for name in ours), module


def test_the_rooms_are_those_of_the_rule_and_the_rule_is_the_documents() -> None:
    assert {room_of(module) for module, _ in modules()} - {""} == set(MAY_USE)
    rule = re.search(r"Import direction: (.+)\. Each", DEVELOPERS)
    assert rule is not None
    steps = [re.findall(r"`(\w+)`", step) for step in rule[1].split("→")]
    for number, step in enumerate(steps):
        later = {room for following in steps[number + 1 :] for room in following}
        for room in step:
            assert later == MAY_USE[room] - {"places", "bench", "demo"}


def test_no_trip_has_a_name_that_the_register_does_not_know() -> None:
    named = set()
    for source in (ROOT / "daemon" / "banderole").rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Trip":
                named |= {one.value for one in node.args[:1] if isinstance(one, ast.Constant)}
    assert len(named) > 12
    assert named <= set(register.BY_ALARM)
