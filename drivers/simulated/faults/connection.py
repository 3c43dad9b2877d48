"""A poor joint in the power path: resistance that should not be there, that moves, heats and opens."""

from __future__ import annotations

import math
import random
from typing import ClassVar

from ..scenarios import Scenario
from .fault import Fault, Moment


class PowerConnectionFault(Fault):
    """A loose lug, a burnt contact, a crimp that was never tight, between the pack's terminals and the controller.

    Its resistance is some times what pack and wire have together. It wanders by its own noise and with the shaking,
    grows as the joint heats, and opens for a moment at a bump. What burns is the square of the current.
    """

    cause = "power-connection"
    variants: ClassVar = {"resists": 3, "resists and heats": 3, "opens when shaken": 4, "opens for good": 1}

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        expected = scenario.cells.count * scenario.cells.resistance_ohm + scenario.connection.resistance_ohm
        opens = self.variant.startswith("opens")
        self.rest_ohm = expected * (chance.uniform(0.6, 3.0) if opens else chance.uniform(1.5, 4.0))
        # No joint is so poor that the machine cannot pull away at all.
        most = 0.12 * scenario.controller.minimum_v / scenario.controller.battery_current_a
        self.rest_ohm = min(self.rest_ohm, most)
        self._wander, self._hurry_s = chance.uniform(0.12, 0.4), chance.uniform(0.05, 0.6)
        self._moved = chance.uniform(0.05, 0.25)
        self._per_kelvin = chance.uniform(0.004, 0.012) if self.variant == "resists and heats" else 0.001
        self._watt_kelvin = chance.uniform(0.15, 0.5)
        self._warms_s = chance.uniform(25.0, 90.0)
        self._opens = chance.uniform(0.35, 0.8)
        self._last_s = chance.uniform(60.0, 150.0) if self.variant == "opens for good" else math.inf
        self._noise = 0.0
        self.heated_k = 0.0
        self._open_s = 0.0

    def step(self, moment: Moment) -> None:
        """Wander, heat, open and close."""
        chance, dt = self._chance, moment.dt
        share = min(1.0, dt / self._hurry_s)
        self._noise += -self._noise * share + math.sqrt(2 * share) * chance.gauss(0.0, self._wander)
        loose = math.exp(self._noise + self._moved * min(moment.shaking, 4.0) * chance.uniform(0.0, 1.0))
        ohm = self.rest_ohm * loose * (1 + self._per_kelvin * self.heated_k)
        heating = self._watt_kelvin * moment.current * moment.current * min(ohm, 1.0)
        self.heated_k += (min(heating, 250.0) - self.heated_k) * (1 - math.exp(-dt / self._warms_s))
        self.added_ohm = ohm
        self._open_s = max(0.0, self._open_s - dt)
        if self.variant == "opens when shaken" and moment.bump > 0 and chance.random() < self._opens:
            self._open_s = chance.uniform(0.03, 0.45)
        if moment.t >= self._last_s and moment.current > 1.0:
            self._open_s = math.inf
        self.opened = self._open_s > 0
        self.log.hold(moment.t, "power connection open", self.opened)
