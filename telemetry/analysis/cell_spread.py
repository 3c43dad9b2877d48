"""Highest less lowest cell: at rest, under load, near full and near empty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.analysis.cell_lag import Track
from telemetry.analysis.series import CellSeries
from telemetry.machine.sections import Pack
from telemetry.model.batch import MICROSECONDS, Values

Flags = npt.NDArray[np.bool_]

REST_C = 0.01
"""Below a hundredth of the capacity an hour cells count as resting: standby draws, and many packs show 0 below half
an ampere; common practice."""
REST_S = 60.0
LOAD_C = 0.2
CHARGE_C = 0.02
TOP_BELOW_V = 0.10
"""Near full: charging, with the highest cell no further than this below where a charge ends."""
_LEAST_ROWS = 5
_END_S = 30.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Millivolts from the lowest to the highest cell, None where the session never was there.

    Attributes:
        rest: median over rows at rest for a minute and longer.
        load: median over rows of a fifth of the capacity an hour and more.
        top: at the end of charging near full, median of the last half minute.
        bottom: while the lowest cell was under the knee, the highest but for 5 % of the rows.
    """

    rest: float | None = None
    load: float | None = None
    top: float | None = None
    bottom: float | None = None


def find_spread(cells: CellSeries, current: Track | None, pack: Pack, origin: int, lag_s: float = 0.0) -> Spread:
    """Return how far the cells lay apart; without current only what needs none."""
    full = ~np.isnan(cells.voltages).any(axis=1)
    if full.sum() < _LEAST_ROWS:
        return Spread()
    seconds, volts = (cells.t[full] - origin) / MICROSECONDS, cells.voltages[full]
    low, high = volts.min(axis=1), volts.max(axis=1)
    spread = 1000 * (high - low)
    if current is None:
        return Spread()
    ampere = current.at(seconds - lag_s)
    drawn = ampere > -CHARGE_C * pack.capacity_ah
    bottom = spread[(low < pack.cell.knee_v) & drawn]
    charging = _for_a_minute(seconds, ampere < -CHARGE_C * pack.capacity_ah)  # braking is shorter
    near_full = np.flatnonzero(charging & (high > pack.cell.charge_v - TOP_BELOW_V))
    top = spread[near_full[seconds[near_full] > seconds[near_full[-1]] - _END_S]] if len(near_full) else spread[:0]
    return Spread(
        _median(spread[_for_a_minute(seconds, np.abs(ampere) <= REST_C * pack.capacity_ah)]),
        _median(spread[ampere > LOAD_C * pack.capacity_ah]),
        _median(top) if len(near_full) >= _LEAST_ROWS else None,
        float(np.quantile(bottom, 0.95)) if len(bottom) >= _LEAST_ROWS else None,
    )


def _for_a_minute(seconds: Values, state: Flags) -> Flags:
    """Tell which rows come when ``state`` has lasted for a minute."""
    last = np.maximum.accumulate(np.where(state, seconds[0], seconds))
    lasting: Flags = state & (seconds - last >= REST_S)
    return lasting


def _median(values: Values) -> float | None:
    return float(np.median(values)) if len(values) >= _LEAST_ROWS else None
