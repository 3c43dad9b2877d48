"""A third machine, for judging the isolator only: other physics than both others, and no code shared with them.

A chopper feeds a direct-current motor: the throttle sets its duty, by a ramp, so the current follows from duty,
speed and resistance. The driver plans: each movement of the foot is one of least jerk (T. Flash and N. Hogan, J.
Neuroscience 5, 1985, from memory). The ground is a sum of waves. Figures are ours, in the range of such machines
(common practice).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

STEP_S, ROW_STEPS = 0.02, 2.5
GRAVITY = 9.81
KINDS = {
    "healthy": ("",),
    "pedal-sensor": ("dead spot", "noisy spot"),
    "controller": ("cuts", "half output", "hot"),
    "power-connection": ("flickers", "opens"),
    "pack-weak": ("worn out", "near empty"),
    "bms-trip": ("peak", "thermal"),
    "mechanical-drag": ("brake",),
}


def third_drive(cause: str, seed: int, seconds: float) -> tuple[str, Mapping[str, np.ndarray], list[float]]:
    """Drive; return the kind of fault, the columns at 20 Hz, and when the fault acted, s. A fault that does not show
    is drawn anew."""
    for attempt in range(12):
        machine = _Machine(cause, np.random.default_rng([seed, attempt, len(cause), 3]))
        columns, events = machine.drive(seconds)
        steady = machine.kind in ("", "brake", "flickers", "hot")
        if columns["vehicle_speed"].mean() > 2.0 and (steady or len(events) > 1):
            break
    return machine.kind, columns, events


class _Foot:
    """Plans a throttle position, goes there with least jerk, and holds it."""

    def __init__(self, random: np.random.Generator) -> None:
        self.random, self.start, self.goal, self.begun, self.lasts, self.holds = random, 0.0, 0.0, 0.0, 1.0, 2.0

    def at(self, t: float, speed: float, fast: float) -> float:
        r = self.random
        if t > self.begun + self.lasts + self.holds:
            kind = r.random()
            if kind < 0.18:
                self.start, self.goal, self.holds = self.goal, 0.0, r.uniform(0.3, 5.0)
            elif kind < 0.3:
                self.start, self.goal, self.holds = self.goal, 1.0, r.uniform(1.0, 4.0)
            else:
                slower = 0.15 if speed > 0.8 * fast else 0.0
                self.start, self.goal, self.holds = self.goal, r.uniform(0.25, 0.9) - slower, r.uniform(1.0, 9.0)
            self.begun, self.lasts = t, r.uniform(0.25, 1.2)
        x = min((t - self.begun) / self.lasts, 1.0)
        return self.start + (self.goal - self.start) * (10 * x**3 - 15 * x**4 + 6 * x**5)


class _Machine:
    def __init__(self, cause: str, random: np.random.Generator) -> None:
        r, u = random, random.uniform
        self.random, self.cause, self.kind = r, cause, str(r.choice(KINDS[cause]))
        self.cells = int(r.choice([8, 12, 15, 16, 20, 24]))
        self.volts = 3.3 * self.cells
        self.mass, self.ground, self.fast = u(170, 800), u(0.025, 0.07), u(2.5, 5.0)
        self.flux = self.volts / self.fast / u(1.05, 1.25)  # V per m/s at the wheels
        self.force = u(1.4, 2.4) * self.mass  # N, stalled
        self.most_a = self.force / self.flux  # motor current
        self.motor_ohm = u(0.08, 0.16) * self.volts / self.most_a
        self.ramp, self.standby = u(1.5, 4.0), u(0.3, 1.2)
        self.pack_a = 0.75 * self.most_a
        self.ohm = u(0.012, 0.035) * self.volts / self.pack_a
        self.joint, self.capacity = 0.25 * self.ohm, u(0.5, 1.5) * self.pack_a
        self.soc, self.least_v = u(0.4, 0.9), u(2.45, 2.75) * self.cells
        self.trip_a, self.trip_s, self.wait = math.inf, 1.0, u(3, 15)
        self.until, self.opened, self.kept, self.flicker = -1.0, -1.0, 0.0, 1.0
        self.events: list[float] = []
        self.waves = [(u(0.004, 0.02), u(8, 70), u(0, 6.3)) for _ in range(6)]
        self.drag, self.spot, self.hazard = 0.0, (u(0.15, 0.6), u(0.02, 0.05)), 1 / u(8, 25)
        if cause == "mechanical-drag":
            self.drag = u(0.04, 0.1)
        if cause == "pack-weak":
            reach = u(0.5, 0.8) * self.pack_a
            if self.kind == "near empty":
                self.soc = u(0.02, 0.06)
            self.ohm = max((self._rest(self.soc) - self.least_v) / reach, self.ohm)
        if cause == "bms-trip":
            self.trip_a = u(0.4, 0.75) * self.pack_a
            self.trip_s = u(0.02, 0.3) if self.kind == "peak" else u(0.5, 2.0)

    def _rest(self, soc: float) -> float:
        """A cell at rest over its charge: a knee at each end and a gentle slope between."""
        knee = 0.55 * math.exp(-max(soc, 0.0) / 0.04)
        return self.cells * (3.22 + 0.1 * soc - knee + 0.1 * math.exp((soc - 1) / 0.02))

    def _act(self, t: float, travel: float, speed: float, chance: np.ndarray, normal: float) -> tuple[float, float]:
        """The fault acts; return what the throttle reads, and which share of it the controller takes."""
        u, share = self.random.uniform, 1.0
        if self.cause == "pedal-sensor":
            if t > self.until and abs(travel - self.spot[0]) < self.spot[1] and chance[0] < 0.06:
                self.until, self.kept = t + u(0.08, 0.5), u(-0.2, 0.05)
                self.events.append(t)
            if t < self.until:
                return (self.kept if self.kind == "dead spot" else travel + 0.3 * normal), share
        elif self.kind == "hot":
            share = 1 - 0.6 * min(max((t - 40) / 60, 0), 1)
        elif self.cause == "controller":
            if t > self.until and travel > 0.1 and chance[0] < self.hazard * STEP_S:
                self.until = t + u(0.25, 1.5)
                self.events.append(t)
            if t < self.until:
                share = 0.0 if self.kind == "cuts" else 0.4
        elif self.cause == "power-connection":
            if chance[1] < STEP_S / 0.15:
                self.flicker = u(1.0, 9.0)
            if self.kind == "opens" and t > self.opened and speed > 0.5 and chance[0] < self.hazard * STEP_S:
                self.opened = t + u(0.06, 0.5)
                self.events.append(t)
        return travel, share

    def drive(self, seconds: float) -> tuple[Mapping[str, np.ndarray], list[float]]:
        r, foot, events = self.random, _Foot(self.random), self.events
        steps = int(seconds / STEP_S)
        chance, normal = r.random((steps, 2)), r.normal(size=(steps, 2))
        rows = np.zeros((steps, 7))
        speed = duty = amps = slow_v = over = place = 0.0
        off = closed = -1.0
        supply = self._rest(self.soc)
        for k in range(steps):
            t = k * STEP_S
            travel = foot.at(t, speed, self.fast)
            read, share = self._act(t, travel, speed, chance[k], normal[k, 0])
            gone = t < self.opened or t < closed
            duty += min(max(read * share - duty, -3 * self.ramp * STEP_S), self.ramp * STEP_S)
            duty = 0.0 if gone or t < off or share == 0 else min(max(duty, 0.0), 1.0)
            motor = (duty * supply - self.flux * speed) / self.motor_ohm
            motor = min(max(motor, 0.0), self.most_a) if duty > 0.02 else 0.0
            amps = 0.0 if gone else self.standby + 1.05 * duty * motor
            slow_v += (0.4 * self.ohm * amps - slow_v) * STEP_S / 15
            self.soc -= amps * STEP_S / 3600 / self.capacity
            pack = self._rest(self.soc) - self.ohm * amps - slow_v
            supply = supply * (1 - STEP_S / 0.6) if gone else pack - self.joint * self.flicker * amps
            if not gone and t > off + 0.2 and supply < self.least_v:
                off = t + 1.5
                events.append(t)
            over = over + STEP_S if amps > self.trip_a else 0.0
            if over > self.trip_s:
                closed, over = t + self.wait, 0.0
                events.append(t)
            place += speed * STEP_S
            slope = sum(a * math.sin(place * 6.28 / length + phase) for a, length, phase in self.waves)
            back = self.mass * GRAVITY * (self.ground + self.drag)
            push = self.flux * motor - self.mass * GRAVITY * slope - (300 * speed if travel < 0.01 else 0.0)
            speed = max(speed + (push - (back if speed > 0 else min(back, max(push, 0)))) / self.mass * STEP_S, 0.0)
            rows[k] = read, supply, amps, t >= closed, speed * 3.6, pack, (pack + 0.02 * normal[k, 1]) / self.cells
        return self._measured(rows[np.arange(0, steps, ROW_STEPS).astype(int)]), events

    def _measured(self, rows: np.ndarray) -> Mapping[str, np.ndarray]:
        r, n = self.random, len(rows)
        gain, offset = r.normal(1.0, 0.008), r.normal(0.0, 0.3)
        flag = np.repeat(rows[::4, 3], 4)[:n]
        return {
            "throttle_voltage": np.round(0.9 + 3.2 * rows[:, 0] + r.normal(0, 0.006, n), 3),
            "controller_voltage": np.round(rows[:, 1] * 1.002 + r.normal(0, 0.02, n), 2),
            "pack_current": np.round(gain * rows[:, 2] + offset + r.normal(0, 0.25, n), 1),
            "discharge_allowed": flag,
            "vehicle_speed": np.round(np.repeat(rows[::2, 4], 2)[:n] + r.normal(0, 0.06, n), 1),
            "pack_voltage": np.round(rows[:, 5] + r.normal(0, 0.015, n), 2),
            "cell_min_voltage": np.round(rows[:, 6] - 0.004, 3),
            "cell_max_voltage": np.round(rows[:, 6] + 0.004, 3),
        }
