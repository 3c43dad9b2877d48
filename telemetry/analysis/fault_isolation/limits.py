"""Which limit explains events of a drive: of the voltage, or of the current, passed for a while."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.analysis.fault_isolation.controller import Shortfall
from telemetry.analysis.fault_isolation.drive import STEP_S, Flags, Floats
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss
from telemetry.analysis.fault_isolation.point_process import by_limit, log_mean

SURE = 20.0
"""Weight of a loss of supply: it is not taken for anything else."""
CUT_HOLDS, TRIP_HOLDS = (1, 4), (1, 4, 8, 16, 30)
"""Rows for which a limit has to be passed: a controller acts at once, a BMS within about 1.5 s."""
BEFORE_ROWS = 4
_AFTER_ROWS, _LEAST_ROWS = 6, 50
_LOAD, _LOAD_A = 0.12, 3.0
"""Share of the highest current, and A, from which the pack is under load. Ours."""


def voltage_of(o: Observations) -> tuple[Floats, Flags] | None:
    """Return minus the voltage at the controller, and the rows under load in which it is known."""
    supply = o.drive.supply
    if supply is None or not o.usable.any():
        return None
    loaded = o.current > max(_LOAD * float(np.quantile(o.current[o.usable], 0.99)), _LOAD_A)
    return -np.nan_to_num(supply), o.usable & ~np.isnan(supply) & loaded


def current_of(o: Observations) -> tuple[Floats, Flags] | None:
    """Return the current, and the rows in which the supply was there."""
    return (o.current, o.usable) if o.usable.any() else None


def limit(
    parts: Sequence[Observations],
    name: str,
    watch: Callable[[Observations], tuple[Floats, Flags] | None],
    holds: Sequence[int],
    slack: float,
    stray: float,
) -> tuple[float, float, float]:
    """Return the log odds that a limit makes the events ``name``, that limit, and the voltage at rest.

    The limit has to be passed for some rows on end (``holds``, summed out). NaN for the limit where there is no
    event.
    """
    before: dict[int, list[float]] = {hold: [] for hold in holds}
    watched: dict[int, list[Floats]] = {hold: [] for hold in holds}
    weights, at_rest = [], []
    for o in parts:
        events: Sequence[Shortfall | SupplyLoss] = [e for e in getattr(o, name) if e.start > BEFORE_ROWS]
        found = watch(o)
        if found is None:
            continue
        values, live = found[0].copy(), found[1].copy()
        if live.any():
            at_rest.append(float(np.quantile(-values[o.usable], 0.95)))
        for event in events:  # what came after must not be smoothed into what was before
            values[event.start : event.end] = values[event.start - 1]
            live[event.start : event.end + _AFTER_ROWS] = False
        values = np.convolve(np.pad(values, 1, mode="edge"), np.ones(3) / 3, "valid")
        weights += [getattr(event, "weight", SURE) for event in events]
        for hold in holds:
            lasting = sliding_window_view(np.concatenate([np.full(hold - 1, -np.inf), values]), hold).min(axis=1)
            before[hold] += [float(lasting[e.start - BEFORE_ROWS : e.start + 1].max()) for e in events]
            watched[hold].append(lasting[live & np.isfinite(lasting)])
    odds, limits = [], []
    for hold in holds:
        others = np.concatenate(watched[hold]) if watched[hold] else np.empty(0)
        if not weights or len(others) < _LEAST_ROWS:
            continue
        span = float(np.quantile(others, 0.99) - np.quantile(others, 0.05))
        noise = slack * span + 1e-6
        told, at = by_limit(np.array(before[hold]), others, STEP_S, noise, np.array(weights), stray)
        odds.append(told)
        limits.append(at)
    if not odds:
        return 0.0, float("nan"), 1.0
    return log_mean(np.array(odds)), limits[int(np.argmax(odds))], float(np.median(at_rest))
