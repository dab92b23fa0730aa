"""`python -m banderole.bench`: an emulated printer on a pseudo-terminal, as a process of its own."""

from __future__ import annotations

import argparse
import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

from banderole.bench.faults import NAMES
from banderole.bench.manners import Manners
from banderole.bench.pty_port import PtyPrinter
from banderole.bench.records import OnRecord


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m banderole.bench",
        description="An emulated printer on a pseudo-terminal; its path is the first line on stdout.",
        epilog="example: python -m banderole.bench --link /tmp/printer --speed 20 --fault S1@120 --fault T3@60s",
    )
    parser.add_argument("--link", type=Path, help="symbolic link to the terminal that stays the same")
    parser.add_argument("--speed", type=float, default=1.0, help="wire, motion and heat run so many times faster")
    parser.add_argument("--log", type=Path, help="file for what the printer really did, one JSON object a line")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME@WHEN",
        help=f"WHEN: commands executed, or seconds as 30s; NAME: {' '.join(NAMES)}; T3-bed@… for the bed",
    )  # fmt: skip
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE", help="an option of the board, as nozzle.tau=60"
    )
    return parser.parse_args(argv)


def _manners(arguments: argparse.Namespace) -> Manners:
    """Raises ValueError with one clear line."""
    if not arguments.speed > 0.0:
        raise ValueError(f"--speed {arguments.speed:g}: give a number above 0")
    faults = [f"faults={','.join(arguments.fault)}"] if arguments.fault else []
    return Manners.from_settings([*arguments.set, *faults]).sped(arguments.speed)


def _writer(file: IO[str]) -> OnRecord:
    def write(row: dict[str, Any]) -> None:
        file.write(json.dumps(row) + "\n")

    return write


def main(argv: Sequence[str] | None = None) -> int:
    arguments = _arguments(argv)
    try:
        log = arguments.log.open("w", buffering=1) if arguments.log else None
        printer = PtyPrinter(_manners(arguments), link=arguments.link, on_record=_writer(log) if log else None)
    except (ValueError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: printer.stop())
    sys.stdout.write(f"{printer.path}\n")
    sys.stdout.flush()
    try:
        printer.run()
    finally:
        printer.close()
        if log:
            log.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
