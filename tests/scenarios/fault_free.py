"""Hours of printing without a fault: slow prints of hours each, over all kinds of heaters. Nothing may be broken, or trip.

Heaters of τ 60 to 625 s, noise of 0.1 to 1 °C, readings of whole degrees or not, a room that swings by 3 °C, a part fan that the
file steps up and down; crossings, a hold, and what the file sets by itself come in between.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from tests.scenarios.invariants import broken
from tests.scenarios.play import play
from tests.scenarios.scenario import Happening, Moment, Person, Scenario
from tests.support.towers import How

SIDE, SPEED = 40.0, 8.0  # mm, mm/s: a block lasts 5 s
RINGS: Final = 12
"""Of each layer: 4 minutes of it."""
LAYER: Final = 0.2
LAYERS: Final = 84
AREA: Final = math.pi / 4 * 1.75**2
CAUTIONS: Final = ("sensor_", "heat_", "stale", "noisy_line")
"""Cautions that would be false alarms here."""


@dataclass(frozen=True, slots=True)
class Print:
    """What became of one print."""

    seed: int
    heater: str
    end: str
    hours: float
    broken: tuple[str, ...]


def slow_tower(rng: Random) -> str:
    """A hollow square in rings, absolute, with steps of the part fan."""
    lines = ["G21", "G90", "M83", "M104 S215", "G28", "M107", "G92 E0"]
    for layer in range(1, LAYERS + 1):
        z = round(layer * LAYER, 4)
        if layer > 3 and rng.random() < 0.3:
            lines.append(f"M106 S{rng.choice((0, 60, 128, 255))}")
        if layer == 1:  # the nozzle is cold yet
            lines += ["G0 X90 Y90 F6000", f"G0 Z{z:.4f} F600"]
        else:
            lines += [
                "G1 E-1.0000 F1800",
                f"G0 Z{z + 0.4:.4f} F600",
                "G0 X90 Y90 F6000",
                f"G0 Z{z:.4f} F600",
                "G1 E1.0000 F1800",
            ]
        for ring in range(RINGS):
            half = SIDE / 2 - 0.45 * ring
            filament = 2 * half * 0.45 * LAYER / AREA
            for x, y in ((half, -half), (half, half), (-half, half), (-half, -half)):
                lines.append(f"G1 X{110 + x:.3f} Y{110 + y:.3f} E{filament:.5f} F{SPEED * 60:g}")
    return "\n".join(
        [*lines, "G1 E-2.0000 F1800", "M104 S0", "M140 S0", "M107", f"G0 Z{LAYERS * LAYER + 10:g} F600", "M84", ""]
    )


def drawn(seed: int) -> Scenario:
    """One print: the heater goes evenly through its range from seed to seed, all else by chance."""
    rng = Random(f"fault-free {seed}")
    tau = 60.0 * (625.0 / 60.0) ** (seed % 16 / 15.0)
    noise = rng.choice((0.1, 0.3, 0.6, 1.0))
    whole = rng.choice((0.0, 1.0))
    board: dict[str, Any] = {
        "receive_bytes": 127, "e_mode": "apart", "restart_on_open": rng.choice(("true", "false")), "fan_synced": "true",
        "log_limit": 0, "seed": seed, "busy_s": rng.choice((0.0, 2.0)), "auto_report": rng.choice(("true", "true", "false")),
        "power_shown": rng.choice(("true", "true", "false")), "readings_on_ok": rng.choice(("true", "false")),
        "acceleration": 1000.0, "cold_below": 150.0, "nozzle.tau": tau, "nozzle.gain": rng.choice((375.0, 450.0)),
        "nozzle.noise": noise,
        "nozzle.resolution": whole, "nozzle.draft": 3.0, "nozzle.draft_s": rng.choice((600.0, 1800.0)),
        "nozzle.fan_share": rng.choice((0.0, 0.1, 0.2)), "nozzle.band": rng.choice((8.0, 15.0)), "bed.tau": 400.0,
        "bed.noise": noise, "bed.resolution": whole, "bed.draft": 3.0,
    }  # fmt: skip
    return Scenario(
        seed=seed,
        how=How(),
        channels=(("nozzle", 215.0, rng.choice((-8.0, -5.0, 6.0, -25.0))),),
        settle={
            "stance": rng.choice(("aside", "aside", "in-place", "moving")),
            "tolerance": max(1.5, math.ceil(10 * (2.6 * noise + whole)) / 10),
            "dwell_s": 8, "patience_s": 3000, "when_late": "hold",
        },
        hold_before=rng.choice((None, 2)),
        printer={
            "name": "simulated",
            "serial": {"port": "emulated", "window_bytes": rng.choice((0, 96))},
            "firmware": {"e_mode": "apart"},
            "volume": {"x": [0, 220], "y": [0, 220], "z": [0, 250]},
            "limits": {"nozzle": [0, 250], "bed": [0, 110]},
            "thermal": {"report_s": 1.0},
        },
        board=tuple(f"{key}={value}" for key, value in board.items()),
        found={},
        solo=True,
        happenings=(Happening("command", Moment(at_s=rng.uniform(2000.0, 15000.0)), ("hold", {})),),
        person=Person(rng.choice((60.0, 900.0)), 9),
        text=slow_tower(rng),
        layer=LAYER,
        rise=5.6,
    )  # fmt: skip


def printed(seed: int) -> Print:
    """Plays one."""
    scenario = drawn(seed)
    outcome = play(scenario)
    found = broken(outcome)
    for _, event in outcome.of("caution"):
        if event["alarm"].startswith(CAUTIONS):
            found.append(f"a false alarm: {event['text']}")
    found += [f"a false trip: {event['text']}" for _, event in outcome.of("trip")]
    ended = outcome.ended[0]
    heater = ", ".join(
        f"{key} {scenario.number(f'nozzle.{key}', 0.0):g}"
        for key in ("tau", "noise", "resolution", "draft", "fan_share")
    )
    return Print(
        seed, heater, f"{ended.state} {ended.exit}" if ended else "killed", outcome.lasted / 3600.0, tuple(found)
    )


def prints(hours: float, first: int, processes: int) -> Iterator[Print]:
    """As many as fill so many hours."""
    total, seed = 0.0, first
    with ProcessPoolExecutor(processes) as pool:
        while total < hours:
            for one in pool.map(printed, range(seed, seed + 2 * processes)):
                total += one.hours
                yield one
            seed += 2 * processes
