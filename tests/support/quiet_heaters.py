"""Sound heaters on random towers: whatever they are, no interlock may trip.

`python -m tests.support.quiet_heaters --hours 300 --seed 0` for longer than a test may take. Each heater is made from
its seed alone; a seed that trips is printed with its heater, and belongs into the test's list for ever.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from dataclasses import dataclass

from banderole.run.interlocks import Caution, HeaterInterlocks, Trip
from banderole.run.thermal import HeaterModel

from tests.support.heat_settings import bed_settings, settings
from tests.support.heater_sim import HeaterSim

# °C to spare above the highest setpoint at full power with the fan on: less is a heater too weak, which is a fault.
SPARE = 15.0


@dataclass(frozen=True)
class Kind:
    """What a heater of this name may be: τ, setpoints, limits."""

    tau: tuple[float, float]
    setpoints: tuple[float, float]
    most: float
    step: float


KINDS = {
    "nozzle": Kind((60.0, 625.0), (180.0, 255.0), 260.0, 30.0),
    "bed": Kind((300.0, 1200.0), (40.0, 105.0), 110.0, 40.0),
}


class QuietHeater:
    """One sound heater, its readings going to model and interlocks as a run has it."""

    def __init__(self, heater: str, seed: int) -> None:
        self.heater, self.seed, self.kind = heater, seed, KINDS[heater]
        dice = self.dice = random.Random(f"{heater} {seed}")
        tau, ambient = dice.uniform(*self.kind.tau), dice.uniform(15.0, 35.0)
        self.loss = dice.uniform(1.0, 1.2)
        reach = (self.kind.setpoints[1] + SPARE - ambient) * self.loss
        self.sim = HeaterSim(
            tau=tau,
            gain=reach * dice.uniform(1.0, 1.6),
            ambient=ambient,
            dead=dice.uniform(0.0, 1.0 + 0.01 * tau),
            control=dice.choice(["p", "pi", "switch"]),
            band=dice.uniform(4.0, 12.0),
            integral_s=tau * dice.uniform(0.5, 1.5),
            noise=dice.choice([0.0, 0.1, 0.3, 1.0]),
            step=dice.choice([0.0, 0.1, 1.0]),
            seed=seed,
        )
        self.every = dice.choice([0.1, 0.5, 1.0, 1.0, 2.0, 5.0])
        self.powered = dice.random() < 0.5
        self.model = HeaterModel()
        plain = settings() if heater == "nozzle" else bed_settings()
        self.interlocks = HeaterInterlocks(heater, (0.0, self.kind.most), plain, self.model)
        self.said: list[Trip | Caution] = []

    def __str__(self) -> str:
        return f"{self.heater} seed {self.seed}: every {self.every} s, power {self.powered}, {self.sim}"

    def read(self, seconds: float) -> None:
        """As the run does it: interlocks first, and what they object to does not teach."""
        for measured, power, now in self.sim.readings(seconds, self.every):
            shown = power if self.powered else None
            self.interlocks.target(self.sim.target, now)
            said = self.interlocks.feed(measured, shown, now)
            if said is None:
                self.model.feed(measured, self.sim.target, shown, now)
            else:
                self.said.append(said)

    def weather(self) -> None:
        """A draught of 3 °C either way, and a fan."""
        self.sim.draught = self.dice.choice([-3.0, 0.0, 0.0, 3.0])
        self.sim.loss = self.dice.choice([1.0, self.loss])

    def tower(self) -> None:
        """Warm up, step or change quickly, now and then cool for a hold, and off at the end."""
        dice, (low, high) = self.dice, self.kind.setpoints
        self.read(dice.uniform(1.0, 60.0))
        at = dice.uniform(low, high)
        self.sim.set(at)
        self.read(dice.choice([10.0, 100.0, 1.0, 1.0]) * dice.uniform(0.5, 5.0) + 3.0 * self.sim.tau)
        for _ in range(dice.randint(3, 8)):
            if dice.random() < 0.1:
                self.sim.set(0.0)
                self.read(dice.uniform(1.0, 900.0))
            at = round(min(high, max(low, at + dice.uniform(-self.kind.step, self.kind.step))))
            for wanted in (*(dice.uniform(low, high) for _ in range(dice.choice([0, 0, 0, 3]))), at):
                self.sim.set(wanted)
                self.read(dice.uniform(self.every, 10.0))
            for _ in range(dice.randint(1, 5)):
                self.weather()
                self.read(dice.uniform(10.0, 200.0))
        self.sim.set(0.0)
        self.read(dice.uniform(60.0, 2.0 * self.sim.tau))

    def run(self, hours: float) -> list[Trip | Caution]:
        """Tower after tower; what was said, which should be nothing."""
        while self.sim.now < 3600.0 * hours and not self.said:
            self.tower()
        return self.said


def main() -> None:
    """Seed after seed until the hours are over; exit 1 if anything was said."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=300.0, help="simulated hours in all")
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    wanted = parser.parse_args()
    simulated, seed = 0.0, wanted.seed
    heaters = Counter[str]()
    alarms = Counter[str]()
    while simulated < wanted.hours:
        for heater in KINDS:
            quiet = QuietHeater(heater, seed)
            for said in quiet.run(2.0):
                alarms[said.alarm] += 1
                print(f"{said}\n    {quiet}")
            simulated += quiet.sim.now / 3600.0
            heaters[heater] += 1
        seed += 1
    print(f"seeds {wanted.seed} to {seed - 1}, {simulated:.0f} h, {dict(heaters)}; alarms: {dict(alarms) or 'none'}")
    raise SystemExit(1 if alarms else 0)


if __name__ == "__main__":
    main()
