"""Interlock settings for tests: the printer file's defaults, with time warped as the heater's is."""

from __future__ import annotations

from banderole.plan.interlock_settings import BedInterlocks, HeaterInterlocks, Jump, Overshoot, Rise, Runaway


def settings(warp: float = 1.0) -> HeaterInterlocks:
    """The nozzle's; a heater that runs faster is given less time, and may jump further in a second."""
    plain = HeaterInterlocks()
    return HeaterInterlocks(
        rise=Rise(degrees=plain.rise.degrees, within_s=plain.rise.within_s / warp),
        runaway=Runaway(degrees=plain.runaway.degrees, for_s=plain.runaway.for_s / warp),
        overshoot=Overshoot(degrees=plain.overshoot.degrees, for_s=plain.overshoot.for_s / warp),
        jump=Jump(degrees_per_s=plain.jump.degrees_per_s * max(1.0, warp / 8)),
        stuck_s=plain.stuck_s / warp,
    )


def bed_settings() -> BedInterlocks:
    """The bed's."""
    return BedInterlocks()
