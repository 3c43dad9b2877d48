"""A worn pedal sensor: at one band of its travel the wiper loses its track."""

from __future__ import annotations

import random
from typing import ClassVar

from ..expected import level_pedal
from ..scenarios import Scenario
from .fault import Fault, Moment

LEAST_S = 0.05
"""A wiper that has lost its track bounces for so long at least (ours)."""


class PedalSensorFault(Fault):
    """The wiper has worn a band where the pedal stands most. Contact is lost and found in less than a millisecond.

    Within the band contact is lost by chance, the sooner the faster the wiper moves and the more it is shaken, and
    found again after a while or when the wiper has left the band. What is read without contact is the variant:
    nothing (pulled down by the controller), a share of the true signal, a short spike towards the supply, or noise.
    An open wire has no band: it hangs on a strand and lets go when shaken.
    """

    cause = "pedal-sensor"
    variants: ClassVar = {"drops to nothing": 4, "dips": 4, "spikes": 3, "jitters": 3, "open wire": 1}

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        self.centre = min(0.85, max(0.08, level_pedal(scenario) * chance.uniform(0.85, 1.3)))
        self.width = chance.uniform(0.025, 0.08)
        self._moving, self._shaken = chance.uniform(6.0, 18.0), chance.uniform(0.01, 0.06)
        self._lost_s = self._least_s = 0.0
        self._depth = 0.0
        self._nothing_v = chance.uniform(0.0, 0.12)
        self._supply_v = max(5.0, scenario.pedal.offset_v + scenario.pedal.range_v)
        self._low_v = scenario.pedal.offset_v
        self._jitter_v = chance.uniform(0.08, 0.3) * scenario.pedal.range_v
        self._shallow = (chance.uniform(0.15, 0.4), chance.uniform(0.45, 0.85))

    def step(self, moment: Moment) -> None:
        """Lose or find contact."""
        hanging = self.variant == "open wire"
        inside = hanging or abs(moment.pedal - self.centre) < self.width / 2
        if self._lost_s > 0:
            self._lost_s -= moment.dt
            self._least_s -= moment.dt
            if not inside and self._least_s <= 0:
                self._lost_s = 0.0
        elif inside:
            shaken = self._shaken * moment.shaking * moment.shaking
            hazard = shaken if hanging else self._moving * abs(moment.pedal_speed) + shaken
            if self._chance.random() < hazard * moment.dt:
                self._lose()
        self.log.hold(moment.t, f"pedal sensor {self.variant}", self._lost_s > 0)

    def _lose(self) -> None:
        chance = self._chance
        longest = {"spikes": 0.12, "jitters": 1.2}.get(self.variant, 0.4)
        self._lost_s = chance.uniform(LEAST_S, longest)
        self._least_s = LEAST_S
        self._depth = chance.uniform(*self._shallow)

    def pedal_voltage(self, volts: float) -> float:
        """Return what the wiper picks up."""
        if self._lost_s <= 0:
            return volts
        if self.variant in ("drops to nothing", "open wire"):
            return self._nothing_v
        if self.variant == "dips":
            return self._low_v + (volts - self._low_v) * (1 - self._depth)
        if self.variant == "spikes":
            return volts + (self._supply_v - volts) * self._depth
        return min(self._supply_v, max(0.0, volts + self._chance.gauss(0.0, self._jitter_v)))
