"""Cells in series: open-circuit voltage by chemistry, hysteresis, ohmic and one RC resistance, heat.

Current counts positive out of the cells. All cells carry the same current; everything is an array over cells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from telemetry.model.batch import Values

LFP_POINTS: Final = (
    *((0.0, 2.0102), (0.0033, 2.4177), (0.0117, 2.7405), (0.0267, 2.9299), (0.0534, 3.0872)),
    *((0.0885, 3.1942), (0.2972, 3.2772), (0.9833, 3.3511), (0.9950, 3.4180), (1.0, 3.5981)),
)
"""(state of charge, volt), a 1.2 Ah lithium iron phosphate cell measured at C/32. Source: breakpoints published with
a paper on piecewise open-circuit voltage models, IEEE Transactions on Instrumentation and Measurement, 2025."""

NMC_POINTS: Final = tuple(
    zip(
        (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
        (2.500, 3.296, 3.485, 3.581, 3.667, 3.751, 3.841, 3.948, 4.042, 4.097, 4.200),
        strict=True,
    )
)
"""(state of charge, volt) of the nickel manganese cobalt cell of Chen et al. 2020, as PyBaMM 26.10 computes it."""

POINTS: Final = {"lfp": LFP_POINTS, "nmc": NMC_POINTS}
HYSTERESIS_V: Final = {"lfp": 0.010, "nmc": 0.0}
"""Half the distance between the rest voltages after charge and after discharge. Common practice for iron phosphate,
5 to 20 mV, from memory."""
HYSTERESIS_PER_CHARGE: Final = 60.0
"""The rest voltage has gone over from one branch to the other, but for 1/e, after 1/60 of the capacity (ours)."""
RESISTANCE_KELVIN: Final = 2500.0
"""Resistance follows exp(k (1/T - 1/298.15 K)): about double at 5 degC. From memory, common practice."""
ZERO_C: Final = 273.15
BEYOND_FULL: Final = 0.02
BEYOND_EMPTY: Final = 0.005


def open_circuit_curve(chemistry: str, points: Sequence[tuple[float, float]] = ()) -> tuple[Values, Values]:
    """Return state of charge and volt of ``points``, else as usual, carried on a little at both ends."""
    soc, volt = (np.asarray(column, dtype=np.float64) for column in zip(*(points or POINTS[chemistry]), strict=True))
    low = volt[0] - BEYOND_EMPTY * (volt[1] - volt[0]) / (soc[1] - soc[0])
    high = volt[-1] + BEYOND_FULL * (volt[-1] - volt[-2]) / (soc[-1] - soc[-2])
    return np.r_[-BEYOND_EMPTY, soc, 1 + BEYOND_FULL], np.r_[low, volt, high]


@dataclass(frozen=True, slots=True)
class OddCell:
    """How one cell differs from its fellows.

    Attributes:
        capacity, resistance: factors.
        link_ohm: resistance of a loose link beside it, between the leads that measure its voltage; it does not
            follow the cell's temperature, and half of its heat goes into the cell.

    """

    capacity: float = 1.0
    resistance: float = 1.0
    link_ohm: float = 0.0


@dataclass(frozen=True)
class CellParameters:
    """What the cells are.

    Attributes:
        chemistry: ``lfp`` or ``nmc``.
        count: cells in series.
        capacity_ah, resistance_ohm, rc_resistance_ohm: of one cell, at 25 degC.
        rc_time_s: time constant of the RC resistance.
        heat_capacity_j_per_k, cooling_w_per_k: of one cell; cooling to the air.
        capacity_spread, resistance_spread, charge_spread: one standard deviation, as a share; of the charge: of what
            each cell lacks when the first one is full.
        odd: cells that differ, by their number from 1.
        points: (state of charge, volt) at rest; empty: as usual for the chemistry.

    """

    chemistry: str
    count: int
    capacity_ah: float
    resistance_ohm: float
    rc_resistance_ohm: float
    rc_time_s: float = 18.0
    heat_capacity_j_per_k: float = 2000.0
    cooling_w_per_k: float = 0.35
    capacity_spread: float = 0.006
    resistance_spread: float = 0.03
    charge_spread: float = 0.0006
    odd: Mapping[int, OddCell] = field(default_factory=dict)
    points: Sequence[tuple[float, float]] = ()


class Cells:
    """The cells of one pack.

    Args:
        parameters: what they are.
        soc: state of charge to begin with, 0 to 1; the cells were even when full, so smaller ones are lower.
        temperature_c: of cells and air.
        rng: draws the spreads.

    Attributes:
        soc, temperature_c: arrays, shape (cells,).
        voltage: at the cells' terminals under the last current, V.
        source_voltage: the same without current, V.
        resistance_ohm: ohmic, links included; ``total_resistance`` is their sum.
        heat_w: heat made by each cell and its link under the last current.

    """

    def __init__(
        self, parameters: CellParameters, soc: float, temperature_c: float, rng: np.random.Generator
    ) -> None:
        count = parameters.count
        odd = [parameters.odd.get(number, OddCell()) for number in range(1, count + 1)]
        capacity = 1 + parameters.capacity_spread * rng.standard_normal(count)
        resistance = 1 + parameters.resistance_spread * rng.standard_normal(count)
        lacking = np.abs(parameters.charge_spread * rng.standard_normal(count))
        resistance *= [each.resistance for each in odd]
        self.capacity_ah: Values = parameters.capacity_ah * capacity * [each.capacity for each in odd]
        self._resistance_25 = parameters.resistance_ohm * resistance
        self._rc_25 = parameters.rc_resistance_ohm * resistance
        self._link_ohm = np.array([each.link_ohm for each in odd])
        self._parameters = parameters
        self._curve = open_circuit_curve(parameters.chemistry, parameters.points)
        self._hysteresis_v = HYSTERESIS_V[parameters.chemistry]
        self.soc: Values = 1 - lacking - (1 - soc) * parameters.capacity_ah / self.capacity_ah
        self.temperature_c: Values = np.full(count, temperature_c)
        self.branch: Values = np.zeros(count)
        self.rc_voltage: Values = np.zeros(count)
        self.warm_up()
        self.source_voltage: Values = self._source_voltage()
        self.voltage: Values = self.source_voltage.copy()
        self.heat_w: Values = np.zeros(count)

    def open_circuit_voltage(self) -> Values:
        """Return the voltage at rest without hysteresis, V, shape (cells,)."""
        return np.interp(self.soc, *self._curve)

    def _source_voltage(self) -> Values:
        inner = self.open_circuit_voltage() - self.rc_voltage
        return inner + self._hysteresis_v * self.branch if self._hysteresis_v else inner

    def warm_up(self) -> None:
        """Fit the resistances to the temperatures; slow, so not done at each step."""
        share = np.exp(RESISTANCE_KELVIN * (1 / (self.temperature_c + ZERO_C) - 1 / (25.0 + ZERO_C)))
        self.resistance_ohm: Values = self._resistance_25 * share + self._link_ohm
        self._rc_resistance = self._rc_25 * share
        self.total_resistance = float(self.resistance_ohm.sum())

    def step(self, current: float, dt: float, air_c: float, bleed: Values | None = None) -> None:
        """Carry ``current`` for ``dt`` seconds.

        Args:
            current: A, positive out.
            dt: s.
            air_c: temperature of the air, degC.
            bleed: A drawn from each cell besides, by balancing; shape (cells,).

        """
        what = self._parameters
        used = (current if bleed is None else current + bleed) * dt / 3600 / self.capacity_ah
        self.soc = self.soc - used
        if self._hysteresis_v:
            self.branch = self.branch - (self.branch * np.abs(used) + used) * HYSTERESIS_PER_CHARGE
        settled = current * self._rc_resistance
        self.rc_voltage = settled + (self.rc_voltage - settled) * math.exp(-dt / what.rc_time_s)
        self.heat_w = current * (current * self.resistance_ohm + self.rc_voltage)
        warming = self.heat_w - 0.5 * current * current * self._link_ohm
        cooling = what.cooling_w_per_k * (self.temperature_c - air_c)
        self.temperature_c = self.temperature_c + (warming - cooling) * (dt / what.heat_capacity_j_per_k)
        self.source_voltage = self._source_voltage()
        self.voltage = self.source_voltage - current * self.resistance_ohm

    def load(self, current: float) -> None:
        """Let the voltages be those under ``current``, A, in this instant."""
        self.voltage = self.source_voltage - current * self.resistance_ohm
