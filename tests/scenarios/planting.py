"""Bugs made by rule: the syntax tree of one module of `run/` or the protocol is changed at one place as it is imported.

Each class of bug is a rule that finds all its sites; which of them are planted is drawn from a fixed seed, not picked.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from pathlib import Path
from random import Random
from types import CodeType, ModuleType
from typing import Final

ROOT: Final = Path(__file__).parents[2]
RUN, PROTOCOL = "banderole.run.", "banderole_protocol."
INTERLOCKS: Final = tuple(RUN + n for n in ("interlocks", "sensor_checks", "change_watch", "off_watch", "guards"))
ENGINE: Final = tuple(RUN + n for n in ("engine", "orders", "holds", "whole_run", "make_safe", "crossing"))
NEGATED: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot,
    ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SHIFTED: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.Gt,
    ast.LtE: ast.GtE,
    ast.Gt: ast.Lt,
    ast.GtE: ast.LtE,
}
EFFECTS: Final = frozenset(
    {"effect", "notify", "abort", "trip", "lost", "urgent", "queue", "take", "begin", "append", "clear", "_take_back", "_begin",
     "close", "forget", "hold_now", "rest_begins", "restarted", "caution", "entered", "located", "lift_off_the_part", "end"}
)  # fmt: skip

Change = Callable[[], None]
"""Makes the bug in the tree it was found in."""
Rule = Callable[[ast.Module], Iterator[tuple[ast.AST, str, Change]]]


@dataclass(frozen=True, slots=True)
class Bug:
    """The nth site of a rule in a module."""

    kind: str
    module: str
    number: int
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.module}:{self.line}: {self.what}"


# ---- the rules


def _comparisons(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            for table in (NEGATED, SHIFTED):
                if (other := table.get(type(node.ops[0]))) is not None and other is not type(node.ops[0]):
                    yield node, f"{ast.unparse(node)} with {other.__name__}", _set(node.ops, 0, other())


def _bounds(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    words = {id(inner) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in words:
            continue  # of a sentence, which bounds nothing
        number = isinstance(node, ast.Constant) and type(node.value) in (int, float)
        if number and isinstance(node, ast.Constant) and abs(node.value) > 0 and node.value != 1:
            for factor in (3.0, 1 / 3):
                yield node, f"{node.value} times {factor:.2f}", _attribute(node, "value", node.value * factor)


def _lost_effects(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    yield from _dropped(tree, lambda call: _name(call) in EFFECTS)


def _credits(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and _name(node) in ("_credit", "_credit_below") and node.args:
            more = ast.BinOp(node.args[0], ast.Add(), ast.Constant(1))
            yield node, f"{ast.unparse(node)}, and the next", _set(node.args, 0, more)


def _resends(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    names = {"_resend", "_refusal", "_refuse", "_begin_rewrite", "unwrite_from", "take_back", "_has_all", "_other"}
    for function in _functions(tree):
        if function.name in names:
            yield from _dropped(function, lambda call: True)


def _factors(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    for function in _functions(tree):
        if function.name not in ("prior_values", "put_back"):
            continue
        for node in ast.walk(function):
            if isinstance(node, ast.For):
                rest = ast.Subscript(ast.Call(ast.Name("list", ast.Load()), [node.iter], []), _slice(), ast.Load())
                yield node, f"all but the first of {ast.unparse(node.iter)}", _attribute(node, "iter", rest)
            kept = isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Subscript)
            if kept and isinstance(node, ast.Assign) and "prior" in ast.unparse(node.targets[0]):
                yield node, f"without {ast.unparse(node)}", _attribute(node, "targets", [ast.Name("_", ast.Store())])


def _ages(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    """An age that is none: `now - …` is 0."""
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.BinOp)
            and isinstance(node.op, ast.Sub)
            and ast.unparse(node.left) in ("now", "e.now", "self.now")
        ):
            same = ast.parse(ast.unparse(node.left), mode="eval").body
            yield node, f"{ast.unparse(node)} as 0", _attribute(node, "right", same)


def _drains(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    for parent in ast.walk(tree):
        for body in _bodies(parent):
            for at, statement in enumerate(body):
                text = ast.unparse(statement)
                plain = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.YieldFrom)
                if plain and ("drain(" in text or "M400" in text or "_drain_meanwhile(" in text):
                    yield statement, f"without {text}", _set(body, at, ast.Pass())


def _cells(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Change]]:
    """A cell more in the table of the states: each command, in each state that has none."""
    table = next(
        node.value.args[0] for node in tree.body
        if isinstance(node, ast.AnnAssign) and ast.unparse(node.target) == "STANDARD" and isinstance(node.value, ast.Call)
    )  # fmt: skip
    assert isinstance(table, ast.Dict)
    have = {ast.unparse(key): value for key, value in zip(table.keys, table.values, strict=True) if key is not None}
    states = ("RUNNING", "HOLDING", "HELD", "RESTARTING", "STOPPING", "ABORTING")
    leads = {"HOLD": "HOLDING", "RESUME": "RESTARTING", "STOP": "STOPPING"}
    for state in states:
        for command, to in leads.items():
            if f"(State.{state}, Command.{command})" not in have:
                yield table, f"{command} accepted in {state}", _cell(table, state, command, to)


def _cell(table: ast.Dict, state: str, command: str, to: str) -> Change:
    def change() -> None:
        table.keys.append(ast.parse(f"(State.{state}, Command.{command})", mode="eval").body)
        table.values.append(ast.parse(f"State.{to}", mode="eval").body)

    return change


# ---- what rules are made of


def _functions(tree: ast.AST) -> Iterator[ast.FunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def _bodies(node: ast.AST) -> Iterator[list[ast.stmt]]:
    for name in ("body", "orelse", "finalbody"):
        body = getattr(node, name, None)
        if isinstance(body, list) and body and isinstance(body[0], ast.stmt):
            yield body


def _dropped(tree: ast.AST, wanted: Callable[[ast.Call], bool]) -> Iterator[tuple[ast.AST, str, Change]]:
    for parent in ast.walk(tree):
        for body in _bodies(parent):
            for at, statement in enumerate(body):
                if (
                    isinstance(statement, ast.Expr)
                    and isinstance(statement.value, ast.Call)
                    and wanted(statement.value)
                ):
                    yield statement, f"without {ast.unparse(statement)}", _set(body, at, ast.Pass())


def _name(call: ast.Call) -> str:
    function = call.func
    return (
        function.attr if isinstance(function, ast.Attribute) else function.id if isinstance(function, ast.Name) else ""
    )


def _slice() -> ast.Slice:
    return ast.Slice(ast.Constant(1), None, None)


def _set(into: list, at: int, new: ast.AST) -> Change:  # type: ignore[type-arg]
    return lambda: into.__setitem__(at, new)


def _attribute(node: ast.AST, name: str, new: object) -> Change:
    return lambda: setattr(node, name, new)


RULES: Final[dict[str, tuple[Rule, tuple[str, ...], int]]] = {
    "wrong comparison": (_comparisons, INTERLOCKS, 11),
    "wrong bound": (_bounds, INTERLOCKS, 9),
    "missing effect": (_lost_effects, ENGINE, 9),
    "ok credited twice": (_credits, (PROTOCOL + "window",), 2),
    "lost resend": (_resends, (PROTOCOL + "window", PROTOCOL + "wire"), 3),
    "factor forgotten": (_factors, (RUN + "whole_run", RUN + "make_safe"), 2),
    "stale taken as fresh": (_ages, tuple(RUN + n for n in ("heat_watch", "settle", "guards")), 3),
    "drain left out": (_drains, tuple(RUN + n for n in ("crossing", "whole_run", "steps")), 4),
    "obeyed in the wrong state": (_cells, (RUN + "state",), 4),
}  # fmt: skip
"""Rule, where it looks, and how many of its sites are planted."""


def _file(module: str) -> Path:
    folder = "protocol" if module.startswith(PROTOCOL) else "daemon"
    return ROOT / folder / f"{module.replace('.', '/')}.py"


def sites(kind: str) -> list[Bug]:
    """All sites of a rule."""
    rule, modules, _ = RULES[kind]
    found = []
    for module in modules:
        tree = ast.parse(_file(module).read_text(encoding="utf-8"))
        for number, (node, what, _) in enumerate(rule(tree)):
            found.append(Bug(kind, module, number, getattr(node, "lineno", 0), what))
    return found


def sample(seed: int) -> list[Bug]:
    """Those to be planted: so many of each class, no two at one place."""
    chosen: list[Bug] = []
    for kind, (_, _, count) in RULES.items():
        rng, places, taken = Random(f"{seed} {kind}"), set(), 0
        all_sites = sites(kind)
        rng.shuffle(all_sites)
        for bug in all_sites:
            place = (bug.module, bug.line, bug.what.partition(" with ")[0].partition(" times ")[0])
            if taken < count and place not in places:
                places.add(place)
                chosen.append(bug)
                taken += 1
    return chosen


# ---- planting


class _Loader(SourceFileLoader):
    bug: Bug

    def get_code(self, fullname: str) -> CodeType:
        """Never from a cache."""
        path = self.get_filename(fullname)
        tree = ast.parse(self.get_data(path))
        rule = RULES[self.bug.kind][0]
        for number, (_, _, change) in enumerate(rule(tree)):
            if number == self.bug.number:
                change()
                break
        return compile(ast.fix_missing_locations(tree), path, "exec")


class Planter(MetaPathFinder):
    """Put first into `sys.meta_path`, before anything of ours is imported."""

    def __init__(self, bug: Bug) -> None:
        self._bug = bug

    def find_spec(self, name: str, path: Sequence[str] | None, target: ModuleType | None = None) -> ModuleSpec | None:
        if name != self._bug.module:
            return None
        spec = PathFinder.find_spec(name, path, target)
        assert spec is not None
        assert spec.origin is not None
        loader = _Loader(name, spec.origin)
        loader.bug = self._bug
        spec.loader = loader
        return spec


def plant(bug: Bug) -> None:
    """From here on the module is imported with the bug. Raises where it is imported already."""
    if bug.module in sys.modules:
        raise RuntimeError(f"{bug.module} has been imported already")
    sys.meta_path.insert(0, Planter(bug))
