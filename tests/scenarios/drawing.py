"""A seed → a scenario: heater, manners, tower, and a random subset of the kinds of faults ("swarm": each switched on or off).

In half of the scenarios one kind is alone, so that its end is known and held to; in a twentieth there is none.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random
from typing import Any, Final

from tests.scenarios.scenario import Happening, LineFaults, Moment, Person, Scenario
from tests.support.towers import How

BOARD_KINDS: Final = (
    "S1", "S2", "S2b", "S3", "S4", "S5", "S6", "S7", "S8", "S9", "S10", "S10b", "S11", "S12", "S15",
    "T1", "T1b", "T2", "T3", "T4", "T5", "T6", "T7", "T1-bed", "T3-bed", "T4-bed", "T7-bed",
)  # fmt: skip
LINE_KINDS: Final = ("flips_in", "flips_out", "losses_in", "losses_out", "doubled_in", "doubled_out", "late", "silence")
COMMAND_KINDS: Final = ("hold", "hold_layer", "hold_band", "long_hold", "stop", "abort", "estop", "nonsense")
OUTLET_KINDS: Final = ("broker", "journal", "flood", "replay")
PROGRAM_KINDS: Final = (
    "crash",
    "crash_at_write",
    "outlet_raises",
    "engine_raises",
    "engine_broken",
    "cancelled",
    "file_shrinks",
)
KINDS: Final = (*BOARD_KINDS, *LINE_KINDS, *COMMAND_KINDS, *OUTLET_KINDS, *PROGRAM_KINDS)

ON: Final = 0.07
"""Chance of each kind in a swarm: four or so at once."""
MARKS: Final = ("run_started", "crossing_begun", "setpoint_confirmed", "settled", "crossing_ended", "position_audit",
                "held", "aborting", "link_resent")  # fmt: skip
"""Events that a moment may be tied to, so that the rare places are hit too."""
WAITS_S: Final = 500.0
"""A heater that is slower is not waited for inside the file: a pre-wait of one that is not known ends after 600 s."""
NOZZLE: Final = 220.0
AMBIENT: Final = 25.0


def drawn(seed: int) -> Scenario:
    """The scenario of a seed."""
    rng = Random(f"scenario {seed}")
    kinds, solo = _kinds(rng)
    bed = rng.choice((0, 0, 0, 55, 60))
    if any(kind.endswith("-bed") for kind in kinds):
        bed = 60
    heat = _heaters(rng)
    how = _tower(rng, bed, waits=_lasts(heat) < WAITS_S)
    printer = _printer(rng, how)
    board = _board(rng, printer, heat)
    channels = _channels(rng, bed)
    settle = _settle(rng, heat, channels)
    lasts = _lasts(heat)
    return Scenario(
        seed=seed,
        how=how,
        channels=channels,
        settle=settle,
        hold_before=rng.choice((None, None, None, 2, 3)),
        printer=printer,
        board=board,
        found=_found(rng),
        kinds=kinds,
        solo=solo,
        line=_line(rng, kinds),
        happenings=tuple(h for kind in kinds for h in _happens(rng, kind, lasts)),
        person=Person(rng.uniform(3.0, 60.0), rng.choice((1, 2, 4))),
    )


def _kinds(rng: Random) -> tuple[tuple[str, ...], bool]:
    chance = rng.random()
    if chance < 0.05:
        return (), True
    if chance < 0.55:
        return (rng.choice(KINDS),), True
    return tuple(kind for kind in KINDS if rng.random() < ON), False


# ---- the part and the schedule


def _tower(rng: Random, bed: int, waits: bool) -> How:
    shape = rng.choice(("plain", "plain", "spiral", "arcs", "parts"))
    return How(
        relative_e=rng.random() < 0.6,
        relative_hop=shape == "plain" and rng.random() < 0.3,
        inches=shape in ("plain", "spiral") and rng.random() < 0.15,
        arcs=shape == "arcs",
        spiral=shape == "spiral",
        parts=2 if shape == "parts" else 1,
        waits=waits and rng.random() < 0.5,
        bed=bed,
        inside=_inside(rng) if shape == "plain" else (),
    )


def _inside(rng: Random) -> tuple[tuple[int, str], ...]:
    blocks = ("M104 S226", "M106 S100", "M221 S95", "M220 S110", "M0", "G4 S4", "M117 half way", "M109 S224")
    return tuple(sorted((rng.randint(2, 8), rng.choice(blocks)) for _ in range(rng.choice((0, 0, 0, 1, 2)))))


def _channels(rng: Random, bed: int) -> tuple[tuple[str, float, float], ...]:
    nozzle = ("nozzle", NOZZLE, rng.choice((-8.0, -5.0, 6.0, 0.0, -12.0)))
    more = [
        ("fan", 30.0, 20.0),
        ("flow", 98.0, 2.0),
        ("feed", 100.0, -10.0),
        ("advance", 0.02, 0.01),
        ("retract", 1.0, 0.4),
        *([("bed", float(bed), -3.0)] if bed else []),
    ]
    return (nozzle, *rng.sample(more, rng.choice((0, 0, 1, 1, 2, 3))))


def _settle(rng: Random, heat: dict[str, float], channels: tuple[tuple[str, float, float], ...]) -> dict[str, Any]:
    """A tolerance that noise leaves room in; patience for the slowest heater, or now and then too little."""
    tolerance = max(1.5, math.ceil(10 * (2.6 * heat["noise"] + heat["resolution"])) / 10)
    stance = rng.choice(("aside", "aside", "aside", "in-place", "moving"))
    return {
        "stance": stance,
        "tolerance": tolerance,
        "dwell_s": rng.choice((3, 5, 8)),
        "patience_s": rng.choice((1500, 1500, 1500, 1500, 25)),
        "when_late": rng.choice(("hold", "go-on", "abort")),
    }


# ---- the machine


def _heaters(rng: Random) -> dict[str, float]:
    heat = _any_heaters(rng)
    # Dead time times loop gain: from π/2 on it swings for ever by the control's own fault, and never settles. Half of that
    # is a control that somebody would leave in service.
    if heat["dead_time"] * heat["gain"] / (heat["band"] * heat["tau"]) > math.pi / 4:
        heat["dead_time"] = 0.0
    return heat


def _any_heaters(rng: Random) -> dict[str, float]:
    return {
        "tau": rng.choice((60.0, 60.0, 90.0, 90.0, 120.0, 180.0, 300.0, 625.0)),
        "gain": rng.choice((300.0, 375.0, 375.0, 450.0)),
        "band": rng.choice((8.0, 15.0, 15.0)),
        "dead_time": rng.choice((0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 2.0)),
        "noise": rng.choice((0.0, 0.1, 0.1, 0.3, 0.6, 1.0)),
        "resolution": rng.choice((0.0, 0.0, 0.0, 1.0)),
        "draft": rng.choice((0.0, 0.0, 3.0)),
        "bed_tau": rng.choice((150.0, 300.0)),
    }


def _lasts(heat: dict[str, float]) -> float:
    """s until the part is about half done, roughly: to heat up, and two minutes."""
    return heat["tau"] * math.log(heat["gain"] / (heat["gain"] - (NOZZLE - AMBIENT))) + 120.0


def _printer(rng: Random, how: How) -> dict[str, Any]:
    """A printer file. `e_mode` may be either: the towers say the mode of E last."""
    window = rng.choice((0, 0, 96, 96, 96))
    return {
        "name": "simulated",
        "serial": {"port": "emulated", "window_bytes": window, "ahead_s": rng.choice((4.0, 4.0, 2.0))},
        "firmware": {
            "e_mode": rng.choice(("joined", "apart")),
            "idle_release_s": rng.choice((60.0, 60.0, 30.0, 0.0)),
            "inactivity_s": rng.choice((0.0, 0.0, 600.0)),
        },
        "volume": {"x": [0, 220], "y": [0, 220], "z": [0, 250]},
        "limits": {"nozzle": [0, 250], "bed": [0, 110]},
        "aside": {"purge_mm": rng.choice((0.0, 0.0, 4.0)), "retract": rng.choice((2.0, 2.0, 0.0))},
        "thermal": {"report_s": rng.choice((1.0, 1.0, 1.0, 1.0, 1.0, 0.5, 2.0))},
        "hold": {"nozzle_off_after_s": 120.0, "bed_off_after_s": 400.0},
        "restore": {"advance": 0.0, "retract": 3.0},
    }


def _board(rng: Random, printer: dict[str, Any], heat: dict[str, float]) -> tuple[str, ...]:
    firmware = printer["firmware"]
    no, yes = "false", "true"
    settings: dict[str, Any] = {
        "baud": rng.choice((115200, 115200, 250000, 57600)),
        "receive_bytes": 127,
        "e_mode": firmware["e_mode"],
        "idle_release_s": firmware["idle_release_s"],
        "line_end": rng.choice(("lf", "lf", "crlf")),
        "resend_form": rng.choice(("Resend: ", "Resend:", "rs ")),
        "resend_ok": rng.choice((yes, yes, no)),
        "flush_on_refusal": rng.choice((no, no, yes)),
        "advanced_ok": rng.choice((no, no, yes)),
        "readings_on_ok": rng.choice((yes, yes, no)),
        "auto_report": rng.choice((yes, yes, no)),
        "emergency_parser": rng.choice((yes, no)),
        "busy_s": rng.choice((2.0, 2.0, 0.0)),
        "reports_while_slow": rng.choice((yes, no)),
        "wait_form": rng.choice(("full", "short")),
        "power_full": rng.choice((127, 255)),
        "power_shown": rng.choice((yes, yes, no)),
        "answers": rng.choice(("M220,M221,M900,M207", "M220,M221", "")),
        "restart_on_open": rng.choice((yes, no)),
        "boot_s": rng.choice((0.5, 3.0)),
        "protection": rng.choice((no, no, yes)),
        "halt_form": rng.choice(("Error:", "!!")),
        "halt_talks": rng.choice((no, yes)),
        "replug_s": rng.choice((2.0, 2.0, 40.0)),
        "planner": rng.choice((16, 16, 4)),
        "acceleration": rng.choice((0.0, 1000.0)),
        "fan_synced": yes,
        "home_s": rng.choice((3.0, 8.0)),
        "person_s": 6.0,
        "wait_window": 1.0 + 4.0 * heat["noise"] + heat["resolution"],  # boards take many samples for one
        "tools": rng.choice((1, 1, 1, 2)),
        "cold_below": 150.0,
        "bed.tau": heat["bed_tau"],
        "seed": rng.randrange(1 << 30),
        "log_limit": 0,
    }
    for key in ("tau", "gain", "band", "dead_time", "noise", "resolution", "draft"):
        settings[f"nozzle.{key}"] = heat[key]
    for key in ("noise", "resolution", "draft"):
        settings[f"bed.{key}"] = heat[key]
    return tuple(f"{key}={value}" for key, value in settings.items())


def _found(rng: Random) -> dict[str, float]:
    """Factors as somebody left them at the panel."""
    if rng.random() < 0.7:
        return {}
    return {"flow": rng.choice((97.0, 103.0)), "feed": rng.choice((90.0, 100.0)), "advance": 0.04}


# ---- what goes wrong


def _line(rng: Random, kinds: tuple[str, ...]) -> LineFaults:
    """Rates from one in 10,000 to one in 50 (2 %), evenly on a logarithmic scale."""

    def rate(kind: str, least: float, most: float) -> float:
        chance = math.exp(rng.uniform(math.log(least), math.log(most)))
        return chance if kind in kinds else 0.0

    return LineFaults(
        flip_in=rate("flips_in", 1e-4, 0.02),
        flip_out=rate("flips_out", 1e-4, 0.02),
        lose_in=rate("losses_in", 1e-4, 0.005),
        lose_out=rate("losses_out", 1e-4, 0.005),
        twice_in=rate("doubled_in", 0.005, 0.1),
        twice_out=rate("doubled_out", 0.005, 0.1),
        late_s=rate("late", 0.01, 0.4),
    )


def _moment(rng: Random, lasts: float) -> Moment:
    chance = rng.random()
    if chance < 0.1:
        return Moment(at_s=round(rng.uniform(0.0, 8.0), 3))
    if chance < 0.6:
        return Moment(at_s=round(rng.uniform(8.0, lasts), 3))
    return Moment(kind=rng.choice(MARKS), nth=rng.choice((1, 1, 2, 3)), after_s=round(rng.uniform(0.0, 10.0), 3))


def _happens(rng: Random, kind: str, lasts: float) -> list[Happening]:
    """What a kind that is switched on brings about."""
    make = _MAKERS.get(kind)
    if kind in BOARD_KINDS:
        times = rng.choice((1, 1, 3)) if kind in ("S1", "S3", "S4", "S7", "S9", "T7") else 1
        return [Happening("fault", _moment(rng, lasts), (kind,)) for _ in range(times)]
    return [] if make is None else make(rng, lasts)


def _command(*names: str) -> Callable[[Random, float], list[Happening]]:
    def make(rng: Random, lasts: float) -> list[Happening]:
        return [Happening("command", _moment(rng, lasts), (name, {})) for name in names]

    return make


def _hold_at(at: str) -> Callable[[Random, float], list[Happening]]:
    def make(rng: Random, lasts: float) -> list[Happening]:
        return [Happening("command", _moment(rng, lasts), ("hold", {"at": at}))]

    return make


def _nonsense(rng: Random, lasts: float) -> list[Happening]:
    """Commands of any kind at any moment: most of them refused by the state."""
    words: tuple[tuple[str, dict[str, Any]], ...] = (
        ("resume", {}), ("start", {}), ("reset", {}), ("hold", {"at": "band:99"}), ("hold", {"at": "soon"}), ("dance", {}),
        ("hold", {"withdraw": True}), ("resume", {}),
    )  # fmt: skip
    return [Happening("command", _moment(rng, lasts), rng.choice(words)) for _ in range(12)]


def _silence(rng: Random, lasts: float) -> list[Happening]:
    return [Happening("silence", _moment(rng, lasts), (rng.choice((0.5, 2.0, 4.0, 12.0, 40.0)),))]


def _once(what: str) -> Callable[[Random, float], list[Happening]]:
    def make(rng: Random, lasts: float) -> list[Happening]:
        return [Happening(what, _moment(rng, lasts))]

    return make


def _crash_at_write(rng: Random, lasts: float) -> list[Happening]:
    return [Happening("crash_at_write", Moment(at_s=0.0), (rng.randint(1, 260), rng.random() < 0.5))]


def _broker(rng: Random, lasts: float) -> list[Happening]:
    seconds = (rng.choice((1.0, 20.0, 60.0)),)
    return [Happening(rng.choice(("broker_drops", "broker_hangs")), _moment(rng, lasts), seconds) for _ in range(3)]


def _flood(rng: Random, lasts: float) -> list[Happening]:
    words = (0.001, rng.choice((200, 1000)), rng.choice(("abort", "stop", "hold")))
    return [Happening("flood", _moment(rng, lasts), words)]


def _journal(rng: Random, lasts: float) -> list[Happening]:
    why = rng.choice(("database or disk is full", "attempt to write a readonly database", "disk I/O error"))
    return [
        Happening("journal_stalls", _moment(rng, lasts), (rng.choice((2.0, 20.0, 60.0)),)),
        Happening("journal_refuses", _moment(rng, lasts), (why, rng.choice((5.0, 40.0)))),
    ]


_MAKERS: Final[dict[str, Callable[[Random, float], list[Happening]]]] = {
    "silence": _silence,
    "broker": _broker,
    "flood": _flood,
    "replay": _once("replay"),
    "journal": _journal,
    "hold": _command("hold"),
    "hold_layer": _hold_at("layer"),
    "hold_band": _hold_at("band:3"),
    "long_hold": _once("long_hold"),
    "stop": _command("stop"),
    "abort": _command("abort"),
    "estop": _command("estop"),
    "nonsense": _nonsense,
    "crash": _once("crash"),
    "crash_at_write": _crash_at_write,
    "outlet_raises": _once("outlet_raises"),
    "engine_raises": _once("engine_raises"),
    "engine_broken": _once("engine_broken"),
    "cancelled": _once("cancelled"),
    "file_shrinks": _once("file_shrinks"),
}
