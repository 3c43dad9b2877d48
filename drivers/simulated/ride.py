"""The ground under the wheels as one feels it: roughness and bumps. It shakes the foot, and whatever sits loose."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

SHAKES_FOR_S = 0.6
"""A foot is still again after about so long; four swings a second (ours, from what a leg on a pedal does)."""
SWINGS_PER_S = 4.0
STRONGEST_AT_M_S = 2.5


@dataclass(frozen=True, slots=True)
class RideParameters:
    """How rough it is.

    Attributes:
        roughness: shaking at the reference speed, 1 for an ordinary field track.
        bumps_per_m: bumps met, by chance, a metre of way.
        foot_share: share of the pedal's way by which the strongest bump moves a foot.

    """

    roughness: float = 1.0
    bumps_per_m: float = 0.04
    foot_share: float = 0.05


class Ride:
    """What is felt now.

    Attributes:
        shaking: 0 standing still; about 1 on an ordinary track at speed; a bump adds up to 3 for a moment.
        bump: strength of a bump that began with this step, else 0.
        foot_shift: what the shaking adds to the pedal's way.

    """

    def __init__(self, parameters: RideParameters, noise: random.Random) -> None:
        self._parameters = parameters
        self._noise = noise
        self._hum = 0.0
        self._shock = 0.0
        self._since_s = math.inf
        self._strength = 0.0
        self.shaking = self.bump = self.foot_shift = 0.0

    def step(self, dt: float, speed: float) -> None:
        """Roll on for ``dt`` seconds at ``speed``, m/s."""
        what, noise = self._parameters, self._noise
        pace = min(1.0, speed / STRONGEST_AT_M_S)
        share = min(1.0, dt / 0.08)
        self._hum += -self._hum * share + math.sqrt(2 * share) * noise.gauss(0.0, 1.0)
        self._shock *= math.exp(-dt / 0.12)
        self.bump = 0.0
        if noise.random() < what.bumps_per_m * speed * dt:
            self.bump = noise.uniform(0.3, 1.0) * pace
            self._strength = self.bump * noise.choice((-1.0, 1.0))
            self._shock += 3.0 * self.bump
            self._since_s = 0.0
        self.shaking = what.roughness * pace * (0.5 + 0.5 * abs(self._hum)) + self._shock
        self._since_s += dt
        swing = 0.0
        if self._since_s < SHAKES_FOR_S * 3:
            swing = math.sin(2 * math.pi * SWINGS_PER_S * self._since_s) * math.exp(-self._since_s * 3 / SHAKES_FOR_S)
        self.foot_shift = what.foot_share * self._strength * swing
