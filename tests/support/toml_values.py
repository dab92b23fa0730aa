"""Any value a person might write for a key, as TOML text: none may make anything but a setting or one line of error."""

import datetime
import json
import math
from typing import Any

from hypothesis import strategies as st

_SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.booleans(),
    st.integers(),
    st.integers(-5, 300),
    st.floats(),
    st.floats(-10, 300),
    st.text(max_size=20),
    st.sampled_from(
        ["", "auto", "emulated", "joined", "hold", "mqtt://[", "mqtt://h:99999", "a//b", "\0", "…", "true"]
    ),
    st.datetimes(),
    st.dates(),
    st.times(),
)
VALUES: st.SearchStrategy[Any] = st.recursive(
    _SCALARS,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def written(value: Any) -> str:
    """A value as TOML (toml.io, v1.0.0)."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case float():
            return repr(value) if math.isfinite(value) else str(value)  # nan, inf, -inf are TOML as they are
        case str():
            return quoted(value)
        case datetime.datetime() | datetime.date() | datetime.time():
            return value.isoformat()
        case list():
            return f"[{', '.join(map(written, value))}]"
        case dict():
            return "{" + ", ".join(f"{quoted(key)} = {written(one)}" for key, one in value.items()) + "}"
        case _:
            raise TypeError(f"no TOML for {type(value).__name__}")


def quoted(text: str) -> str:
    """A basic string; JSON's escapes are TOML's, but for lone surrogates, which TOML cannot say, and for DEL."""
    sound = text.encode("utf-16", "replace").decode("utf-16")
    return json.dumps(sound, ensure_ascii=False).replace("\x7f", "\\u007f")
