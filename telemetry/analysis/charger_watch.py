"""The stage that distinguishes a charger's current from regenerative braking.

Both flow into the pack. A charger feeds a machine that stands still, steadily and for long; braking needs motion.
Motion, by vehicle or motor speed, or a throttle that moves rules a charger out. Power at the wall proves one. With a
speed signal that shows standstill, 15 s of current are enough. Without one only steadiness shows it, and it takes two
minutes: braking current follows the ground and the speed from second to second, a charger's does not.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from telemetry.analysis.blocks import BlockFigures
from telemetry.analysis.chosen import Chosen, known_values
from telemetry.analysis.instruments import errors_at
from telemetry.machine.sections import Machine
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values

CHARGING = Group("derived", "charging", ("charging",), "derived")
INTO_A, ENDED_A = 0.5, 0.25
"""Current into the pack above the first counts, below the second it has ended: past the offset of a shunt. Ours; more
where the sensor may be further off, see :func:`least_charge_a`."""
ENDS_AFTER_S = 2.0
STANDING_S = 15.0
"""At standstill. Ours: a stop from full speed takes a few seconds."""
STEADY_S = 120.0
"""Without a speed signal. Ours: longer than most descents."""
STEADY_WITHIN_S = 60.0
ROUGH_SHARE, ROUGH_A = 0.02, 0.1
"""From second to second a charger's current changes by less than this share of it and this much. Ours: chargers hold
it within some percent over minutes, 0.1 A is what a shunt resolves."""
MOVES = {"vehicle_speed": 1.0, "motor_speed": 30.0}
"""Beyond this the machine moves: km/h, more than a position receiver shows at rest; rpm. Ours."""
WALL_W = 20.0
THROTTLE_V = 0.15
"""Noise of a throttle sensor is far less, a foot moves it by more. Ours."""
FRESH = 5 * MICROSECONDS
LONGEST_BRIDGED_S = 60.0


def least_charge_a(machine: Machine | None) -> float:
    """Return the current into the pack, A, from which it is a charger's: more than the sensor may show at none."""
    return INTO_A if machine is None else max(INTO_A, 3**0.5 * errors_at(machine, None).current.offset_sd)


class ChargerWatch:
    """Adds ``charging`` for each second with a current: 1 while a charger feeds the pack, else 0.

    Args:
        into_a: current into the pack that counts; it has ended below half of that.

    """

    def __init__(self, into_a: float = INTO_A) -> None:
        self._into_a = into_a
        self._current = BlockFigures("pack_current", MICROSECONDS)
        self._evidence = [
            _Latest(name) for name in ("vehicle_speed", "motor_speed", "throttle_voltage", "charger_input_power")
        ]
        self._before: int | None = None
        self._begin()

    def _begin(self) -> None:
        """Forget the current that flowed in."""
        self._charging = False
        self._into_s = self._ended_s = 0.0
        self._recent: deque[tuple[float, float]] = deque()
        self._throttle: tuple[float, float] | None = None

    def advance(self, span: Span) -> Span:
        """Add a row for every second that is over."""
        current = self._current.take(span, span.end)
        ends = np.array(list(current), dtype=np.int64)
        seen = [latest.take(span, ends) for latest in self._evidence]
        if not current:
            return span
        charging = [
            [float(self._take(*each))]
            for each in zip(current, current.values(), *(each.tolist() for each in seen), strict=True)
        ]
        return span.adding([Batch(CHARGING, ends, np.array(charging))])

    def _take(self, end: int, current: float, speed: float, motor: float, throttle: float, wall: float) -> bool:
        """Take the mean current of a second, and the latest of each other signal, NaN where that is stale."""
        elapsed = 1.0 if self._before is None else (end - self._before) / MICROSECONDS
        self._before = end
        moves = abs(speed) > MOVES["vehicle_speed"] or abs(motor) > MOVES["motor_speed"]
        if elapsed > LONGEST_BRIDGED_S or moves or self._throttle_moves(throttle):
            self._begin()
            return False
        self._ended_s = self._ended_s + elapsed if current > -self._into_a / 2 else 0.0
        if self._ended_s >= ENDS_AFTER_S or (not self._charging and current > -self._into_a):
            self._begin()
            return False
        self._into_s += elapsed
        self._recent.append((elapsed, current))
        while sum(seconds for seconds, _ in self._recent) > STEADY_WITHIN_S:
            self._recent.popleft()
        known = speed == speed or motor == motor or wall > WALL_W
        self._charging = self._charging or (
            self._into_s >= STANDING_S if known else self._into_s >= STEADY_S and self._is_steady()
        )
        return self._charging

    def _throttle_moves(self, volts: float) -> bool:
        """Return whether the throttle has moved since current began to flow in."""
        if volts != volts:
            return False
        low, high = self._throttle or (volts, volts)
        self._throttle = min(low, volts), max(high, volts)
        return self._throttle[1] - self._throttle[0] > THROTTLE_V

    def _is_steady(self) -> bool:
        """Return whether the current of the last minute changed little from second to second."""
        currents = np.array([current for _, current in self._recent])
        change = float(np.abs(np.diff(currents)).mean()) if len(currents) > 1 else 0.0
        return change <= ROUGH_A + ROUGH_SHARE * abs(float(currents.mean()))


class _Latest:
    """The latest known value of a signal at the end of each second."""

    def __init__(self, signal: str) -> None:
        self._chosen = Chosen(signal)
        self._t: Times = np.empty(0, dtype=np.int64)
        self._values: Values = np.empty(0)

    def take(self, span: Span, ends: Times) -> Values:
        """Return the last value before each of ``ends``, NaN where it is stale; earlier ones are forgotten."""
        t, values = known_values(self._chosen, span)
        if len(t):
            self._t, self._values = np.concatenate([self._t, t]), np.concatenate([self._values, values])
        if not len(ends) or not len(self._t):
            return np.full(len(ends), math.nan)
        places = np.searchsorted(self._t, ends, "left") - 1
        found = np.where((places >= 0) & (ends - self._t[places] <= FRESH), self._values[places], math.nan)
        kept = max(int(places[-1]), 0)
        self._t, self._values = self._t[kept:], self._values[kept:]
        return found
