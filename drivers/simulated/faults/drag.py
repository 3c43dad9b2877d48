"""Something holds the machine back: a brake that rubs, a bearing that seizes, grass around a shaft."""

from __future__ import annotations

import random
from typing import ClassVar

from ..scenarios import Scenario
from ..vehicle import G, motion_resistance
from .fault import Fault, Moment


class MechanicalDragFault(Fault):
    """A steady force on top of all ordinary ones: the same up and down, fast and slow, or growing over minutes."""

    cause = "mechanical-drag"
    variants: ClassVar = dict.fromkeys(("brake rubs", "bearing seizes", "grass wraps"), 1)

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        vehicle = scenario.vehicle
        ordinary = motion_resistance(vehicle.mass_kg, vehicle.resistance)
        # At least four hundredths of the weight: less is within what tyres and ground do by themselves.
        self.full_n = max(ordinary * chance.uniform(1.0, 2.4), 0.04 * vehicle.mass_kg * G)
        self._share = 1.0 if self.variant == "brake rubs" else chance.uniform(0.35, 0.9)
        self._grows_s = chance.uniform(40.0, 120.0)
        self._by_speed = chance.uniform(0.0, 0.15) if self.variant == "bearing seizes" else 0.0

    def step(self, moment: Moment) -> None:
        """Rub on, and grow."""
        moving = moment.speed > 0.05
        if self.variant == "bearing seizes" and moving:
            self._share = min(1.0, self._share + 0.6 * moment.dt / self._grows_s)
        elif self.variant == "grass wraps" and moving and moment.softness > 1.1:
            self._share = min(1.3, self._share + 4 * moment.dt / self._grows_s)
        self.drag_n = self.full_n * self._share * (1 + self._by_speed * moment.speed)
