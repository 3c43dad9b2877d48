"""Highest less lowest cell: at rest, under load, near full and near empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.cell_lag import Track
from telemetry.analysis.phases import Phase
from telemetry.analysis.series import CellSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, Flags, Values
from telemetry.model.time_text import length

REST_S = 60.0
"""After so long at rest cells have recovered from the load's sag but for a few millivolts; common practice."""
LOAD_C = 0.2
CHARGE_C = 0.02
TOP_BELOW_V = 0.10
"""Near full: charging, with the highest cell no further than this below where a charge ends."""
_LEAST_ROWS = 5
_END_S = 30.0
_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class Spread:
    """Millivolts from the lowest to the highest cell, None where the session never was there.

    Attributes:
        rest: median over rows of a phase of rest, from a minute after its start on.
        load: median over rows of a fifth of the capacity an hour and more.
        top: at the end of charging near full, median of the last half minute.
        bottom: discharging with the pack near empty, that is, the middle cell's resting voltage under the knee; 95th
            percentile. One weak cell that sags under load does not make the pack empty.
        unknown: why one is None, by its name.
    """

    rest: float | None = None
    load: float | None = None
    top: float | None = None
    bottom: float | None = None
    unknown: Mapping[str, str] = field(default_factory=dict)


NAMES = ("rest", "load", "top", "bottom")


def find_spread(
    cells: CellSeries,
    current: Track,
    pack: Pack,
    origin: int,
    rests: Sequence[Phase],
    ohm: float,
    lag_s: float = 0.0,
) -> Spread:
    """Return how far apart the cells were.

    Args:
        cells: their voltages.
        current: of the pack.
        pack: its chemistry and capacity.
        origin: where seconds count from, microseconds.
        rests: the phases of rest, as the report lists them.
        ohm: internal resistance of the middle cell.
        lag_s: how late the cells come against the current, s.
    """
    cells = cells.whole_rows()
    if len(cells.t) < _LEAST_ROWS:
        return Spread(unknown=dict.fromkeys(NAMES, "no reading covers all cells at the same time"))
    seconds, volts = (cells.t - origin) / MICROSECONDS, cells.voltages
    low, high = volts.min(axis=1), volts.max(axis=1)
    spread = 1000 * (high - low)
    ampere = current.at(seconds - lag_s)
    drawn = ampere > -CHARGE_C * pack.capacity_ah
    resting_v = _middles(volts) + ohm * ampere
    bottom = spread[(resting_v < pack.cell.knee_v) & drawn]
    charging = _for_a_minute(seconds, ampere < -CHARGE_C * pack.capacity_ah)  # braking is shorter
    near_full = np.flatnonzero(charging & (high > pack.cell.charge_v - TOP_BELOW_V))
    top = spread[near_full[seconds[near_full] > seconds[near_full[-1]] - _END_S]] if len(near_full) else spread[:0]
    resting = np.zeros(len(seconds), dtype=np.bool_)
    for rest in rests:
        resting |= (seconds >= rest.start_s + REST_S) & (seconds <= rest.end_s)
    found = (
        _median(spread[resting]),
        _median(spread[ampere > LOAD_C * pack.capacity_ah]),
        _median(top) if len(near_full) >= _LEAST_ROWS else None,
        float(np.quantile(bottom, 0.95)) if len(bottom) >= _LEAST_ROWS else None,
    )
    reasons = dict(zip(NAMES, _reasons(pack, rests), strict=True))
    return Spread(*found, {name: reasons[name] for name, value in zip(NAMES, found, strict=True) if value is None})


def _reasons(pack: Pack, rests: Sequence[Phase]) -> tuple[str, str, str, str]:
    """Return why each spread is missing, where it is."""
    longest = max((rest.duration_s for rest in rests), default=0.0)
    needed = f"it takes a rest of more than {length(REST_S)} with cell readings"
    rest = f"the pack rested for {length(longest)} at most; {needed}" if rests else f"the pack never rested; {needed}"
    top = f"its charging voltage ({pack.cell.charge_v:.2f} V)"
    return (
        rest,
        f"too few cell readings above {LOAD_C * pack.capacity_ah:.0f} A",
        f"no cell stayed within {TOP_BELOW_V:g} V of {top} for a minute while the charger gave current",
        f"the pack was not driven near empty (resting voltage below {pack.cell.knee_v:.2f} V a cell)",
    )


def _for_a_minute(seconds: Values, state: Flags) -> Flags:
    """Tell which rows come when ``state`` has lasted for a minute."""
    last = np.maximum.accumulate(np.where(state, seconds[0], seconds))
    lasting: Flags = state & (seconds - last >= REST_S)
    return lasting


def _middles(volts: Values) -> Values:
    """Return the middle cell of each row, some rows at a time: the median works on a copy."""
    return np.concatenate([np.median(volts[at : at + _ROWS], axis=1) for at in range(0, len(volts), _ROWS)])


def _median(values: Values) -> float | None:
    return float(np.median(values)) if len(values) >= _LEAST_ROWS else None
