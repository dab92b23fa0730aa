"""`watch`: one printer, live, from its local socket."""

from __future__ import annotations

import json as json_
from typing import Annotated

import typer

from banderole.cli.control import To, named
from banderole.link import client

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


def register(app: typer.Typer) -> None:
    app.command("watch")(watch)


def watch(
    to: To = None,
    json: Annotated[bool, typer.Option("--json", help="as it comes, one JSON object a line")] = False,
) -> None:
    """Look on, until the run or daemon ends.

    Example: banderole watch --to bench-a
    """
    from banderole.cli.live import LiveView

    name = named(to)
    view = LiveView(json=json)
    bands: list[dict[str, Any]] = []
    try:
        for line in client.watch(name):
            if json:
                view.write(json_.dumps(line, ensure_ascii=False) + "\n")
                continue
            if "event" in line:
                view.event(line["event"])
            bands = line.get("bands", bands)
            if "status" in line:
                view.show(line["status"], bands)
    finally:
        view.close()
