"""A second machine, simulated another way, on which the isolator is checked: it shares no code with ``drivers``.

All of it is drawn by the seed: machine, ground, foot, instruments, the fault and its kind. The figures are ours,
in the range of such machines (common practice): 200 to 700 kg, 36 to 60 V, a motion resistance of tyres on turf of 3
to 8 % of the weight (ASABE D497 gives such a range for firm to soft ground).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.analysis.series import Series, SessionSeries
from tests.reference.other_faults import FAULTS, REST_SOC, REST_V, STEP_S, Fault, Now
from tests.reference.other_foot import Foot

ROW_STEPS = 5
GRAVITY = 9.81
MOST_ATTEMPTS = 12
SIGNALS = ("throttle_voltage", "controller_voltage", "pack_current", "discharge_allowed", "vehicle_speed")


@dataclass
class OtherDrive:
    """A drive with its truth.

    Attributes:
        table: (n, signals) at 20 Hz.
        pack_voltage: (n,) at 20 Hz, measured at the pack, V.
        events: as (t, duration, what) in seconds.
        drag, ground: force against the motion over weight, by the fault and by level ground.
    """

    cause: str
    kind: str
    table: np.ndarray
    events: list[tuple[float, float, str]]
    drag: float
    ground: float
    pack_voltage: np.ndarray

    def series(self) -> SessionSeries:
        """Return it as it would be read from a recording."""
        t = np.arange(len(self.table)) * round(STEP_S * ROW_STEPS * 1e6)
        held = {name: Series(t, np.ascontiguousarray(self.table[:, k])) for k, name in enumerate(SIGNALS)}
        return SessionSeries("drive", 0, int(t[-1]), 0, "relative", held, None)


@lru_cache(64)
def other_drive(cause: str, seed: int, seconds: float = 180.0) -> OtherDrive:
    """Drive; a fault that did not show is drawn anew, as is a drive that hardly moved.

    The drive is kept and given again: nobody may change it.
    """
    for attempt in range(MOST_ATTEMPTS):
        drive = Machine(cause, np.random.default_rng([seed, attempt, sum(map(ord, cause))]), seconds).drive()
        steady = cause in ("healthy", "mechanical-drag") or drive.kind in ("resists", "folds back")
        if drive.table[:, 4].mean() > 1.8 and (steady or drive.events):
            break
    return drive


class Machine:
    """The machine, its ground and its instruments; the fault changes what it has to."""

    def __init__(self, cause: str, random: np.random.Generator, seconds: float) -> None:
        r = self.random = random
        u = r.uniform
        self.cause, self.seconds = cause, seconds
        self.cells = int(r.choice([12, 13, 15, 16, 16, 16, 18]))
        self.usual_v = 3.27 * self.cells
        self.mass, self.ground = u(200, 700), u(0.03, 0.075)
        self.pull = u(1.3, 2.8) * self.mass  # N at full pedal
        self.top = u(2.8, 4.8)
        self.power_w = self.pull * self.top * u(0.45, 0.9)
        self.curve, self.lag = u(0.9, 1.5), u(0.06, 0.22)
        self.slack = u(0.0, 0.3)  # how much the torque falls with speed, as with a voltage behind the pedal
        self.brake = u(0.0, 0.18) * self.pull if r.random() < 0.7 else 0.0
        self.efficiency, self.heat = u(0.72, 0.9), u(0.1, 0.35) * self.power_w / self.pull**2
        self.standby = u(8, 50)
        self.deck = u(300, 1300) if r.random() < 0.55 else 0.0
        self.deck_on = u(0, 12)
        self.amps_most = self.power_w / self.usual_v * 1.25
        self.ohm = u(0.006, 0.024) * self.usual_v / self.amps_most * u(0.7, 1.6)
        self.slow_ohm, self.slow_s = self.ohm * u(0.3, 0.9), u(8, 50)
        self.capacity = max(u(0.4, 1.6) * self.amps_most, 20.0)
        self.soc = u(0.35, 0.95)
        self.cut_v = u(2.5, 2.8) * self.cells
        self.switch_cell_v = 2.3
        self.weak_less, self.weak_ohm = 0.0, 1.0  # charge that one cell has less, share; its resistance, times
        self.trip_a, self.trip_s, self.wait_s, self.release = math.inf, 0.3, 10.0, False
        self.trip_back_a, self.two_switches = math.inf, False
        self.refused_until = self.high_until = -1.0
        self.farad = u(0.004, 0.02)
        self.hills, self.hill_m = u(0.01, 0.06), u(8, 40)
        self.rough = u(0.0, 1.0)
        self.rest_v, self.span_v = float(r.choice([0.5, 0.8, 0.85, 1.0])), float(r.choice([3.0, 3.4, 4.0]))
        self.fault = Fault(cause)
        self.step_fault: Callable[[Now], None] = lambda now: None
        self.slow_v = self.force = self.hill = self.deck_w = self.grass_left = self.shaken = 0.0
        self.grass = 1.0
        self.off_until, self.wait_until, self.over_s, self.back_s = -1.0, -1.0, 0.0, 0.0
        self.cut = self.tripped = False
        FAULTS[cause](self)
        self.volts = self.rest()
        self.lowest = 3.0

    def rest(self) -> float:
        """Return the voltage at rest, V."""
        usual, weak = np.interp((self.soc, self.soc - self.weak_less), REST_SOC, REST_V)
        return float(usual * (self.cells - 1) + weak)

    def drive(self) -> OtherDrive:
        """Drive, and return what was measured."""
        steps = int(self.seconds / STEP_S)
        now, foot = Now(), Foot(self.random, self.top)
        rows, pack = np.zeros((steps // ROW_STEPS, 5)), np.zeros(steps // ROW_STEPS)
        normal, chance = self.random.normal(size=(steps, 3)), self.random.random((steps, 3))
        for k in range(steps):
            now.t = k * STEP_S
            self._ground(now, normal[k], chance[k])
            travel = foot.step(now.t, now.speed, 0.02 * now.shake * self.shaken)
            now.rate, now.travel = (travel - now.travel) / STEP_S, travel
            self.step_fault(now)
            read = self.fault.pedal(travel) if self.fault.pedal else travel
            self._move(now, read, foot.braking)
            self._draw(now, normal[k, 2])
            self._protect(now)
            if k % ROW_STEPS == 0:
                rows[k // ROW_STEPS] = read, self.volts, now.amps, not self.tripped, now.speed * 3.6
                pack[k // ROW_STEPS] = self.rest() - 0.85 * self.ohm * now.amps - self.slow_v
        for what in list(self.fault.begun):
            self.fault.hold(self.seconds, False, what)
        fault = self.fault
        events, table = sorted(fault.events), self._measured(rows)
        pack = np.round(pack * self.random.uniform(0.995, 1.005) + self.random.normal(0, 0.015, len(pack)), 2)
        return OtherDrive(self.cause, fault.kind, table, events, fault.drag, self.ground, pack)

    def _ground(self, now: Now, normal: np.ndarray, chance: np.ndarray) -> None:
        gone = now.speed * STEP_S
        self.hill += -self.hill * gone / self.hill_m + self.hills * math.sqrt(2 * gone / self.hill_m) * normal[0]
        self.grass_left -= gone
        if self.grass_left < 0:
            self.grass_left = 5 + 35 * chance[0]
            self.grass = 1.0 if chance[1] > 0.25 else 1.2 + 0.6 * chance[2]
        self.shaken += -self.shaken * STEP_S / 0.15 + math.sqrt(2 * STEP_S / 0.15) * normal[1]
        now.shake = min(now.speed / 3, 1.0) * self.rough * abs(self.shaken)

    def _move(self, now: Now, read: float, braking: float) -> None:
        """The controller makes a force of the pedal's signal, and the machine moves."""
        f = self.fault
        powered = not f.opened and not self.tripped and not self.cut and self.volts > 0.35 * self.usual_v
        powered = powered and now.t > self.high_until
        wanted = min(max(read - 0.02, 0) / 0.95, 1) ** self.curve * self.pull * f.share
        wanted = min(wanted, f.most_share * self.pull) * (1 - self.slack * now.speed / self.top)
        wanted *= min(max(6 * (1.15 - now.speed / self.top), 0), 1)
        if now.speed > 0.3:
            wanted = min(wanted, f.most_share * self.power_w / now.speed)
        if read < 0.02 and now.speed > 0.2 and f.share == 1:
            wanted = -self.brake * min(now.speed / 1.0, 1)
        if not powered:
            wanted = 0.0
        self.force += (wanted - self.force) * STEP_S / (self.lag if powered else 0.02)
        resist = self.mass * GRAVITY * (self.ground * self.grass + f.drag)
        hold = resist + braking * self.mass * 2.5
        net = self.force - self.mass * GRAVITY * self.hill - 0.7 * now.speed**2
        held = now.speed == 0 and abs(net) < hold
        now.speed = max(now.speed + (0.0 if held else (net - hold) / (1.06 * self.mass)) * STEP_S, 0.0)

    def _draw(self, now: Now, normal: float) -> None:
        """Current and voltage."""
        mech = self.force * now.speed
        watts = (mech / self.efficiency if mech > 0 else mech * self.efficiency) + self.heat * self.force**2
        if self.deck and now.t > self.deck_on:
            growth = self.deck * (1 + 0.15 * (self.grass - 1))
            self.deck_w += (growth - self.deck_w) * STEP_S / 0.5 + 0.02 * self.deck * normal * 0.3
        watts += self.standby + self.deck_w
        if self.tripped or self.fault.opened:
            now.amps = 0.0
            self.volts -= self.volts * STEP_S / 0.9 if self.volts > 3 else 0.0
            return
        if now.t < self.refused_until and watts < 0:
            self._refuse(now, watts)
            return
        now.amps = (self.standby / self.usual_v) if self.cut else watts / max(self.volts, 0.5 * self.usual_v)
        self.slow_v += (now.amps * self.slow_ohm - self.slow_v) * STEP_S / self.slow_s
        self.soc -= now.amps * STEP_S / 3600 / self.capacity
        self.volts = self.rest() - now.amps * (self.ohm + self.fault.ohm) - self.slow_v
        sag = now.amps * self.ohm * 0.85 + self.slow_v  # the rest of the resistance is wire
        weak = float(np.interp(self.soc - self.weak_less, REST_SOC, REST_V))
        self.lowest = weak - self.weak_ohm * sag / self.cells

    def _refuse(self, now: Now, watts: float) -> None:
        """The pack takes nothing: what braking gives goes into the controller's capacitor until it stops."""
        now.amps = 0.0
        self.volts -= watts / self.volts / self.farad * STEP_S
        if self.volts > 1.2 * self.usual_v:
            self.high_until = now.t + 1.5
        self.fault.hold(now.t, True, "braking refused")

    def _protect(self, now: Now) -> None:
        """The controller's low limit, and the pack's own switch."""
        hold = self.fault.hold
        if self.tripped:
            if now.t > self.wait_until and (not self.release or now.travel < 0.03):
                self.tripped, self.volts = False, self.rest() - self.slow_v
                hold(now.t, False, "switch opened")
            return
        if self.fault.opened:
            return
        if self.cut and now.t > self.off_until and self.volts > 1.02 * self.cut_v and now.travel < 0.98:
            self.cut = False
            hold(now.t, False, "low-voltage stop")
        elif not self.cut and self.volts < self.cut_v:
            self.cut, self.off_until = True, now.t + 1.2
            hold(now.t, True, "low-voltage stop")
        beyond = now.amps > self.trip_a or self.lowest < self.switch_cell_v
        self.over_s = self.over_s + STEP_S if beyond else 0.0
        self.back_s = self.back_s + STEP_S if now.amps < -self.trip_back_a else 0.0
        if now.t > self.high_until and now.travel > 0.03:
            hold(now.t, False, "braking refused")
        if self.back_s > 0.1 and self.two_switches:
            self.refused_until, self.back_s = now.t + self.wait_s, 0.0
        elif self.over_s > self.trip_s or self.back_s > 0.1:
            hold(now.t, False, "low-voltage stop")
            self.tripped, self.cut, self.wait_until = True, False, now.t + self.wait_s
            self.over_s = self.back_s = 0.0
            hold(now.t, True, "switch opened")

    def _measured(self, rows: np.ndarray) -> np.ndarray:
        r = self.random
        n = len(rows)
        pedal = self.rest_v + self.span_v * rows[:, 0] + r.normal(0, 0.005, n)
        table = rows.copy()
        table[:, 0] = np.round(np.clip(pedal, 0, 5) * 1024 / 5) * 5 / 1024
        table[:, 1] = np.round(rows[:, 1] * r.uniform(0.995, 1.005) + r.normal(0, r.uniform(0.008, 0.03), n), 2)
        table[:, 2] = np.round(rows[:, 2] * r.uniform(0.98, 1.02) + r.normal(0, 0.3, n) + r.uniform(-0.5, 0.5), 1)
        every, late = int(r.choice([1, 2, 4, 5])), int(r.integers(0, 5))
        held = (np.arange(n) // every) * every
        speed = np.maximum(rows[:, 4] + r.normal(0, 0.08, n), 0)
        table[:, 4] = np.round(speed[np.maximum(held - late, 0)], 1)
        asked, late = int(r.choice([1, 4, 4, 5])), int(r.integers(0, 3))
        table[:, 3] = rows[np.maximum((np.arange(n) // asked) * asked - late, 0), 3]
        return table
