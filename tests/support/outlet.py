"""The MQTT outlet with a run behind it that says yes to everything, and remembers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from banderole.link.backoff import Backoff
from banderole.link.broker import Broker
from banderole.link.commands import Mode

STATUS = {"state": "Running", "phase": "printing", "run": "r1", "band": 1, "height": 0.2, "alarms": [], "nonce": "n1"}


@dataclass(frozen=True)
class Settings:
    url: str
    root: str = "yard"
    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    commands: Mode = "lenient"


class Run:
    """What stands behind the outlet."""

    def __init__(self) -> None:
        self.got: list[tuple[dict[str, Any], dict[str, Any]]] = []
        self.refused: list[dict[str, Any]] = []

    def handle(self, request: dict[str, Any], who: dict[str, Any]) -> dict[str, Any]:
        self.got.append((request, who))
        return {"accepted": True, "state": "Holding", "reason": "", "exit": 0}


def make(settings: Settings, run: Run, backoff: Backoff | None = None) -> Broker:
    return Broker(
        settings,
        "bench-a",
        "0.1.0",
        run.handle,
        run_id=lambda: "r1",
        on_refused=run.refused.append,
        backoff=backoff or Backoff(0.05, 0.2, seed=1),
    )
