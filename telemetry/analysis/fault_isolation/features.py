"""The figures that decide, each with a physical meaning."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from telemetry.analysis.fault_isolation.blame import LITHIUM_V, Blame
from telemetry.analysis.fault_isolation.drag_odds import level_of, odds_of_drag
from telemetry.analysis.fault_isolation.drive import STEP_S
from telemetry.analysis.fault_isolation.observations import Observations

_FOLLOWS_S = 0.6
"""A controller follows the pedal within 0.1 to 0.2 s, and its current comes back more slowly than it went."""


def features_of(o: Observations, b: Blame, earlier: Sequence[float] = ()) -> dict[str, float]:
    """Return the figures by name; NaN where the signals for one are not there."""
    nan = float("nan")
    pedal, path, force = o.pedal, o.path, o.resistance
    return {
        "pedal_evidence": nan if pedal is None else pedal.evidence,
        "stops_after_pedal": nan if pedal is None else float(_after_pedal(o, b)),
        "wobble_growth": nan if path is None else path.growth,
        "wobble": nan if path is None else path.wobble,
        "resistance_change": nan if path is None else path.change,
        "sag": nan if path is None else path.sag,
        "voltage_held": o.held,
        "openings": float(len(b.openings)),
        "low_stops": float(len(b.low_stops)),
        "low_stop_longest": max(((stop.end - stop.start) * STEP_S for stop in b.low_stops), default=0.0),
        "other_stops": float(len(b.other_stops)),
        "low_trips": float(len(b.low_trips)),
        "high_trips": float(len(b.high_trips)),
        "trip_odds": b.trip_odds,
        "brake_trips": float(len(b.brake_trips)),
        "held_back": float(len(b.held_back)),
        "deepest_sag": o.deepest_sag,
        "shortfall_weight": float(sum(min(s.evidence / 10, 3.0) for s in b.solid)),
        "fold_back_lost": nan if o.fold is None else o.fold.lost,
        "fold_back_evidence": nan if o.fold is None else o.fold.evidence,
        "resistance_mean": nan if force is None else force.mean,
        "drag_odds": _drag_odds(o, earlier),
        "cell_low": _cell_low(o),
    }


def _drag_odds(o: Observations, earlier: Sequence[float]) -> float:
    """Return the odds that what holds the machine back is more than ground and slopes, by the electrical power."""
    force = o.resistance
    if force is None or np.isnan(force.by_power):
        return float("nan")
    return odds_of_drag(level_of(force.by_power, force.mean), force.by_power_deviation, earlier)


def _cell_low(o: Observations) -> float:
    """Return the lowest cell's 2 % quantile where the cells are lithium ones by their highest voltage, else NaN."""
    low, high = o.drive.get("cell_min_voltage"), o.drive.get("cell_max_voltage")
    if low is None or high is None or np.isnan(low).all() or np.isnan(high).all() or np.nanmax(high) < LITHIUM_V:
        return float("nan")
    return float(np.nanquantile(low, 0.02))


def _after_pedal(o: Observations, b: Blame) -> int:
    """Return how many failings of the controller follow a fault of the pedal's signal, as its consequences do."""
    start = float(o.drive.t[0]) if len(o.drive.t) else 0.0
    faults = () if o.pedal is None else o.pedal.faults
    rows = [each.start for each in b.solid] + [each.start for each in b.other_stops]
    times = [start + row * STEP_S for row in rows]
    return sum(any(f.t - 0.1 <= t <= f.t + f.duration + _FOLLOWS_S for f in faults) for t in times)
