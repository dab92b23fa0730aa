"""Interlock settings for tests, with time warped as the heater's is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rise:
    degrees: float
    within_s: float


@dataclass(frozen=True)
class For:
    degrees: float
    for_s: float


@dataclass(frozen=True)
class Jump:
    degrees_per_s: float


@dataclass(frozen=True)
class Settings:
    rise: Rise
    runaway: For
    overshoot: For
    jump: Jump
    stuck_s: float


def settings(warp: float = 1.0) -> Settings:
    """The nozzle's defaults; a heater that runs faster is given less time, and may jump further in a second."""
    return Settings(
        Rise(3.0, 25.0 / warp),
        For(12.0, 15.0 / warp),
        For(12.0, 8.0 / warp),
        Jump(60.0 * max(1.0, warp / 8)),
        60.0 / warp,
    )
