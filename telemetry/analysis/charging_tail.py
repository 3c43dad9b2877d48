"""The falling current at the end of a charge: I = I0 exp(-t / tau), its time and its charge."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.model.batch import MICROSECONDS, Times, Values

_LEAST_ROWS, _LEAST_FALL = 8, 1.2
"""Of the current at the end of a charge: fewer rows, or a fall by less, tell no time constant. Ours."""


# Ours: the tail has begun once the current has left the plateau for good by 5 % while the voltage stands still.
_LEFT_PLATEAU, _STILL, _LEAST_TAIL_S = 0.95, 0.012, 30.0
HIGH_SHARE, LOW_SHARE = 0.8, 0.25
"""Shares of the highest current between which a fall is timed. Ours."""
_AT_ONCE_ROWS, _AT_ONCE_S = 1, 5.0
"""When a plug is pulled, at most one row lies between those shares, or as many as a slow sensor gives in this time; a
taper takes longer. What the sensor shows afterwards is its offset. Ours."""


def is_pulled_plug(rows_between: int, seconds: float) -> bool:
    """Tell a pulled plug from a taper.

    Args:
        rows_between: readings between the last at ``HIGH_SHARE`` or more and the first at ``LOW_SHARE`` or less.
        seconds: from the one to the other.
    """
    return rows_between <= _AT_ONCE_ROWS or seconds <= _AT_ONCE_S


def tail_hours(start_a: float, end_a: float, tau_h: float) -> float:
    """Return the hours in which the current falls from ``start_a`` to ``end_a``: tau ln(I0 / Iend)."""
    return tau_h * math.log(start_a / end_a)


def tail_charge_ah(start_a: float, end_a: float, tau_h: float) -> float:
    """Return the charge that flows meanwhile, Ah: tau (I0 - Iend)."""
    return tau_h * (start_a - end_a)


@dataclass(frozen=True)
class Tail:
    """The end of one charge.

    Attributes:
        plateau_a: typical current before the tail, A, >= 0.
        start: where the current began to fall for good, int microseconds; ``end`` where there is no tail.
        end: the last moment with charging current, int microseconds.
        end_a: current just before ``end``, A, >= 0.
        tau_h: time constant, h; None where the fall is too short or no such fall.
    """

    plateau_a: float
    start: int
    end: int
    end_a: float
    tau_h: float | None


def find_tail(series: SessionSeries, power: SessionPower, start: int, end: int) -> Tail:
    """Return the tail of the charge from ``start`` to ``end`` (microseconds); ``power.current`` must be there."""
    assert power.current is not None
    rows = power.current.rows(start, end)
    t, amperes = power.current.t[rows], -power.current.values[rows]
    plateau = float(np.median(amperes[amperes >= 0.5 * np.quantile(amperes, 0.9)]))
    flowing = np.flatnonzero(amperes > 0.03 * plateau)
    last = int(flowing[-1])
    smooth = _smoothed(amperes[: last + 1], 5)
    last = _broken_off(t, amperes, smooth, plateau)
    smooth = smooth[: last + 1]
    end_a = float(np.median(amperes[max(0, last - 2) : last + 1]))
    on_plateau = np.flatnonzero(smooth >= _LEFT_PLATEAU * plateau)
    first = int(on_plateau[-1]) + 1 if len(on_plateau) else 0
    if first >= last or (t[last] - t[first]) < _LEAST_TAIL_S * MICROSECONDS or not _still(series, t[first], t[last]):
        return Tail(plateau, int(t[last]), int(t[last]), end_a, None)
    hours = (t[first : last + 1] - t[first]) / MICROSECONDS / 3600.0
    return Tail(plateau, int(t[first]), int(t[last]), end_a, _time_constant(hours, amperes[first : last + 1]))


def _broken_off(t: Times, amperes: Values, smooth: Values, plateau: float) -> int:
    """Return the last place of the charge: where a plug was pulled, else the last there is."""
    end = len(smooth) - 1
    high = np.flatnonzero(smooth >= HIGH_SHARE * plateau)
    if not len(high) or high[-1] == end:
        return end
    last = int(high[-1])
    after = amperes[last + 1 : end + 1] <= LOW_SHARE * plateau
    fell = int(np.argmax(after))
    pulled = after[fell:].all() and is_pulled_plug(fell, float(t[last + 1 + fell] - t[last]) / MICROSECONDS)
    return last if pulled else end


def _still(series: SessionSeries, start: int, end: int) -> bool:
    """Tell whether the voltage stood still; True where there is none."""
    voltage = series.get("pack_voltage")
    if voltage is None:
        return True
    inside = voltage.values[(voltage.t >= start) & (voltage.t <= end)]
    return len(inside) <= 1 or float(np.quantile(inside, 0.95) - np.quantile(inside, 0.05)) <= _STILL * float(
        inside[0]
    )


def _time_constant(hours: Values, amperes: Values) -> float | None:
    """Return tau from a straight line through the logarithm of the current, weighted by the current; or None."""
    good = amperes > 0.0
    if int(good.sum()) < _LEAST_ROWS:
        return None
    slope = float(np.polyfit(hours[good], np.log(amperes[good]), 1, w=amperes[good])[0])
    fell = amperes[good][0] / max(float(amperes[good][-1]), 1e-9)
    return -1.0 / slope if slope < 0.0 and fell > _LEAST_FALL else None


def _smoothed(values: Values, width: int) -> Values:
    """Return the running median over ``width`` rows around, for a row or two of noise must not end the plateau."""
    if len(values) < width:
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
