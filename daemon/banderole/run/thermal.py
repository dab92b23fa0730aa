"""HeaterModel: what one heater is expected to do, learned from its ordinary readings while the run goes.

Identification is in `heat_learning`, the curve in `heat_curve`; here is what joins them: which readings show the heater
at known power, the dead time and the control band as they are seen, and the correction of predictions by outcomes.

Where the printer reports no power it is inferred: full while the target is far above, none while it is far below or
zero (common practice of heater firmware, no source); nearer than that nothing is learned.

Pure: no clock, no I/O, bounded memory, a few microseconds a reading.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import median

from banderole.run.heat_curve import HeatCurve, decay_time
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
# °C of climb after which a change of its pace says something about the control.
CLIMBED = 20.0
# Share of the pace of full power at which control must have taken over: noise does not lower it so far.
SLACK = 0.6
# Relative errors at which the estimate is good enough to be used: with both, a prediction is off by a fifth at most.
KNOWN_GAIN, KNOWN_TAU = 0.15, 0.35
# °C of step above which an outcome says nothing about steps between bands, and the other way round.
LARGE_STEP = 30.0
# Travel found within this factor of travel predicted corrects the pace; what is beyond is time added (a soak broken
# once, an overshoot): it does not grow with the step.
PACE = 2.0
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
    large: bool


@dataclass(slots=True)
class _Correction:
    pace: float = 1.0
    extra: float = 0.0
    outcomes: int = 0

    def note(self, raw: float, travel: float) -> None:
        """Learn from one outcome: modelled travel `raw` and travel found, s."""
        pace = min(PACE, max(1.0 / PACE, travel / raw)) if raw > 0.0 else self.pace
        extra = travel - raw * pace
        weight = NEWEST if self.outcomes else 1.0
        self.pace += weight * (pace - self.pace)
        self.extra += weight * (extra - self.extra)
        self.outcomes += 1


class _Climb:
    """One climb at full power from rest: where it began, and when its pace breaks."""

    __slots__ = ("began", "marks", "start", "target", "timed")

    def __init__(self, began: float, start: float, target: float) -> None:
        self.began = began
        self.start = start
        self.target = target
        self.timed = False
        self.marks: deque[tuple[float, float]] = deque([(began, start)], maxlen=4)

    def pace(self, measured: float, now: float) -> float | None:
        """°C/s over the last few degrees; None while there are too few."""
        if measured - self.marks[-1][1] >= 1.0:
            self.marks.append((now, measured))
        at, value = self.marks[0]
        return (measured - value) / (now - at) if len(self.marks) == 4 and now > at else None


class HeaterModel:
    """Online model of one heater. Temperatures in °C, times in s, power as a share of full (0 to 1)."""

    def __init__(self) -> None:
        self._ambient: float | None = None
        self._segments: Segments | None = None
        self._curve: HeatCurve | None = None
        self._errors = (math.inf, math.inf)
        self._dead = 0.0
        self._band: float | None = None
        self._recent: deque[tuple[float, float]] = deque(maxlen=3)
        self._climb: _Climb | None = None
        self._predictions: deque[_Prediction] = deque(maxlen=REMEMBERED)
        self._corrections: dict[tuple[bool, bool], _Correction] = {}

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
        known = power if power is not None else self._inferred(steady, target)
        self._follow_climb(steady, target, known, at)
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
        far = max(FAR, 1.5 * (self._band or USUAL_BAND))
        if target <= 0.0 or measured - target > 2.0 * far:
            return 0.0
        return 1.0 if target - measured > far else None

    def _solve(self, segments: Segments) -> None:
        solved = segments.regression.solve()
        if solved is None:
            return
        c, k, error_c, error_k = solved
        self._errors = (error_c, error_k)
        if error_c <= KNOWN_GAIN and error_k <= KNOWN_TAU:
            self._curve = HeatCurve(segments.ambient, c / k, 1.0 / k, self._dead, self._band or USUAL_BAND)

    def _follow_climb(self, measured: float, target: float, power: float | None, now: float) -> None:
        """Watch a climb at full power for its dead time at the beginning and its control band at the end."""
        climb = self._climb
        full = power is not None and power >= 1.0 - SAME_POWER
        if climb is None or target != climb.target:
            begins = full and target - measured > CLIMBED
            self._climb = _Climb(now, measured, target) if begins else None
            return
        if measured - climb.start < CLIMBED:
            return
        if not climb.timed and self._curve is not None:
            self._time_dead(climb, measured, now)
        if power is not None and not full:
            self._see_band(target - measured)
            self._climb = None
        elif (band := self._slackened(climb, measured, now)) is not None:
            self._see_band(band)
            self._climb = None

    def _time_dead(self, climb: _Climb, measured: float, now: float) -> None:
        assert self._curve is not None
        climb.timed = True
        modelled = decay_time(self._curve.tau, climb.start, measured, self._curve.ceiling)
        if math.isfinite(modelled):
            self._dead = min(0.5 * self._curve.tau, max(0.0, now - climb.began - modelled))
            self._refresh()

    def _slackened(self, climb: _Climb, measured: float, now: float) -> float | None:
        """Without reported power: the control band, °C, once the pace fell well below that of full power.

        Inside the band the pace falls in proportion to what is left of the way, so one pace tells the whole band.
        """
        pace, curve = climb.pace(measured, now), self._curve
        if pace is None or curve is None:
            return None
        middle = (measured + climb.marks[0][1]) / 2.0
        share = pace * curve.tau / max(curve.ceiling - middle, 1.0)
        return (climb.target - middle) / max(share, 0.1) if share < SLACK else None

    def _see_band(self, distance: float) -> None:
        self._band = min(MOST_BAND, max(LEAST_BAND, distance))
        self._refresh()

    def _refresh(self) -> None:
        if (curve := self._curve) is not None:
            self._curve = HeatCurve(curve.ambient, curve.gain, curve.tau, self._dead, self._band or USUAL_BAND)

    # -- asking

    @property
    def curve(self) -> HeatCurve | None:
        """The heater as identified; None until it is."""
        return self._curve

    def predict(self, start: float, target: float, tolerance: float, dwell_s: float) -> float | None:
        """Seconds until settled within `tolerance`, dwell included; None: not known yet, or out of reach."""
        if self._curve is None:
            return None
        raw = self._curve.travel(start, target, tolerance)
        if raw is None:
            return None
        rising, large = target > start, abs(target - start) > LARGE_STEP
        correction = self._corrections.get((rising, large), _Correction())
        travel = max(0.0, raw * correction.pace + correction.extra)
        prediction = _Prediction(travel + dwell_s, raw, dwell_s, rising, large)
        self._predictions.append(prediction)
        return prediction.total

    def expected(self, start: float, target: float, elapsed: float) -> float | None:
        """°C expected `elapsed` s after `target` (0 = off) was set while at `start`; None until identified."""
        return None if self._curve is None else self._curve.at(start, target, elapsed)

    def note_outcome(self, predicted: float, taken: float, rising: bool) -> None:
        """Correct later predictions in this direction by what one took, s; `predicted` as `predict` gave it."""
        for made in reversed(self._predictions):
            if made.total == predicted and made.rising == rising:
                correction = self._corrections.setdefault((rising, made.large), _Correction())
                correction.note(made.raw, max(0.0, taken - made.dwell_s))
                return

    @property
    def quality(self) -> str:
        """How good the model is, in a phrase."""
        if self._curve is None:
            return "not known yet"
        noted = sum(correction.outcomes for correction in self._corrections.values())
        parts = f"τ {self._curve.tau:.0f} s ± {100 * self._errors[1]:.0f} %, reach {self._curve.ceiling:.0f} °C"
        return f"{parts}, {noted} outcomes seen" if noted else parts
