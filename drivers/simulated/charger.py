"""The charger: constant current, then constant voltage, until the current has fallen to its end."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ChargerParameters:
    """Output limits, where it ends, its efficiency, what it draws at the wall when it gives nothing, its leads."""

    voltage_v: float
    current_a: float
    end_current_a: float
    efficiency: float = 0.92
    idle_w: float = 12.0
    lead_ohm: float = 0.004
    lag_s: float = 0.8
    ends_after_s: float = 20.0


class Charger:
    """A charger that is plugged in or not.

    Attributes:
        current: A into the pack.
        connected: plugged in, at the wall and at the pack.
        finished: the charge has ended; plugging it in again begins anew.

    """

    def __init__(self, parameters: ChargerParameters) -> None:
        self.parameters = parameters
        self.current = 0.0
        self.connected = False
        self.finished = False
        self._low_s = 0.0

    def plug(self, connected: bool) -> None:
        """Plug it in or pull it."""
        self.connected = connected
        self.finished = False
        self.current = self._low_s = 0.0

    def step(self, dt: float, source_v: float, resistance: float, allowed: bool) -> float:
        """Return the current into the pack, A, given its inner voltage and resistance, and its charge switch."""
        what = self.parameters
        if not self.connected or self.finished or not allowed:
            self.current = self._low_s = 0.0
            return 0.0
        room = (what.voltage_v - source_v) / (resistance + what.lead_ohm)
        wanted = min(what.current_a, max(0.0, room))
        self.current += (wanted - self.current) * (1 - math.exp(-dt / what.lag_s))
        self._low_s = self._low_s + dt if room < what.end_current_a else 0.0
        if self._low_s >= what.ends_after_s:
            self.finished = True
            self.current = 0.0
        return self.current

    def input_power(self, pack_voltage: float) -> float:
        """Return the power drawn at the wall, W."""
        if not self.connected:
            return 0.0
        output = self.current * (pack_voltage + self.current * self.parameters.lead_ohm)
        return self.parameters.idle_w + output / self.parameters.efficiency
