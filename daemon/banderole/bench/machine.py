"""The machine behind the board: modal state, motions, heaters, fan, motors. It knows nothing of lines and replies."""

from __future__ import annotations

import math
from collections import deque
from random import Random

from banderole.bench.heater import Heater
from banderole.bench.manners import Manners
from banderole.bench.motion import Planner
from banderole.bench.records import Log, Move

# mm/min in force before the first F of a session: what a board falls back on; common practice, no source.
BOOT_FEED = 1500.0
# Setpoint changes remembered, so that a motion can be given the target that held when it began. One motion would have
# to span more changes than this for the oldest to be missed.
REMEMBERED_TARGETS = 64

# s of thermal time that the guard against cold extrusion may look back: boards, too, look at their last sample.
COLD_SAMPLE_S = 0.5


class Machine:
    """Everything that moves or heats. Axis positions are the machine's own, in mm; `offset` is what G92 shifts."""

    def __init__(self, manners: Manners, log: Log, now: float) -> None:
        self.manners = manners
        self.log = log
        rng = Random(f"{manners.seed} sensors")
        self.nozzles = [Heater(manners.nozzle, rng) for _ in range(manners.tools)]
        self.bed = Heater(manners.bed, rng)
        self.reset(now)
        self._heated_to = self._bed_heated_to = now

    def reset(self, now: float) -> None:
        """What a restart of the board forgets. Bodies stay as warm as they are."""
        for heater in (*self.nozzles, self.bed):
            heater.target = 0.0
            heater.blown_at(0.0)
        self.planner = Planner(self.manners.planner, self.manners.motion_speed, self.manners.acceleration)
        self.x = self.y = self.z = 0.0
        self.offset = [0.0, 0.0, 0.0]
        self.e = 0.0  # as the board counts it, mm
        self.feed = BOOT_FEED
        self.unit = 1.0  # mm in one unit of the file
        self.relative = False
        self.e_relative = False
        self.flow = 100.0
        self.factor = 100.0
        self.fan = 0.0
        self.advance = 0.0
        self.retraction = [3.0, 1500.0, 0.0]  # M207: mm, mm/min, mm of lift
        self.retracted = False
        self.tool = 0
        self.cold_allowed = False
        self.cold_below = self.manners.cold_below
        self.homed = [False, False, False]
        self.motors_on = False
        self.known = False
        self._targets: deque[tuple[float, float]] = deque([(-math.inf, 0.0)], maxlen=REMEMBERED_TARGETS)

    # --- heat
    @property
    def nozzle(self) -> Heater:
        return self.nozzles[self.tool]

    def heat_to(self, now: float) -> None:
        """Brings every heater to this moment."""
        self._heat_nozzles_to(now)
        seconds = (now - self._bed_heated_to) * self.manners.heat_speed
        if seconds > 0.0:
            self._bed_heated_to = now
            self.bed.advance(seconds)

    def _heat_nozzles_to(self, now: float) -> None:
        # Apart from the bed, because every motion's record needs the nozzle and none needs the bed.
        seconds = (now - self._heated_to) * self.manners.heat_speed
        if seconds > 0.0:
            self._heated_to = now
            for heater in self.nozzles:
                heater.advance(seconds)

    def set_target(self, heater: Heater, value: float, now: float) -> None:
        """A heater's setpoint, °C, from this moment."""
        self.carry_out(now)
        self.heat_to(now)
        heater.target = max(0.0, value)
        self._targets.append((now, self.nozzle.target))

    def blow(self, fan: float, now: float) -> None:
        """The part fan, 0..255, from this moment."""
        self.heat_to(now)
        self.fan = fan
        for heater in self.nozzles:
            heater.blown_at(fan / 255.0)

    def select_tool(self, tool: int, now: float) -> None:
        self.carry_out(now)
        self.tool = tool
        self._targets.append((now, self.nozzle.target))

    def heat_off(self, now: float) -> None:
        for heater in (*self.nozzles, self.bed):
            self.set_target(heater, 0.0, now)

    def too_cold(self, now: float) -> bool:
        if self.cold_allowed or not self.cold_below:
            return False
        if (now - self._heated_to) * self.manners.heat_speed > COLD_SAMPLE_S:
            self._heat_nozzles_to(now)
        return self.nozzle.temperature < self.cold_below

    # --- motion
    def carry_out(self, now: float) -> None:
        """Records every motion that has ended by now, with the heat it really had."""
        queue = self.planner.queue
        while queue and queue[0].end <= now:
            self._record(queue.popleft())

    def _record(self, move: Move) -> None:
        self._heat_nozzles_to(move.end)
        nozzle = self.nozzle
        move.nozzle = nozzle.temperature
        move.target_end = nozzle.target
        if self._targets[-1][0] <= move.start:
            move.target = nozzle.target
        else:
            move.target = next((value for at, value in reversed(self._targets) if at <= move.start), 0.0)
        if self.manners.fan_synced is False:
            move.fan = self.fan
        self.log.move(move)

    def go(
        self, number: int | None, x: float | None, y: float | None, z: float | None, e: float | None, now: float
    ) -> bool:
        """Plans a straight motion to the words given (units of the file); True if cold filament was held back."""
        unit, offset = self.unit, self.offset
        x0, y0, z0 = x1, y1, z1 = self.x, self.y, self.z
        if self.relative:
            if x is not None:
                x1 += x * unit
            if y is not None:
                y1 += y * unit
            if z is not None:
                z1 += z * unit
        else:
            if x is not None:
                x1 = x * unit + offset[0]
            if y is not None:
                y1 = y * unit + offset[1]
            if z is not None:
                z1 = z * unit + offset[2]
        length = math.dist((x0, y0, z0), (x1, y1, z1))
        return self.plan("line", number, x1, y1, z1, length, e, now)

    def plan(
        self, kind: str, number: int | None, x: float, y: float, z: float, length: float, e: float | None, now: float
    ) -> bool:
        """Plans a path of `length` mm that ends at x, y, z, with an E word in units of the file or none."""
        cold = False
        filament = 0.0
        if e is not None:
            e *= self.unit
            filament = e if self.e_relative else e - self.e
            self.e += filament
            if filament and self.too_cold(now):
                cold, filament = True, 0.0
        if length == 0.0:
            if filament == 0.0:
                return cold
            if kind == "line":
                kind = "filament"
            length = abs(filament)
        planner = self.planner
        feed, factor, flow = self.feed, self.factor, self.flow
        start, end = planner.times(length, feed, factor, now)
        self.motors_on = True
        planner.add(
            Move(
                kind, number, start, end, self.x, self.y, self.z, x, y, z, length, filament, filament * flow / 100.0,
                feed, factor, flow, self.fan, self.tool, self.known,
            )
        )  # fmt: skip
        self.x, self.y, self.z = x, y, z
        return cold

    def stop(self, now: float) -> None:
        """Stops where it is: what was planned is dropped, and the board knows where it stands."""
        self.carry_out(now)
        cut = self.planner.stop(now)
        if cut is not None:
            self._record(cut)
            self.x, self.y, self.z = cut.x1, cut.y1, cut.z1

    def home(self, axes: tuple[bool, bool, bool], number: int | None, start: float, now: float) -> None:
        """Puts axes at zero, known from here on; `start` is when homing began."""
        before = self.x, self.y, self.z
        for axis, named in enumerate(axes):
            if named:
                self.homed[axis] = True
                self.offset[axis] = 0.0
        self.x, self.y, self.z = (0.0 if named else value for named, value in zip(axes, before, strict=True))
        self.known = all(self.homed)
        self.motors_on = True
        length = math.dist(before, (self.x, self.y, self.z))
        self.planner.rest_at = now
        self._record(
            Move("home", number, start, now, *before, self.x, self.y, self.z, length, 0.0, 0.0, self.feed, self.factor,
                 self.flow, self.fan, self.tool, self.known)
        )  # fmt: skip

    def release_motors(self) -> bool:
        """Lets the motors go; True if a position that was known is lost by it."""
        lost = any(self.homed)
        self.motors_on = False
        self.homed = [False, False, False]
        self.known = False
        return lost
