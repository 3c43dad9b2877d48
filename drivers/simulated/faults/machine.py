"""What goes wrong in the machine around the pack: pedal, controller and its enable line, a poor joint, drag."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import ClassVar

from ..expected import level_pedal
from ..scenarios import Scenario
from ..vehicle import G, motion_resistance
from .fault import Fault, Moment

LEAST_S = 0.05
"""A wiper that has lost its track bounces for so long at least (ours)."""


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
