"""From the reading that decides a trip to the heat-off on the wire: wall clock, pseudo-terminal, streaming at full rate.

    python -m tests.benchmarks.trip_latency --times 200

A real `banderole run` against an emulated board in this process, on a line of 250000 bit/s kept full (a window of 96 bytes,
motions of some milliseconds). At a random moment the nozzle's sensor breaks: the second impossible reading in a row decides
(`sensor_impossible`); one right behind another is the same sample told twice, and does not count. Clock on: when the last byte
of that reading has been written to the terminal. Clock off: when the line end of `M104 S0` has been read from it; and when the
board, behind what stood on the wire before it, carries it out.
The board's own lateness counts against us. Exits 1 where p99 is above `--most` ms, or a trial has no heat-off.

`--watched` puts what hangs on a run beside it: a broker (Mosquitto) and somebody who looks on. `--slow` has motions of 3 to 12 s
instead: how long a heat-off waits in the printer then is bounded by what it has been sent (`ahead_s`) and what its planner holds.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from random import Random
from subprocess import Popen
from typing import Final

from banderole.bench import Manners, PtyPrinter
from banderole.run.heat_watch import SAME_SAMPLE_S

from tests.support.mosquitto import running
from tests.support.shell import NAME, Run, Shell

LINE: Final = "baud = 250000\nwindow_bytes = 96\n"
BOARD: Final = ("baud=250000", "e_mode=apart", "heat_speed=100", "boot_s=0.1", "home_s=0.2")
"""Wire and motion as in life; what comes before the stream is hurried through."""
FAULTS: Final = ("T1", "T1b")
"""The sensor open, or short."""
MOVES: Final = 30_000
"""Half a minute at that rate: longer than any trial."""
BREAKS_WITHIN_S: Final = 2.0
SLOW_WITHIN_S: Final = 24.0
GIVEN_UP_S: Final = 60.0
HEAT_OFF: Final = re.compile(rb"N\d+ M104 S0\*\d+\n")
READING: Final = re.compile(rb"T:(-?\d+\.?\d*)")
POSSIBLE: Final = (-20.0, 270.0)
"""°C; the printer file's limit is 250, and 20 above it no working sensor reads."""


@dataclass(frozen=True)
class Way:
    """What is streamed, and when the sensor breaks: within so many s after so many commands, the line in its stride."""

    gcode: str
    after: int
    within_s: float


class Board(PtyPrinter):
    """The emulated board, with the moments at which bytes crossed the terminal, monotonic s."""

    def __init__(self, link: Path, chance: Random, way: Way) -> None:
        super().__init__(Manners.from_settings([*BOARD, f"seed={chance.randrange(1 << 30)}"]), link=link)
        self.process: Popen[bytes] | None = None
        self.looks_on: Callable[[], object] | None = None  # begins as soon as the line is full
        self.began = time.monotonic()
        self.decided_at = self.off_at = self.done_at = 0.0
        self.rate = 0.0  # commands a second, from the stream's beginning to the break
        self._fault = chance.choice(FAULTS)
        self._wait_s = chance.uniform(0.0, way.within_s)
        self._after = way.after
        self._streams_at = 0.0
        self._broken = False
        self._impossible = 0
        self._counted_at = 0.0
        self._said = self._heard = b""
        self._plain = self.printer.receive
        self.printer.receive = self._receive  # type: ignore[method-assign]

    def _work(self) -> float | None:
        until = super()._work()
        now, executed = time.monotonic(), self.printer.log.executed
        if not self._streams_at and executed > self._after:
            self._streams_at = now
            if self.looks_on is not None:
                self.looks_on()
        if self._streams_at and not self._broken and now > self._streams_at + self._wait_s:
            self._broken = True
            self.rate = (executed - self._after) / (now - self._streams_at)
            self.printer.befall(f"{self._fault}@0s")
        if self.off_at and not self.done_at and self._done():
            self.done_at = now
            self.stop()
        over = self.process is not None and self.process.poll() is not None
        if over or now > self.began + GIVEN_UP_S:
            self.stop()
        return until

    def _done(self) -> bool:
        return any(command.text == "M104 S0" for command in list(self.printer.log.commands)[-20:])

    def _write(self) -> None:
        before = bytes(self._backlog)
        super()._write()
        if self._broken and not self.decided_at:
            self._said += before[: len(before) - len(self._backlog)]
            *lines, self._said = self._said.split(b"\n")
            now = time.monotonic()
            if any(map(impossible, lines)) and now >= self._counted_at + SAME_SAMPLE_S:
                self._impossible, self._counted_at = self._impossible + 1, now
            if self._impossible >= 2:
                self.decided_at = now

    def _receive(self, data: bytes, now: float) -> None:
        if self.decided_at and not self.off_at:
            self._heard = (self._heard + data)[-200:]
            if HEAT_OFF.search(self._heard):
                self.off_at = time.monotonic()
        self._plain(data, now)


def impossible(line: bytes) -> bool:
    found = READING.search(line)
    return found is not None and not POSSIBLE[0] <= float(found[1]) <= POSSIBLE[1]


def tower(moves: int = MOVES) -> str:
    """One layer of short motions, there and back: at 300 mm/s each is over before the next line has come."""
    lines = ["G21", "G90", "M83", "M104 S200", "G28", "G92 E0", "G0 Z0.3 F600", "G1 F18000"]
    lines += [f"G1 X{100 + (n % 10) * 0.1:.1f} Y{100 + (n // 10 % 2) * 0.1:.1f} E0.004" for n in range(moves)]
    return "\n".join([*lines, "M104 S0", ""])


def slow_tower(sides: int = 40) -> str:
    """Motions of 3 and of 12 s."""
    corners = ((130, 100), (130, 130), (100, 130), (100, 100))
    lines = ["G21", "G90", "M83", "M104 S200", "G28", "G92 E0", "G0 Z0.3 F600"]
    for n in range(sides):
        x, y = corners[n % 4]
        lines.append(f"G1 X{x} Y{y} E1 F{600 if n // 4 % 2 else 150}")
    return "\n".join([*lines, "M104 S0", ""])


@dataclass(frozen=True)
class Trial:
    """ms from the deciding reading to the bytes, and to the board's carrying them out; commands a second before it."""

    bytes_ms: float
    done_ms: float
    rate: float


def tried(shell: Shell, seed: str, way: Way, watched: bool) -> Trial | str:
    """One run; what was measured, or why nothing could be."""
    gc.collect()  # what earlier boards left behind: a third of a second, not to be taken from this one's time
    gc.disable()
    board = Board(shell.folder / "port", Random(seed), way)
    run = shell.run("--bed-clear")
    board.process = run.process
    board.looks_on = (lambda: shell.start("watch", "--to", NAME, "--json")) if watched else None
    try:
        board.run()
        return measured(board, run)
    finally:
        gc.enable()
        shell.end()
        shell.started.clear()
        board.close()
        shutil.rmtree(shell.state("."))


def measured(board: Board, run: Run) -> Trial | str:
    if not board.decided_at or not board.done_at:
        return f"no heat-off: {run.kinds()[-5:]} {run.stderr()}"
    said, done = board.off_at - board.decided_at, board.done_at - board.decided_at
    return Trial(1000 * said, 1000 * done, board.rate)


def share(values: list[float], part: float) -> float:
    """The value that this part of them does not exceed."""
    return sorted(values)[max(0, -(-int(1000 * part * len(values)) // 1000) - 1)]


def told(what: str, values: list[float]) -> str:
    return f"{what}: p50 {share(values, 0.5):.1f}, p99 {share(values, 0.99):.1f}, most {max(values):.1f} ms"


async def trials(asked: argparse.Namespace) -> int:
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="bl-")))
        shell = Shell(folder)
        stack.callback(shell.end)
        way = Way(slow_tower(), 40, SLOW_WITHIN_S) if asked.slow else Way(tower(), 300, BREAKS_WITHIN_S)
        shell.write(port=str(folder / "port"), gcode=way.gcode)
        printer = folder / "printer.toml"
        text = printer.read_text().replace("[serial]\n", f"[serial]\n{LINE}").replace("report_s = 0.1", "report_s = 1")
        if asked.watched:
            (folder / "b").mkdir()
            broker = await stack.enter_async_context(running(folder / "b"))
            text += f'[broker]\nurl = "{broker.url}"\n'
        printer.write_text(text)
        found: list[Trial] = []
        failed = 0
        for number in range(asked.times):
            one = tried(shell, f"{asked.seed} {number}", way, asked.watched)
            if isinstance(one, str):
                failed += 1
                print(f"trial {asked.seed} {number}: {one}", flush=True)
            else:
                found.append(one)
                if one.bytes_ms > asked.most:
                    print(f"trial {asked.seed} {number}: {one.bytes_ms:.1f} ms", flush=True)
        return judged(found, failed, asked.most)


def judged(found: list[Trial], failed: int, most: float) -> int:
    if not found:
        return 1
    said = [one.bytes_ms for one in found]
    rate = sum(one.rate for one in found) / len(found)
    print(f"{len(found)} trials, {failed} failed; {rate:.0f} commands a second before the break")
    print(told("reading → bytes of the heat-off", said))
    print(told("reading → heat-off carried out", [one.done_ms for one in found]))
    return 1 if failed or share(said, 0.99) > most else 0


def main() -> int:
    parser = argparse.ArgumentParser(description="From the reading that decides a trip to the heat-off on the wire.")
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", default="trip")
    parser.add_argument("--most", type=float, default=50.0, help="ms that p99 may be")
    parser.add_argument("--watched", action="store_true", help="with a broker and somebody who looks on")
    parser.add_argument("--slow", action="store_true", help="motions of seconds, not a full line")
    return asyncio.run(trials(parser.parse_args()))


if __name__ == "__main__":
    sys.exit(main())
