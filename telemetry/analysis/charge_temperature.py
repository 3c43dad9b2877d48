"""The stage that finds the current into a pack that is too cold or too hot to be charged."""

from __future__ import annotations

import math

import numpy as np

from telemetry.analysis.blocks import BlockFigures, Blocks, Parted
from telemetry.analysis.chosen import ChosenGroup
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values
from telemetry.model.signals import pack_temperature_number

CHARGE_TEMPERATURE = Group(
    "derived",
    "charge_temperature",
    ("cold_charge_current", "cool_charge_current", "hot_charge_current"),
    "derived",
)
HELD = 600 * MICROSECONDS
"""A temperature is held for so long: a pack of some kilograms changes by less than a degree in that time."""


class ChargeTemperature:
    """Adds ``cold_charge_current``, ``cool_charge_current`` and ``hot_charge_current`` once a second.

    Each is the mean current into the pack while its coldest sensor forbids charging, while that allows only a reduced
    current, or while its hottest sensor forbids charging; else 0. They are not given while no temperature is known.
    Sensors of the first group with any count, each by its latest value.

    Args:
        least_c, most_c: the pack may be charged between these temperatures, degC.
        full_c: it takes its full charge current from this temperature on, degC.
    """

    def __init__(self, least_c: float, most_c: float, full_c: float = -math.inf) -> None:
        self._least, self._most, self._full = least_c, most_c, full_c
        self._current = BlockFigures("pack_current", MICROSECONDS)
        self._sensors = ChosenGroup(lambda signal: pack_temperature_number(signal) is not None)
        self._temperatures = Blocks(MICROSECONDS)
        self._known: Values = np.empty((1, 0))
        self._known_at: Times = np.empty((1, 0), dtype=np.int64)

    def advance(self, span: Span) -> Span:
        """Add a row for every second that is over."""
        ends, celsius, known_at = self._heard(self._temperatures.parted(*self._sensors.find(span), span.end))
        current = self._current.take(span, span.end)
        t = np.array(list(current), dtype=np.int64)
        latest = np.searchsorted(ends, t, side="right")
        fresh = t[:, None] - known_at[latest] <= HELD
        some = fresh.any(axis=1)
        if not some.any():
            return span
        t, fresh, celsius = t[some], fresh[some], celsius[latest[some]]
        into = np.maximum(0.0, -np.array(list(current.values()))[some])
        coldest, hottest = np.where(fresh, celsius, np.inf).min(axis=1), np.where(fresh, celsius, -np.inf).max(axis=1)
        forbidden = (coldest < self._least, (coldest >= self._least) & (coldest < self._full), hottest > self._most)
        return span.adding([Batch(CHARGE_TEMPERATURE, t, np.column_stack([into * each for each in forbidden]))])

    def _heard(self, over: Parted | None) -> tuple[Times, Values, Times]:
        """Return the ends of the seconds, and what is known before the first and after each.

        Returns:
            int64 (seconds,); each sensor's latest value, float64 (seconds + 1, sensors); and the end of the second
            that it is from, int64 (seconds + 1, sensors), long ago for none.
        """
        if over is None:
            return np.empty(0, dtype=np.int64), self._known, self._known_at
        sensors = over.values.shape[1]
        known, known_at = self._known, self._known_at
        if sensors > known.shape[1]:
            more = ((0, 0), (0, sensors - known.shape[1]))
            known, known_at = np.pad(known, more), np.pad(known_at, more, constant_values=-(2**62))
        latest = np.where(np.isnan(over.values), -1, np.arange(len(over.t))[:, None])
        latest = np.maximum.accumulate(latest, axis=0)[over.edges[1:] - 1]
        at = (over.t // MICROSECONDS + 1) * MICROSECONDS
        known = np.concatenate([known, np.where(latest >= 0, over.values[latest, np.arange(sensors)], known)])
        known_at = np.concatenate([known_at, np.where(latest >= 0, at[latest], known_at)])
        self._known, self._known_at = known[-1:], known_at[-1:]
        return over.ends, known, known_at
