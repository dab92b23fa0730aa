"""What goes out as JSON, to the broker and over the local socket alike."""

from __future__ import annotations

import json
import math
from typing import Any


def to_json(value: Any) -> bytes:
    """Compact UTF-8 JSON. A reading that is no number (a broken sensor's nan) becomes null: RFC 8259 §6 has none."""
    try:
        return _dumped(value)
    except ValueError:
        return _dumped(_finite(value))


def _dumped(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def _finite(value: Any) -> Any:
    match value:
        case float() if not math.isfinite(value):
            return None
        case dict():
            return {key: _finite(inner) for key, inner in value.items()}
        case list() | tuple():
            return [_finite(inner) for inner in value]
        case _:
            return value
