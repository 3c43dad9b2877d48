"""The cells in means over short stretches of time, the charge counted beside them, and what the load takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.analysis.cell_lag import Track
from telemetry.analysis.series import CellSeries
from telemetry.model.batch import MICROSECONDS, Times, Values

_LEAST_ROWS, _LEAST_BINS = 60, 12
"""Below these a session is too short to tell cells apart. Ours."""
CHARGING_C = 0.02
_MOST_BINS = 900
_LEAST_BIN_S = 10.0
_CHARGE_RUN_S = 300.0
_DELAYS_S = (60.0, 600.0)
_KNOT = 0.01
"""Between the corners of a curve, as a share of the capacity."""
_MOST_KNOTS = 400
"""Of all curves together: days of charging and use get coarser ones, and so does a capacity stated far too low."""
_BEND_V = 0.01
"""By how much it bends at a corner, one standard deviation: a knee bends by more, and so does what is left there."""
_FIRST_LEFT_V, _LEAST_LEFT_V = 0.002, 2e-4
_ROUNDS = 4
_USUAL = (1.0, 0.3, 0.3)
"""Resistance at once and after each delay, against that between bins; as much is one standard deviation. From memory:
diffusion adds 20 to 40 %."""
_MOST = 3.0
"""Between bins a resistance is no more than so many times that of a load step; an even current shows none."""
_INDEPENDENT = 0.05
"""What is left hangs together over some minutes: a bin counts as this share of one."""


@dataclass(frozen=True, eq=False)
class Bins:
    """Means over short stretches of time.

    Attributes:
        seconds, charge_ah, current: float64 (bins,): s since the origin, Ah out since the start, A.
        volts: float64 (bins, cells).
        leg: int64 (bins,): counts up at each change from use to charging and back; odd while charging.
    """

    seconds: Values
    charge_ah: Values
    current: Values
    volts: Values
    leg: npt.NDArray[np.int64]

    @property
    def middle(self) -> Values:
        """The middle cell's voltage, float64 (bins,)."""
        return np.median(self.volts, axis=1)


def cut_bins(cells: CellSeries, current: Track, origin: int, lag_s: float, capacity_ah: float) -> Bins | None:
    """Return the session in bins, or None where less than a dozen stretches hold all cells."""
    cells = cells.whole_rows()
    seconds = _seconds(cells.t, origin)
    if len(seconds) < _LEAST_ROWS:
        return None
    volts = cells.voltages
    width = max(_LEAST_BIN_S, (seconds[-1] - seconds[0]) / _MOST_BINS)
    number = ((seconds - seconds[0]) // width).astype(np.int64)
    edges = np.flatnonzero(np.diff(number, prepend=-1))
    count = np.diff(np.append(edges, len(number)))
    ampere = current.at(seconds - lag_s)
    moved = (current.values[1:] + current.values[:-1]) / 2 * np.diff(current.seconds) / 3600
    charge = np.interp(seconds - lag_s, current.seconds, np.concatenate([[0.0], np.cumsum(moved)]))
    if len(edges) < _LEAST_BINS:
        return None
    means = [np.add.reduceat(each, edges, axis=0) for each in (seconds, charge, ampere, volts)]
    middle = means[0] / count
    return Bins(
        middle,
        means[1] / count,
        means[2] / count,
        means[3] / count[:, None],
        _legs(middle, means[2] / count, capacity_ah),
    )


def _seconds(t: Times, origin: int) -> Values:
    return (t - origin) / MICROSECONDS


def _legs(seconds: Values, current: Values, capacity_ah: float) -> npt.NDArray[np.int64]:
    """Number the legs; braking is too short to be a charge, and a rest belongs to what went before it."""
    least = CHARGING_C * capacity_ah
    kind = np.where(current < -least, 1, np.where(current > least, -1, 0))
    change = np.flatnonzero(np.diff(kind, prepend=kind[0] - 5))
    leg = np.zeros(len(kind), dtype=np.int64)
    now = 0
    for first, after in zip(change, np.append(change[1:], len(kind)), strict=True):
        charging = kind[first] == 1 and seconds[after - 1] - seconds[first] > _CHARGE_RUN_S
        if (charging and now % 2 == 0) or (kind[first] == -1 and now % 2 == 1):
            now += 1
        leg[first:after] = now
    return leg


def slow_resistance_of(bins: Bins) -> float:
    """Return the middle cell's resistance between bins, ohm: with the polarisation of some ten seconds.

    The median over the larger changes of current, so that a knee or a charger's end does not count.
    """
    inside = np.diff(bins.leg) == 0
    volt, ampere = np.diff(bins.middle)[inside], np.diff(bins.current)[inside]
    large = np.abs(ampere) > max(1e-6, float(np.quantile(np.abs(ampere), 0.75))) if len(ampere) else inside[:0]
    return max(0.0, -float(np.median(volt[large] / ampere[large]))) if large.any() else 0.0


def load_drop(bins: Bins, volts: Values, capacity_ah: float, resistance_ohm: float) -> Values:
    """Return how far the load holds a cell down in each bin, V: resistance at once and after some delays.

    Least squares of ``volts``, float64 (bins,), over a curve of straight pieces for each leg and the delayed
    currents; what is far off counts less (Student's t with four degrees of freedom).
    """
    step_s = np.diff(bins.seconds, prepend=bins.seconds[0] - _LEAST_BIN_S)
    loads = np.column_stack([bins.current, *(_delayed(bins.current, np.exp(-step_s / s)) for s in _DELAYS_S)])
    legs = [bins.leg == number for number in np.unique(bins.leg)]
    spans = [float(np.ptp(bins.charge_ah[own])) for own in legs]
    apart = max(_KNOT * capacity_ah, sum(spans) / _MOST_KNOTS)
    curves, prior = [], []
    for own, span in zip(legs, spans, strict=True):
        corners = np.arange(int(span / apart) + 2)
        place = (bins.charge_ah - bins.charge_ah[own].min()) / apart
        curves.append(np.maximum(0.0, 1.0 - np.abs(place[:, None] - corners)) * own[:, None])
        prior.append(np.diff(np.eye(len(corners)), 2, axis=0) / _BEND_V)
    design = np.hstack([*curves, -loads])
    held, at = 1e-6 * np.eye(design.shape[1]), 0  # holds a corner that no bin is near
    for each in prior:
        held[at : at + each.shape[1], at : at + each.shape[1]] += each.T @ each
        at += each.shape[1]
    usual = np.array(_USUAL) * float(np.clip(slow_resistance_of(bins), 1e-6, _MOST * resistance_ohm + 1e-6))
    held[at:, at:] += np.diag(usual**-2)
    pull = np.append(np.zeros(at), 1 / usual)
    precision, level = np.full(len(volts), 1 / _FIRST_LEFT_V**2), volts - volts.mean()
    for _ in range(_ROUNDS):
        weighed = _INDEPENDENT * design * precision[:, None]
        found = np.linalg.solve(weighed.T @ design + held, weighed.T @ level + pull)
        left = level - design @ found
        variance = max(_LEAST_LEFT_V, 1.4826 * float(np.median(np.abs(left)))) ** 2
        precision = 5.0 / (4.0 + left**2 / variance) / variance
    return np.asarray(loads @ np.maximum(found[at:], 0.0))


def _delayed(current: Values, keeps: Values) -> Values:
    """Return the current as it fades in: each bin keeps a part of what was before."""
    found, now = np.empty(len(current)), 0.0
    for place, (keep, ampere) in enumerate(zip(keeps.tolist(), current.tolist(), strict=True)):
        now = keep * now + (1.0 - keep) * ampere
        found[place] = now
    return found
