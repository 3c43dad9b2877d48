"""The cells at the top of a charge: which is highest, and by how much charge the others are behind it.

Each cell's rise is taken to follow the same curve against charge as the highest cell's, shifted by what it lacks: a
cell that ends at some voltage lacks the charge that flowed since the highest cell passed that voltage, give or take
3 mV of either reading. Where the curve is steep that is a narrow range. A cell that is still on the plateau of iron
phosphate gives a wide one, from what flowed since the highest cell left the plateau to as much as the whole charge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.ranges import Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import MICROSECONDS, Values

_STEEP_ABOVE_V = {"lfp": 3.40, "lto": 2.50}
"""Where a curve with a plateau turns steep, V a cell; common practice: balancers of iron phosphate start there."""
_AT_LIMIT_V = 0.03
_READING_V = 0.003


@dataclass(frozen=True)
class CellsAtTop:
    """The cells at the end of a charge.

    Attributes:
        highest: number of the highest cell; ``highest_v`` its highest voltage, V.
        lowest: number of the cell that lacks most.
        spread_v: highest less lowest cell in the last rows, V.
        at_limit: whether the highest cell stood at its chemistry's end of charge while the mean cell did not.
        imbalance_ah: what the lowest lacks against the highest; None where it cannot be told.
        why_unknown: the reason for that.
    """

    highest: int
    highest_v: float
    lowest: int
    spread_v: float
    at_limit: bool
    imbalance_ah: Range | None
    why_unknown: str = ""


def cells_at_top(
    series: SessionSeries, power: SessionPower, start: int, end: int, chemistry: Chemistry | None
) -> CellsAtTop | None:
    """Return how the cells stood at the ``end`` of a charge from ``start`` (microseconds) on; None without cells."""
    cells = series.cells
    if cells is None or power.current is None:
        return None
    inside = (cells.t >= start) & (cells.t <= end + 2 * MICROSECONDS)
    voltages, t = cells.voltages[inside], cells.t[inside]
    whole = ~np.isnan(voltages).any(axis=1)
    voltages, t = voltages[whole], t[whole]
    if len(t) < 4:
        return None
    peaks = voltages.max(axis=0)
    top = int(np.argmax(peaks))
    final = int(np.argmax(voltages[:, top]))  # where the highest cell stood highest: the charge's last full moment
    last = voltages[final]
    lowest = int(np.argmin(last))
    limit = None if chemistry is None else chemistry.charge_v
    mean = float(np.mean(np.delete(last, top))) if len(last) > 1 else float(last[top])
    at_limit = limit is not None and peaks[top] >= limit - 0.005 and mean < limit - _AT_LIMIT_V
    imbalance, why = _behind(t, voltages, top, lowest, final, power, chemistry)
    return CellsAtTop(
        cells.numbers[top],
        float(peaks[top]),
        cells.numbers[lowest],
        float(last[top] - last[lowest]),
        at_limit,
        imbalance,
        why,
    )


def _behind(
    t: np.ndarray,
    voltages: Values,
    top: int,
    lowest: int,
    final: int,
    power: SessionPower,
    chemistry: Chemistry | None,
) -> tuple[Range | None, str]:
    """Return what the lowest cell lacks against the highest at row ``final``, or why that cannot be told."""
    assert power.current is not None
    steep = _STEEP_ABOVE_V.get(chemistry.name, 0.0) if chemistry is not None else 3.40
    target = float(voltages[final, lowest])
    if float(voltages[final, top]) < steep:
        return None, "the charge ended before any cell had left the plateau, where cells differ too little to compare"
    charge = np.interp(t, power.current.t, power.current.into)
    rise = np.maximum.accumulate(voltages[: final + 1, top])
    near = [float(charge[final]) - _passed(rise, charge, target + step) for step in (_READING_V, 0.0, -_READING_V)]
    low, mid, high = sorted(max(0.0, value) for value in near)
    if target < steep:  # readings that decide nothing: the middle of what they allow, by ratio
        mid = max(low, math.sqrt(low * high))
    return Range(low, mid, high), ""


def _passed(rise: Values, charge: Values, voltage: float) -> float:
    """Return the charge at which the highest cell first reached ``voltage``, Ah, between rows by a straight line."""
    place = int(np.searchsorted(rise, voltage, "left"))
    if place == 0:
        return float(charge[0])
    if place >= len(rise):
        return float(charge[len(rise) - 1])
    before, after = float(rise[place - 1]), float(rise[place])
    share = (voltage - before) / (after - before) if after > before else 1.0
    return float(charge[place - 1] + share * (charge[place] - charge[place - 1]))
