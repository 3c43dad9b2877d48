"""A controller that does not do what the pedal says, though it is fed; or the line that enables it."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import ClassVar

from ..scenarios import Scenario
from .fault import Fault, Moment


class ControllerFault(Fault):
    """The output stage, or what enables it, lets go for 0.2 to 1.5 s; or gives less and less as it heats.

    It lets go only under load: what makes it happen is the current, the heat, or the shaking.
    """

    cause = "controller"
    variants: ClassVar = dict.fromkeys(
        ("cuts at random", "cuts when hot", "cuts when shaken", "folds back", "enable line drops"), 1
    )

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        self._per_s = chance.uniform(1 / 25, 1 / 9)
        self._left = 0.0 if chance.random() < 0.6 else chance.uniform(0.0, 0.35)
        self._off_s = 0.0
        begins_k = chance.uniform(10.0, 25.0)
        self._hot_c = scenario.air_c + begins_k + chance.uniform(-6.0, -0.5)
        self._fold_after_s = chance.uniform(15.0, 60.0)
        self._fold_over_s = chance.uniform(60.0, 1200.0)
        self._fold_to = chance.uniform(0.2, 0.5)
        if self.variant == "cuts when hot":
            controller = replace(scenario.controller, starts_above_air_c=begins_k)
            self.scenario = replace(scenario, controller=controller)
        elif self.variant == "enable line drops" and scenario.enable_v == 0.0:
            # Half of those who look for this fault have a wire on the line.
            seen = chance.random() < 0.5
            self.scenario = replace(scenario, enable_v=chance.choice((5.0, 12.0, 12.6, 48.0)) if seen else 0.0)

    def step(self, moment: Moment) -> None:
        """Let go, or come back."""
        if self.variant == "folds back":
            # Counts the time under load: without a load it does not heat.
            self._fold_after_s -= moment.dt if abs(moment.current) > 3 else 0.0
            grown = min(1.0, max(0.0, -self._fold_after_s / self._fold_over_s))
            self.torque_share = 1 - (1 - self._fold_to) * grown
            return
        if self._off_s > 0:
            self._off_s -= moment.dt
        elif (
            moment.pedal > 0.08 and moment.current > 2.0 and self._chance.random() < self._hazard(moment) * moment.dt
        ):
            self._off_s = self._chance.uniform(0.2, 1.5)
        off = self._off_s > 0
        self.enabled = not (off and self.variant == "enable line drops")
        self.torque_share = (self._left if self.enabled else 0.0) if off else 1.0
        self.log.hold(moment.t, f"controller {self.variant}", off)

    def _hazard(self, moment: Moment) -> float:
        if self.variant == "cuts when hot":
            return 2.5 * self._per_s if moment.controller_c > self._hot_c else 0.3 * self._per_s
        if self.variant == "cuts at random":
            return self._per_s
        return 1.2 * self._per_s * moment.shaking * moment.shaking
