"""The foot of the second simulator's driver."""

from __future__ import annotations

import numpy as np

STEP_S = 0.01


class Foot:
    """Somebody who drives towards a speed, stops, lifts for a moment, or presses hard."""

    def __init__(self, r: np.random.Generator, top: float) -> None:
        self.r, self.top = r, top
        self.aim, self.until, self.held, self.travel, self.rate = 0.0, r.uniform(2, 6), 0.0, 0.0, 0.0
        self.braking, self.habit_until, self.habit = 0.0, -1.0, 0.0
        self.lifts, self.presses = r.uniform(0.02, 0.1), r.uniform(0.01, 0.06)
        self.gain = r.uniform(0.25, 0.6)
        self.quick = r.uniform(14, 30)

    def step(self, t: float, speed: float, shaken: float) -> float:
        """Move on, and return the pedal's travel, 0 to 1, with what the shaking adds."""
        r = self.r
        if t > self.until:
            moving = r.random() > 0.15
            self.aim = r.uniform(0.3, 0.95) * self.top if moving else 0.0
            self.until = t + (r.uniform(7, 35) if moving else r.uniform(3, 12))
        error = self.aim - speed
        if t > self.habit_until and self.aim > 0 and r.random() < (self.lifts + self.presses) * STEP_S:
            lifts = r.random() < self.lifts / (self.lifts + self.presses)
            self.habit = 0.0 if lifts else min(self.travel + r.uniform(0.3, 1.0), 1.0)
            self.habit_until = t + (r.uniform(0.12, 0.8) if lifts else r.uniform(0.3, 1.5))
        if t < self.habit_until:
            wanted = self.habit
        elif self.aim == 0:
            wanted, self.held = 0.0, 0.0
        else:
            if 0.02 < self.travel < 0.98 or error * self.held < 0:
                self.held = min(max(self.held + 0.12 * error * STEP_S, 0.0), 1.0)
            wanted = min(max(self.gain * error + self.held, 0.0), 1.0)
        self.braking = 1.0 if (self.aim == 0 and speed < 1.5) or error < -1.2 else 0.0
        quick = self.quick if t < self.habit_until + 0.3 else 0.5 * self.quick
        # a limb: critically damped towards where it is wanted, and no faster than about five travels a second
        acc = quick**2 / 4 * (wanted - self.travel) - quick * self.rate
        self.rate = min(max(self.rate + acc * STEP_S, -5.5), 5.5)
        self.travel = min(max(self.travel + self.rate * STEP_S, 0.0), 1.0)
        return min(max(self.travel + (shaken if self.travel > 0.03 else 0.0), 0.0), 1.0)
