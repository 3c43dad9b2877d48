"""The machine on stands, its wheels free, and the hands that try a part of it there.

Two tests: ``throttle``, the pedal pressed slowly twice with the controller off; and ``enabled``, the controller on
and the pedal held a little pressed. In the second half of either, plug, wire and switch are moved by hand, for what
sits loose shows only then.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np

from .course import Leg
from .expected import rest_voltage
from .foot import Habits
from .scenarios import Scenario
from .vehicle import G

BENCH_TESTS = ("throttle", "enabled")
TURNS_AT = 0.35
"""Speed of the free wheels at the held pedal, share of the motor's highest (ours: the legs of a test stay calm)."""
HELD_SHARE = 0.10
"""Share of the motor's current that gears and tyres take then (ours)."""
ENABLE_V = 12.0
MOVED = 2.5
"""How strongly a plug is moved by hand, in terms of an ordinary field track's shaking (ours)."""
KNOCKS_PER_S = 0.5
ENABLED_AFTER_S = 2.0

_Way = tuple[tuple[float, float], ...]


def on_stands(what: Scenario) -> Scenario:
    """Return the scenario with its wheels free: only what turns has mass, and gears and tyres hold back a little.

    The implement is off, and there is a wire on the enable line.
    """
    vehicle = what.vehicle
    mass = vehicle.mass_kg * vehicle.turning_mass_share
    speed = TURNS_AT * _highest(what) / vehicle.gear_ratio * vehicle.wheel_radius_m
    torque = HELD_SHARE * what.controller.motor_current_a * what.controller.torque_nm_per_a
    force = torque * vehicle.gear_ratio * vehicle.gear_efficiency / vehicle.wheel_radius_m
    drag = (force - mass * G * vehicle.resistance) / (0.6 * speed * speed)
    free = replace(vehicle, mass_kg=mass, turning_mass_share=0.0, drag_m2=max(0.0, drag))
    return replace(
        what,
        vehicle=free,
        implement=None,
        legs=(Leg(math.inf, 0.0, 0.0),),
        ride=None,
        habits=None,
        charges_at_once=False,
        enable_v=what.enable_v or ENABLE_V,
    )


def held_pedal(what: Scenario) -> float:
    """Return the way of the pedal, 0 to 1, at which the free wheels turn at ``TURNS_AT``."""
    controller = what.controller
    share = HELD_SHARE
    if controller.follows == "voltage":
        volts = rest_voltage(what, what.soc)
        share = TURNS_AT + HELD_SHARE * controller.motor_current_a * controller.motor_ohm / volts
    volts = controller.pedal_low_v + share * (controller.pedal_high_v - controller.pedal_low_v)
    return (volts - what.pedal.offset_v) / what.pedal.range_v


def _highest(what: Scenario) -> float:
    """Return the motor's speed without load, rad/s."""
    return rest_voltage(what, what.soc) / what.controller.torque_nm_per_a


class Hand:
    """Presses the pedal as a test wants it; stands for the foot.

    Args:
        test: one of ``BENCH_TESTS``.
        what: the machine.
        noise: draws how long each movement takes and how it trembles.

    Attributes:
        pedal, brake: 0 to 1; the brake is never touched.
        enabled: the controller is switched on.
        moves_from, moves_until: when plugs and wires are moved, s.
    """

    def __init__(self, test: str, what: Scenario, noise: random.Random) -> None:
        self.pedal = self.brake = 0.0
        self.enabled = False
        self._t = 0.0
        self._throttle = test == "throttle"
        way, self.moves_from = _presses(noise) if self._throttle else _hold(held_pedal(what))
        self._times, self._ways = zip(*way, strict=True)
        self.moves_until = self._times[-1]
        self._swings_per_s, self._wobble = noise.uniform(0.4, 1.2), noise.uniform(0.0, 0.015)

    def step(self, dt: float, aim: float, speed: float, habits: Habits | None = None) -> None:  # noqa: ARG002
        """Move on by ``dt`` seconds; the rest is what a foot would look at."""
        self._t += dt
        self.enabled = not self._throttle and self._t > ENABLED_AFTER_S
        pedal = float(np.interp(self._t, self._times, self._ways))
        if self._throttle and 0.03 < pedal < 0.97:  # a hand does not move quite evenly
            pedal += self._wobble * math.sin(2 * math.pi * self._swings_per_s * self._t)
        self.pedal = min(1.0, max(0.0, pedal))


class MovedPlugs:
    """What plugs, wires and switches feel when a hand moves them; stands for the :class:`~.ride.Ride`."""

    foot_shift = 0.0

    def __init__(self, moves_from: float, moves_until: float, noise: random.Random) -> None:
        self.shaking = self.bump = 0.0
        self._from, self._until, self._noise = moves_from, moves_until, noise
        self._t = self._hum = 0.0

    def step(self, dt: float, speed: float) -> None:  # noqa: ARG002 - the machine stands
        """Move on by ``dt`` seconds."""
        self._t += dt
        self.shaking = self.bump = 0.0
        if not self._from < self._t < self._until:
            return
        noise, share = self._noise, min(1.0, dt / 0.08)
        self._hum += -self._hum * share + math.sqrt(2 * share) * noise.gauss(0.0, 1.0)
        self.shaking = MOVED * (0.5 + 0.5 * abs(self._hum))
        if noise.random() < KNOCKS_PER_S * dt:
            self.bump = noise.uniform(0.3, 1.0)


def _presses(noise: random.Random) -> tuple[_Way, float]:
    """Two slow presses as times and ways; and from when on plug and wire are moved."""
    at, way, begins = 2.0, [(0.0, 0.0)], 0.0
    for _ in range(2):
        begins = at
        for to, lasts in ((1.0, noise.uniform(3.5, 5.5)), (1.0, 1.0), (0.0, noise.uniform(3.5, 5.5))):
            way.append((at, way[-1][1]))
            at += lasts
            way.append((at, to))
        at += noise.uniform(1.0, 2.0)
    return tuple(way), begins


def _hold(pedal: float) -> tuple[_Way, float]:
    """The pedal held for most of a minute; switch and plug are moved from half a minute on."""
    return ((0.0, 0.0), (4.0, 0.0), (5.5, pedal), (50.0, pedal), (51.0, 0.0)), 22.0
