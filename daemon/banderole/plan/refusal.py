"""Bad input in one clear line: what, where, what to do. And the reading of the TOML files people write.

Everything a person wrote is read here as untrusted: bounded in size, a regular file or a pipe (never a device: opening
a serial port restarts some boards), UTF-8, and refused by key and line.
"""

import difflib
import re
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

from banderole.plan.key_lines import Path, dotted, find_line

LARGEST_BYTES = 1 << 20  # a printer or schedule file has some kB; more is another file given by mistake
_SHOWN = 60  # characters of a person's own value that are quoted back

M = TypeVar("M", bound="Table")


class InputError(Exception):
    """Something a person gave us is wrong. ``str()`` is one line: what, where, what to do."""

    def __init__(self, what: str, where: str, todo: str) -> None:
        self.what, self.where, self.todo = (_one_line(part, 300) for part in (what, where, todo))
        super().__init__(f"{self.what}, {self.where}: {self.todo}")


class Wrong(ValueError):
    """Raised in validators. ``what`` goes on from the name of the key; ``key`` leads there from the table checked."""

    def __init__(self, what: str, todo: str, *key: str | int) -> None:
        super().__init__(what)
        self.what, self.todo, self.key = what, todo, key


class Table(BaseModel):
    """A table of a file: no unknown keys, no text for numbers, no true for 1, no nan or inf; and never changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class TomlFile:
    """One file as read: its name, its text, its data. ``refuse`` makes the error that points into it."""

    def __init__(self, path: str, kind: str, called: str | None = None) -> None:
        self.path, self.kind = called or path, kind
        self.text = _read(path, kind)
        self.data = self._parse()

    def _parse(self) -> dict[str, Any]:
        try:
            return tomllib.loads(self.text)
        except RecursionError:
            raise InputError(f"the {self.kind} nests too deeply", self.path, "write it flatter") from None
        except ValueError as error:  # the parser's own errors, and numbers too long to read
            words, line = _syntax(error, self.text)
            raise InputError(f"not TOML: {words}", f"{self.path}:{line}" if line else self.path, "correct it") from None

    def refuse(self, what: str, todo: str, path: Path = ()) -> InputError:
        """An InputError whose place is the file and, where it can be found, the line of the key."""
        line = find_line(self.text, path)
        return InputError(what, f"{self.path}:{line}" if line else self.path, todo)

    def into(self, model: type[M]) -> M:
        """The data as a model, or the first thing that is wrong with it, in plain words."""
        try:
            return model.model_validate(self.data)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
        path = _person_path(first["loc"])
        what, todo, path = _plain(first, path, model)
        raise self.refuse(what, todo, path)


def _read(path: str, kind: str) -> str:
    try:
        mode = FilePath(path).stat().st_mode
        if stat.S_ISDIR(mode) or stat.S_ISCHR(mode) or stat.S_ISBLK(mode) or stat.S_ISSOCK(mode):
            raise InputError(f"the {kind} is not a file", path, f"name the {kind} itself")
        with open(path, "rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"no such {kind}", path, "check the name") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"the {kind} cannot be read ({reason})", path, "check the name and its permissions") from None
    if len(raw) > LARGEST_BYTES:
        raise InputError(f"too long for a {kind} (over 1 MB)", path, "check that it is the right file")
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(f"the {kind} is not UTF-8 text", f"{path}:{line}", "save it as UTF-8") from None


def _syntax(error: ValueError, text: str) -> tuple[str, int | None]:
    words = str(error)
    match = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", words)
    if match is None:
        return words, None
    return words[: match.start()], int(match[1]) if match[1] else text.count("\n") + 1


def _person_path(loc: tuple[int | str, ...]) -> Path:
    return tuple(part + 1 if isinstance(part, int) else part for part in loc)  # people count from 1


def _one_line(text: str, longest: int = _SHOWN) -> str:
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= longest else flat[: longest - 1] + "…"


def shown(value: object) -> str:
    """A value as the person wrote it, near enough to be recognised: short, on one line."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _one_line(f'"{value}"')
        case int() if value.bit_length() > 200:  # printing a huge integer is slow, and refused past 4300 digits
            return "a number of more than 60 digits"
        case float():
            return f"{value:g}" if float(f"{value:g}") == value else repr(value)
        case Mapping():
            return "a table"
        case _:
            return _one_line(str(value)) if not isinstance(value, list) else "a list"


_KINDS = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "tuple_type": "a list in [ ]",
    "list_type": "a list in [ ]",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "finite_number": "an ordinary number",
}
_BOUNDS = {"greater_than": ("gt", "above"), "greater_than_equal": ("ge", "not below"), "less_than": ("lt", "below"),
           "less_than_equal": ("le", "not above")}  # fmt: skip


def _plain(error: Any, path: Path, model: type[BaseModel]) -> tuple[str, str, Path]:
    """What is wrong, what to do, and where, from one entry of the validator's list."""
    key, value, context = _one_line(dotted(path)), error["input"], error.get("ctx", {})
    match error["type"]:
        case "missing" if isinstance(path[-1], int):
            return f"{_one_line(dotted(path[:-1]))} has too few values", _advice(path, model), path
        case "missing":
            return f"{key} is missing", _how_to_add(path, model), path
        case "extra_forbidden":
            return f"unknown key {key}", _nearest(path, model), path
        case "literal_error":
            return f"{key} = {shown(value)} is not known", f"use {context['expected'].replace(chr(39), chr(34))}", path
        case "value_error" if isinstance(context.get("error"), Wrong):
            wrong = context["error"]
            path = (*path, *wrong.key)
            return f"{_one_line(dotted(path))} {wrong.what}", wrong.todo, path
        case kind if kind in _BOUNDS:
            name, word = _BOUNDS[kind]
            return f"{key} = {shown(value)} is out of range", f"give a number {word} {shown(context[name])}", path
        case "float_type" if isinstance(value, int) and not isinstance(value, bool):
            return f"{key} is {shown(value)}", _advice(path, model), path
        case kind if kind in _KINDS:
            return f"{key} must be {_KINDS[kind]}, not {shown(value)}", _advice(path, model), path
        case "too_short" | "too_long" | "string_too_short" | "string_too_long":
            return f"{key} is {error['type'].removeprefix('string_').replace('_', ' ')}", _advice(path, model), path
        case _:
            return f"{key} = {shown(value)} will not do", _advice(path, model), path


def _model_at(path: Path, model: type[BaseModel]) -> type[BaseModel] | None:
    """The model of the table at ``path``."""
    for part in path:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        inner = _inner_model(field.annotation) if field is not None else None
        if inner is None:
            return None
        model = inner
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_inner_model, getattr(annotation, "__args__", ())) if m is not None), None)


def _nearest(path: Path, model: type[BaseModel]) -> str:
    table = _model_at(path[:-1], model)
    names = list(table.model_fields) if table is not None else []
    near = difflib.get_close_matches(str(path[-1])[:_SHOWN], names, 1)
    return f"did you mean {near[0]}?" if near else "remove it, or correct its spelling"


def _field(path: Path, model: type[BaseModel]) -> FieldInfo | None:
    while path and isinstance(path[-1], int):
        path = path[:-1]
    table = _model_at(path[:-1], model) if path else None
    return table.model_fields.get(str(path[-1])) if table is not None else None


def _advice(path: Path, model: type[BaseModel]) -> str:
    """The field's own description, which the schema gives too; it says the unit."""
    field = _field(path, model)
    return f"give {field.description.split(';')[0]}" if field is not None and field.description else "correct it"


def _how_to_add(path: Path, model: type[BaseModel]) -> str:
    field = _field(path, model)
    if field is not None and _inner_model(field.annotation) is not None:
        return f"add the table [{dotted(path)}]"
    said = f": {field.description}" if field is not None and field.description else ""
    return f"add {path[-1]}{said}"
