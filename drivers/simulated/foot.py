"""The foot that drives: keeps to the speed aimed at, and has habits."""

from __future__ import annotations

import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FootParameters:
    """How someone drives: gains of the pedal, how fast the foot moves (1/s), how fast speed is changed (m/s2).

    A foot in a hurry moves by ``quick_per_s``; one that rests does not follow by less than ``rests_within``.
    """

    gain: float = 0.9
    slow_gain: float = 0.8
    moves_per_s: float = 2.0
    acceleration: float = 0.9
    quick_per_s: float = 6.0
    rests_within: float = 0.0


class Foot:
    """Keeps to the speed aimed at, by pedal and brake.

    Attributes:
        pedal, brake: 0 to 1; never both.
        enabled: the controller is switched on, as it is on a drive.

    """

    enabled = True

    def __init__(self, parameters: FootParameters) -> None:
        self._parameters = parameters
        self._aim = 0.0
        self._held = 0.0
        self._resting = False
        self.pedal = 0.0
        self.brake = 0.0

    def step(self, dt: float, aim: float, speed: float, habits: Habits | None = None) -> None:
        """Move the foot for ``dt`` seconds towards what the speed asks for, or a habit; speeds in m/s."""
        how = self._parameters
        most = how.acceleration * dt
        self._aim += min(most, max(-most, aim - self._aim))
        if aim == 0.0 and speed < 0.05:
            self._aim = self._held = self.pedal = 0.0
            self.brake = 1.0
            return
        off = self._aim - speed
        wanted = how.gain * off + self._held
        if -1.0 < wanted < 1.0:
            self._held += how.slow_gain * off * dt
        way = how.moves_per_s * dt
        if habits is not None:
            habits.step(dt, self.pedal, speed < 0.5 * self._aim)
            wanted = min(wanted, habits.most) if habits.urge is None else habits.urge
            if habits.hurried:
                way = how.quick_per_s * dt
        now = self.pedal - self.brake
        if self._resting and abs(wanted - now) < how.rests_within:
            return
        self._resting = abs(wanted - now) < how.rests_within / 4
        now += min(way, max(-way, min(1.0, max(-1.0, wanted)) - now))
        self.pedal, self.brake = max(0.0, now), max(0.0, -now)


@dataclass(frozen=True, slots=True)
class HabitParameters:
    """How often a foot is lifted, or pressed down, in a hurry (1/s), and for how long (s, least and most)."""

    lifts_per_s: float = 1 / 25
    presses_per_s: float = 1 / 40
    lift_s: tuple[float, float] = (0.1, 0.9)
    press_s: tuple[float, float] = (0.2, 1.0)


class Habits:
    """What a foot does besides keeping the speed: for a turn, at a hole, or for no reason.

    Where pressing does not help, it gives up, lets go for a moment, and then presses with care for a while.

    Attributes:
        urge: where the pedal is wanted now; None for where the speed asks.
        hurried: the foot moves as fast as it can.

    """

    BACK_S = 0.4
    CAREFUL_FOR_S = 40.0
    CAREFUL_WAY = 0.55

    def __init__(self, parameters: HabitParameters, noise: random.Random) -> None:
        self._parameters = parameters
        self._noise = noise
        self._lasts_s = 0.0
        self._back_s = 0.0
        self._in_vain_s = 0.0
        self._careful_s = 0.0
        self._way = 1.0
        self._patience_s = 2.5
        self.urge: float | None = None

    @property
    def hurried(self) -> bool:
        """Whether the foot moves as fast as it can: into the urge, and back out of it."""
        return self.urge is not None or self._back_s > 0

    @property
    def most(self) -> float:
        """As far as the foot presses now."""
        return self._way if self._careful_s > 0 else 1.0

    def step(self, dt: float, pedal: float, slow: bool) -> None:
        """Go on for ``dt`` seconds; an urge comes only to a foot on the pedal. ``slow``: for what it wants."""
        what, noise = self._parameters, self._noise
        self._careful_s = max(0.0, self._careful_s - dt)
        if self.urge is not None:
            self._lasts_s -= dt
            if self._lasts_s <= 0:
                self.urge, self._back_s = None, self.BACK_S
            return
        self._back_s = max(0.0, self._back_s - dt)
        self._in_vain_s = self._in_vain_s + dt if slow and pedal > 0.95 * self.most else 0.0
        if self._in_vain_s > self._patience_s:
            self.urge, self._lasts_s = 0.0, noise.uniform(1.0, 4.0)
            # With care at first, and where that is in vain too, with all it has.
            self._way = self.CAREFUL_WAY if self.most == 1.0 else 1.0
            self._careful_s = self._lasts_s + self.CAREFUL_FOR_S
            self._in_vain_s, self._patience_s = 0.0, noise.uniform(1.5, 4.0)
            return
        drawn = noise.random() / dt
        if pedal < 0.05 or drawn > what.lifts_per_s + what.presses_per_s:
            return
        lifts = drawn < what.lifts_per_s
        self.urge = 0.0 if lifts else min(1.0, pedal + noise.uniform(0.2, 0.8))
        self._lasts_s = noise.uniform(*(what.lift_s if lifts else what.press_s))
