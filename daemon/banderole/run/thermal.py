"""HeaterModel: what one heater is expected to do, learned from its ordinary readings while the run goes.

Identification is in `heat_learning`, the curve in `heat_curve`; here is what joins them: which readings show the heater
at known power, the control band where it is seen, and the correction of predictions by outcomes.

Where the printer reports no power it is inferred: full while the target is far above, none while it is far below or
zero (common practice of heater firmware, no source); nearer than that nothing is learned.

Known limits, measured on simulated heaters of τ 60 to 625 s with noise, rounding and dead time:
- Under proportional control, from the second crossing in a direction on, steps that go one way are predicted within
  20 % (all but one of 420 crossings, which was off by 35 %). Where they go both ways that holds for 49 of 50; noise at
  the edge of tolerance breaks a soak, and what is learned from that spoils the next prediction.
- Control with integral action overshoots, which is no part of the model: one crossing in ten is off by more than 20 %,
  the worst by half. Switched control (full or nothing) swings in and out of tolerance: no bound is promised.
- The first crossing has no outcome to go by: within 20 % at the median, and off by two thirds at worst where no power is
  reported, since the control band is then a guess.
- Dead time is not identified: on an ordinary hot end the expected curve leads the readings by 2 to 5 °C while they move.
  Trip levels are wider than that; outcomes take it up in predictions.
- Large steps (first heating, heating again after a hold) are predicted without correction.
- A reading that is already warm when the run begins says nothing of the room, which is then taken as 25 °C.

Pure: no clock, no I/O, bounded memory, a few microseconds a reading.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import median

from banderole.run.heat_curve import HeatCurve
from banderole.run.heat_learning import SAME_POWER, Segments

# °C. A first reading below this is taken for the room's; above it the heater is warm and the room is assumed.
COLD = 45.0
ROOM = 25.0
# °C from the target beyond which firmware is taken to be at full power, or at none (bands of 5 to 10 °C are common
# practice, no source).
FAR = 15.0
# °C, control band until one has been seen.
USUAL_BAND = 8.0
LEAST_BAND, MOST_BAND = 0.5, 60.0
# °C of climb at full power after which power that lets go shows where control takes over.
CLIMBED = 20.0
# Relative errors at which the estimate is good enough to be used: with both, a prediction is off by a fifth at most.
KNOWN_GAIN, KNOWN_TAU = 0.15, 0.35
# °C of step above which an outcome says nothing about steps between bands, and the other way round.
LARGE_STEP = 30.0
# An outcome corrects the pace by this factor at most: what is beyond is an accident (a soak broken twice, a door).
MOST_PACE = 3.0
# Weight of the newest outcome once there has been one: steady against noise, quick when a fan comes on.
NEWEST = 0.6
# Predictions remembered until their outcome is noted.
REMEMBERED = 16


@dataclass(frozen=True, slots=True)
class _Prediction:
    total: float
    raw: float
    dwell_s: float
    rising: bool


class HeaterModel:
    """Online model of one heater. Temperatures in °C, times in s, power as a share of full (0 to 1)."""

    def __init__(self) -> None:
        self._ambient: float | None = None
        self._segments: Segments | None = None
        self._curve: HeatCurve | None = None
        self._error_tau = math.inf
        self._band: float | None = None
        self._recent: deque[tuple[float, float]] = deque(maxlen=3)
        self._climb: tuple[float, float] | None = None  # target and start, °C, while at full power
        self._predictions: deque[_Prediction] = deque(maxlen=REMEMBERED)
        self._pace: dict[bool, float] = {}  # by direction: travel found over travel modelled
        self._outcomes = 0
        self._former: HeatCurve | None = None  # of runs before this one: predicts until this run has found its own
        self._former_pace: dict[bool, float] = {}

    # -- from run to run

    def learned(self) -> dict[str, float] | None:
        """What a later run may begin with: `gain` and `band` °C, `tau` s, `up` and `down` paces; None: nothing is known."""
        curve = self._curve or self._former  # a run that began warm may find out nothing but how its crossings went
        if curve is None:
            return None
        found = {"gain": curve.gain, "tau": curve.tau, "band": curve.band}
        paces = {**self._former_pace, **self._pace}
        return found | {name: paces[rising] for name, rising in (("up", True), ("down", False)) if rising in paces}

    def begin_with(self, learned: Mapping[str, float]) -> None:
        """Predict by what `learned` gave in a run before, until this run knows better. Arms nothing: a heater may be another."""
        self._former = HeatCurve(ROOM, learned["gain"], learned["tau"], learned.get("band", USUAL_BAND))
        self._former_pace = {
            rising: learned[name] for name, rising in (("up", True), ("down", False)) if name in learned
        }

    # -- learning

    def feed(self, measured: float, target: float, power: float | None, now: float) -> None:
        """Take one reading; `target` 0 = off, `power` None = not reported. A median of three keeps wild samples out."""
        if not math.isfinite(measured):
            return
        self._recent.append((now, measured))
        if len(self._recent) < 3:
            return
        at = self._recent[1][0]
        steady = median(value for _, value in self._recent)
        segments = self._learn_ambient(steady, target)
        if power is not None:
            self._follow_climb(steady, target, power)
        known = power if power is not None else self._inferred(steady, target)
        tau = None if self._curve is None else self._curve.tau
        if segments.feed(steady, known, at, tau):
            self._solve(segments)

    def _learn_ambient(self, measured: float, target: float) -> Segments:
        if self._segments is None or self._ambient is None:
            self._ambient = measured if measured < COLD else ROOM
            self._segments = Segments(self._ambient)
        elif target <= 0.0 and measured < self._ambient:
            self._ambient = self._segments.ambient = measured
        return self._segments

    def _inferred(self, measured: float, target: float) -> float | None:
        if target <= 0.0 or measured - target > 2.0 * FAR:
            return 0.0
        return 1.0 if target - measured > FAR else None

    def _solve(self, segments: Segments) -> None:
        solved = segments.regression.solve()
        if solved is None:
            return
        c, k, error_c, error_k = solved
        if error_c <= KNOWN_GAIN and error_k <= KNOWN_TAU:
            self._error_tau = error_k
            self._curve = HeatCurve(segments.ambient, c / k, 1.0 / k, self._band or USUAL_BAND)

    def _follow_climb(self, measured: float, target: float, power: float) -> None:
        """Where full power lets go on the way up, the control band begins."""
        if power >= 1.0 - SAME_POWER:
            if self._climb is None or self._climb[0] != target:
                self._climb = (target, measured)
            return
        climb, self._climb = self._climb, None
        if climb is not None and climb[0] == target and measured - climb[1] >= CLIMBED:
            self._band = min(MOST_BAND, max(LEAST_BAND, target - measured))
            if self._curve is not None:
                self._curve = replace(self._curve, band=self._band)

    # -- asking

    @property
    def curve(self) -> HeatCurve | None:
        """The heater as identified; None until it is."""
        return self._curve

    def predict(self, start: float, target: float, tolerance: float, dwell_s: float) -> float | None:
        """Seconds until settled within `tolerance`, dwell included; None: not known yet, or out of reach."""
        curve = self._curve or self._former
        if curve is None:
            return None
        raw = curve.travel(start, target, tolerance)
        if raw is None:
            return None
        rising, large = target > start, abs(target - start) > LARGE_STEP
        total = dwell_s + (raw if large else raw * self._pace.get(rising, self._former_pace.get(rising, 1.0)))
        if not large:
            self._predictions.append(_Prediction(total, raw, dwell_s, rising))
        return total

    def expected(self, start: float, target: float, elapsed: float) -> float | None:
        """°C expected `elapsed` s after `target` (0 = off) was set while at `start`; None until identified."""
        return None if self._curve is None else self._curve.at(start, target, elapsed)

    def halfway_s(self, start: float, target: float) -> float | None:
        """Seconds from setting `target` until halfway there, °C; None: not known yet, or out of reach."""
        curve = self._curve or self._former
        return None if curve is None else curve.travel(start, target, abs(target - start) / 2)

    def note_outcome(self, predicted: float, taken: float, rising: bool) -> None:
        """Correct later predictions in this direction by what one took, s; `predicted` as `predict` gave it."""
        for made in reversed(self._predictions):
            if made.total == predicted and made.rising == rising:
                self._correct(made, taken - made.dwell_s)
                return

    def _correct(self, made: _Prediction, travel: float) -> None:
        if made.raw <= 0.0:  # within tolerance from the start: there was no travel to learn from
            return
        pace = min(MOST_PACE, max(1.0 / MOST_PACE, travel / made.raw))
        before = self._pace.get(made.rising, pace)
        self._pace[made.rising] = before + NEWEST * (pace - before)
        self._outcomes += 1

    @property
    def quality(self) -> str:
        """How good the model is, in a phrase."""
        if self._curve is None:
            return "known from runs before" if self._former is not None else "not known yet"
        parts = f"τ {self._curve.tau:.0f} s ± {100 * self._error_tau:.0f} %, reach {self._curve.ceiling:.0f} °C"
        return f"{parts}, {self._outcomes} outcomes seen" if self._outcomes else parts
