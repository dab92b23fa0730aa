"""The run as it is seen: JSON lines for programs. A closed or stalled output never holds the run up."""

from __future__ import annotations

import json as _json
from typing import Any

class LiveView:
    def __init__(self, json: bool = False) -> None:
        self._json = json

    def event(self, event: dict[str, Any]) -> None:
        print(_json.dumps(event), flush=True)

    def show(self, status: dict[str, Any], bands: list[dict[str, Any]]) -> None:
        pass

    def close(self) -> None:
        pass
