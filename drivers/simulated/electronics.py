"""The pack's own electronics: two switches, the limits that open them, balancing, and a count of charge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.model.batch import Values


@dataclass(frozen=True, slots=True)
class Guard:
    """One limit of the electronics.

    Attributes:
        limit: beyond it for ``delay_s`` a switch opens.
        release: back on this side of it for ``back_s`` the guard lets go.
        side: beyond is above (``high``) or below (``low``) the limit.

    """

    limit: float
    release: float
    side: Literal["high", "low"]
    delay_s: float
    back_s: float


class Watch:
    """A guard at work."""

    def __init__(self, guard: Guard) -> None:
        self._guard = guard
        self._sign = 1.0 if guard.side == "high" else -1.0
        self._lasting_s = 0.0
        self.holds = False

    def step(self, value: float, dt: float) -> bool:
        """Take the next value; return whether the guard holds its switch open."""
        guard, sign = self._guard, self._sign
        if self.holds:
            turning = sign * value <= sign * guard.release
            after = guard.back_s
        else:
            turning = sign * value > sign * guard.limit
            after = guard.delay_s
        self._lasting_s = self._lasting_s + dt if turning else 0.0
        if turning and self._lasting_s >= after:
            self.holds = not self.holds
            self._lasting_s = 0.0
        return self.holds


@dataclass(frozen=True, slots=True)
class ElectronicsParameters:
    """The limits of both switches, and how well the electronics count.

    Attributes:
        cell_low, discharge_current, hot_discharge, cold_discharge: what opens the discharge switch.
        cell_high, charge_current, hot_charge, cold_charge: what opens the charge switch (current positive inwards).
        path_ohm: resistance of switches, shunt and links.
        balance_a, balance_above_v: current bled from cells above that voltage.
        count_gain, count_offset_a, count_start: errors of the charge count: factor, A, share of capacity.
        one_switch: whatever stops charging stops discharging too.
        waits_for_release: after too much current, the wait begins when the pedal has been released.

    """

    cell_low: Guard
    cell_high: Guard
    discharge_current: Guard
    charge_current: Guard
    hot_discharge: Guard = Guard(60.0, 55.0, "high", 2.0, 10.0)
    cold_discharge: Guard = Guard(-20.0, -15.0, "low", 2.0, 10.0)
    hot_charge: Guard = Guard(45.0, 42.0, "high", 2.0, 10.0)
    cold_charge: Guard = Guard(0.0, 3.0, "low", 2.0, 10.0)
    path_ohm: float = 0.0025
    balance_a: float = 0.12
    balance_above_v: float = 3.42
    count_gain: float = 1.004
    count_offset_a: float = 0.03
    count_start: float = 0.01
    one_switch: bool = False
    waits_for_release: bool = False


class PackElectronics:
    """Judges what it measured last, and so acts from the next step on.

    Attributes:
        discharge_allowed, charge_allowed: the two switches.
        opened_by: which of ``REASONS`` keeps the first one open; empty while it is closed.

    """

    REASONS = ("low cell", "over-current", "too hot", "too cold", "what stops charging")

    def __init__(self, parameters: ElectronicsParameters, capacity_ah: float, soc: float) -> None:
        self._parameters = parameters
        self._capacity_ah = capacity_ah
        self._counted = min(1.0, soc + parameters.count_start)
        self._cell_low, self._cell_high = Watch(parameters.cell_low), Watch(parameters.cell_high)
        self._out, self._in = Watch(parameters.discharge_current), Watch(parameters.charge_current)
        self._hot_out, self._cold_out = Watch(parameters.hot_discharge), Watch(parameters.cold_discharge)
        self._hot_in, self._cold_in = Watch(parameters.hot_charge), Watch(parameters.cold_charge)
        self.discharge_allowed = True
        self.charge_allowed = True
        self.opened_by = ""

    @property
    def path_ohm(self) -> float:
        """Resistance between cells and terminals."""
        return self._parameters.path_ohm

    @property
    def soc_reported(self) -> float:
        """State of charge by the electronics' own count, %."""
        return 100 * self._counted

    def passed(self, current: float) -> float:
        """Return what of a wanted current (A, positive out) the switches let through."""
        blocked = (current > 0 and not self.discharge_allowed) or (current < 0 and not self.charge_allowed)
        return 0.0 if blocked else current

    def bleed(self, voltage: Values) -> Values | None:
        """Return the balancing current of each cell, A; None where none is bled."""
        if self._parameters.balance_a == 0 or max(voltage.tolist()) < self._parameters.balance_above_v:
            return None
        return np.where(voltage >= self._parameters.balance_above_v, self._parameters.balance_a, 0.0)

    def charge_ended(self) -> None:
        """Set the count to full."""
        self._counted = 1.0

    def step(
        self,
        dt: float,
        lowest: float,
        highest: float,
        current: float,
        coldest: float,
        hottest: float,
        pressed: bool = False,
    ) -> None:
        """Judge lowest and highest cell voltage (V), current (A, positive out), temperatures (degC), the pedal."""
        what = self._parameters
        counted = current * what.count_gain + what.count_offset_a
        self._counted = min(1.0, max(0.0, self._counted - counted * dt / 3600 / self._capacity_ah))
        low, high = self._cell_low.step(lowest, dt), self._cell_high.step(highest, dt)
        kept = self._out.holds and what.waits_for_release and pressed
        out, into = self._out.step(math.inf if kept else current, dt), self._in.step(-current, dt)
        hot_out, cold_out = self._hot_out.step(hottest, dt), self._cold_out.step(coldest, dt)
        hot_in, cold_in = self._hot_in.step(hottest, dt), self._cold_in.step(coldest, dt)
        self.charge_allowed = not (high or into or hot_in or cold_in)
        self.discharge_allowed = not (low or out or hot_out or cold_out or (what.one_switch and (high or into)))
        # What opened it, for those who must know; the first of several.
        holding = (low, out, hot_out, cold_out, not self.discharge_allowed)
        self.opened_by = next((name for name, holds in zip(self.REASONS, holding, strict=True) if holds), "")
