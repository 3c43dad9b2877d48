"""The vehicle: mass, resistance to motion, slope, brake; and the implement that it drives besides its wheels."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

G = 9.80665
"""Standard gravity, m/s2 (ISO 80000-3)."""


def motion_resistance(mass_kg: float, coefficient: float) -> float:
    """Return the resistance to rolling, N, by the coefficient of ASABE D497 (share of the weight)."""
    return mass_kg * G * coefficient


def grade_force(mass_kg: float, grade: float) -> float:
    """Return the force down a slope, N; ``grade`` is rise over run, positive uphill."""
    return mass_kg * G * math.sin(math.atan(grade))


@dataclass(frozen=True, slots=True)
class VehicleParameters:
    """What the vehicle is.

    Attributes:
        mass_kg: with driver; turning parts add ``turning_mass_share`` of it to what must be sped up.
        resistance: coefficient of motion resistance, share of the weight.
        wheel_radius_m, gear_ratio, gear_efficiency: from motor to ground.
        drag_m2: drag coefficient times front area.
        brake_n: force of the wheel brake at most.

    """

    mass_kg: float
    resistance: float
    wheel_radius_m: float
    gear_ratio: float
    gear_efficiency: float = 0.92
    drag_m2: float = 1.0
    brake_n: float = 1500.0
    turning_mass_share: float = 0.06


class Vehicle:
    """Moves forward only.

    Attributes:
        speed: m/s.
        position: m along the way.

    """

    def __init__(self, parameters: VehicleParameters) -> None:
        self.parameters = parameters
        self.speed = 0.0
        self.position = 0.0

    @property
    def motor_speed(self) -> float:
        """Motor speed, rad/s."""
        return self.speed / self.parameters.wheel_radius_m * self.parameters.gear_ratio

    def step(
        self, dt: float, torque: float, grade: float, brake: float, softness: float = 1.0, drag_n: float = 0.0
    ) -> None:
        """Move for ``dt`` seconds by the motor's ``torque`` (Nm) on ``grade``, with ``brake`` from 0 to 1.

        Args:
            dt, torque, grade, brake: as above.
            softness: resistance of the ground, times the ordinary (tall grass, soft soil).
            drag_n: what holds back besides all that should, N.

        """
        what = self.parameters
        gear = what.gear_efficiency if torque > 0 else 1 / what.gear_efficiency
        drive = torque * what.gear_ratio * gear / what.wheel_radius_m
        pull = drive - grade_force(what.mass_kg, grade) - 0.6 * what.drag_m2 * self.speed * self.speed
        ordinary = motion_resistance(what.mass_kg, what.resistance) * softness
        holding = ordinary + brake * what.brake_n + drag_n
        inertia = what.mass_kg * (1 + what.turning_mass_share)
        if self.speed == 0.0 and pull <= holding:
            return
        before = self.speed
        self.speed = max(0.0, before + (pull - holding) / inertia * dt)
        self.position += (before + self.speed) / 2 * dt


@dataclass(frozen=True, slots=True)
class ImplementParameters:
    """A cutting deck or the like.

    Attributes:
        power_w: when working in ordinary growth.
        start_factor, start_s: the peak when it starts, times ``power_w``, and how long it lasts.
        unevenness, evens_out_s: of the growth: one standard deviation as a share, and its time constant.
        least_v: below this voltage at the controller it stops.

    """

    power_w: float
    start_factor: float = 4.0
    start_s: float = 0.3
    unevenness: float = 0.10
    evens_out_s: float = 1.2
    least_v: float = 40.0


class Implement:
    """The load at the controller's terminals; starts anew, with its peak, after every loss of supply."""

    def __init__(self, parameters: ImplementParameters, noise: random.Random) -> None:
        self._parameters = parameters
        self._noise = noise
        self._running_s = 0.0
        self._growth = 0.0

    def power(self, dt: float, engaged: bool, growth: float, voltage: float) -> float:
        """Return the power drawn, W, in growth of that much times the ordinary."""
        what = self._parameters
        if not engaged or voltage < what.least_v:
            self._running_s = 0.0
            return 0.0
        self._running_s += dt
        share = min(1.0, dt / what.evens_out_s)
        self._growth += -self._growth * share + what.unevenness * math.sqrt(2 * share) * self._noise.gauss(0.0, 1.0)
        working = what.power_w * growth * max(0.3, 1 + self._growth)
        # A motor from standstill: the peak lasts, then falls to the working load within another third of a second.
        after = self._running_s - what.start_s
        peak = what.power_w * what.start_factor
        return peak if after <= 0 else working + (peak - working) * math.exp(-after / 0.1)
