"""The stage that finds the current into a pack that is too cold or too hot to be charged."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from telemetry.model.batch import MICROSECONDS, Batch, Group, Span, Times, Values
from telemetry.model.signals import pack_temperature_number
from telemetry.pipeline.blocks import Block, BlockFigures, Blocks
from telemetry.pipeline.stage import ChosenGroup

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
        self._known: Values = np.empty(0)
        self._known_at: Times = np.empty(0, dtype=np.int64)

    def advance(self, span: Span) -> Span:
        """Add a row for every second that is over."""
        temperatures = deque(self._temperatures.take(*self._sensors.find(span), span.end))
        t, rows = [], []
        for end, current in self._current.take(span, span.end).items():
            while temperatures and temperatures[0].end <= end:
                self._hear(temperatures.popleft())
            fresh = self._known[end - self._known_at <= HELD]
            if len(fresh):
                into = max(0.0, -current)
                t.append(end)
                coldest = float(fresh.min())
                cool = self._least <= coldest < self._full
                rows.append([into * (coldest < self._least), into * cool, into * (fresh.max() > self._most)])
        for later in temperatures:
            self._hear(later)
        if not rows:
            return span
        return span.adding([Batch.of_rows(CHARGE_TEMPERATURE, t, rows)])

    def _hear(self, block: Block) -> None:
        """Keep each sensor's last value of the block."""
        more = block.values.shape[1] - len(self._known)
        if more > 0:
            self._known = np.concatenate([self._known, np.full(more, np.nan)])
            self._known_at = np.concatenate([self._known_at, np.zeros(more, dtype=np.int64)])
        for row in (block.values[-1],) if not np.isnan(block.values[-1]).any() else block.values:
            fresh = ~np.isnan(row)
            self._known[fresh] = row[fresh]
            self._known_at[fresh] = block.end
