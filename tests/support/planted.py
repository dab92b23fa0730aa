"""The command `banderole` with a fault in it: of the kind named first, from the moment that SIGUSR1 comes.

`python -m tests.support.planted KIND [words of the command]`. The rounds of the watchdog are made short, for a test.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

from banderole.link import service

ROUND_S, LOOK_S = 0.2, 0.1
service.ROUND_S, service.LOOK_S = ROUND_S, LOOK_S  # type: ignore[misc]  # before anybody takes them over

from banderole.cli.daemon import Daemon  # noqa: E402
from banderole.cli.main import main  # noqa: E402
from banderole.link import host, local_socket  # noqa: E402
from banderole.link.backoff import Backoff  # noqa: E402
from banderole.link.broker import Broker  # noqa: E402
from banderole.run.runner import Runner  # noqa: E402

local_socket.STATUS_S = LOOK_S
host.EVERY_S = LOOK_S  # type: ignore[misc]
Backoff.next = lambda self: LOOK_S  # type: ignore[method-assign]  # a fault in the next session is not long in coming


async def _hangs(*_: Any) -> Any:
    await asyncio.Event().wait()


def _dies(*_: Any) -> None:
    raise RuntimeError("planted")


def _stuck_here() -> None:
    time.sleep(3600)


def _broken(owner: type, method: str, fault: Callable[..., Any]) -> Callable[[], None]:
    return lambda: setattr(owner, method, fault)


KINDS: dict[str, Callable[[], None]] = {
    "none": lambda: None,
    "loop": _stuck_here,  # in the signal's handler, which is in the loop's thread
    "daemon": _broken(Daemon, "_one", _hangs),
    "local socket": _broken(local_socket.LocalServer, "_tick", _dies),
    "broker": _broken(Broker, "_session", _hangs),
    "weak supply": _broken(host.Host, "look", lambda *_: {"under_voltage": "planted"}),
    "ticks": _broken(Runner, "_tick", lambda *_: None),
}


if __name__ == "__main__":
    plant = KINDS[sys.argv.pop(1)]
    signal.signal(signal.SIGUSR1, lambda *_: plant())
    main()
