"""The cells at the top of a charge: which is highest, and by how much charge the others are behind the fullest.

Each cell's rise, less what its own resistance adds, is taken to follow the same curve against charge as that of the
fullest cell: a cell at some voltage lacks the charge that flowed since the fullest cell passed that voltage, give or
take 3 mV of reading. Where the curve is steep that is a narrow range. A cell that is still on the plateau of iron
phosphate gives a wide one, from what flowed since the fullest left the plateau to as much as the whole charge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from telemetry.analysis.ranges import Range
from telemetry.analysis.series import SessionSeries
from telemetry.analysis.session_power import SessionPower
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import MICROSECONDS, Times, Values

_STEEP_ABOVE_V = {"lfp": 3.40, "lto": 2.50}
"""Where a curve with a plateau turns steep, V a cell; common practice: balancers of iron phosphate start there."""
_AT_LIMIT_V = 0.03
_READING_V = 0.003
_LEAST_ROWS, _STEP_ROWS = 4, 3
"""Of a charge, to say anything of it; and within which its current has come up, to show resistances."""
_BEFORE = 60 * MICROSECONDS
_AVERAGED = 40 * MICROSECONDS


@dataclass(frozen=True)
class CellsAtTop:
    """The cells at the end of a charge.

    Attributes:
        highest: number of the cell that read highest; ``highest_v`` its highest voltage, V. Its own resistance may
            have lifted it.
        fullest, emptiest: numbers of the cells with the most and the least charge, resistance taken out.
        spread_v: highest less lowest reading where ``highest`` stood highest, V.
        at_limit: whether the highest cell was beyond its chemistry's end of charge, or at it before the others were.
        imbalance_ah: what the emptiest lacks against the fullest; None where it cannot be told.
        why_unknown: the reason for that.
    """

    highest: int
    highest_v: float
    fullest: int
    emptiest: int
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
    inside = (cells.t >= start - _BEFORE) & (cells.t <= end + 2 * MICROSECONDS)
    voltages, t = cells.voltages[inside], cells.t[inside]
    whole = ~np.isnan(voltages).any(axis=1)
    voltages, t = voltages[whole], t[whole]
    if int((t >= start).sum()) < _LEAST_ROWS:
        return None
    amperes = -np.interp(t, power.current.t, power.current.values)
    peaks = voltages.max(axis=0)
    top = int(np.argmax(peaks))
    last = voltages[int(np.argmax(voltages[:, top]))]  # where the highest cell stood highest
    others = float(np.mean(np.delete(last, top))) if len(last) > 1 else float(last[top])
    at_limit = chemistry is not None and _at_limit(float(peaks[top]), others, chemistry)
    charge = np.interp(t, power.current.t, power.current.into)
    fullest, lowest, imbalance, why = _behind(
        t, _at_rest(voltages, amperes, charge, chemistry), amperes, charge, chemistry
    )
    numbers = cells.numbers
    spread = float(last.max() - last.min())
    return CellsAtTop(
        numbers[top], float(peaks[top]), numbers[fullest], numbers[lowest], spread, at_limit, imbalance, why
    )


def _at_limit(highest: float, others: float, chemistry: Chemistry) -> bool:
    """Tell whether a cell is beyond the end of an ordinary charge, or at it while the others are not (V)."""
    alone = highest >= chemistry.charge_v - 0.005 and others < chemistry.charge_v - _AT_LIMIT_V
    return alone or highest >= chemistry.high_warn_v


def _at_rest(voltages: Values, amperes: Values, charge: Values, chemistry: Chemistry | None) -> Values:
    """Return the voltages less what each cell's own resistance adds, joints included.

    The resistance is that of the step with which the current came up. Where it was not recorded, the cells of a
    chemistry with a plateau are brought to the middle one's voltage over the middle third of the charge, where charge
    makes next to no difference; other chemistries are left as they were read.
    """
    high = float(np.max(amperes))
    first = int(np.argmax(amperes > 0.9 * high))
    before = np.flatnonzero(np.abs(amperes[:first]) < 0.1 * high)
    if len(before) and first - int(before[-1]) <= _STEP_ROWS:
        rise = voltages[first] - voltages[before].mean(axis=0)
        ohms = rise / (amperes[first] - float(amperes[before].mean()))
        settled: Values = voltages - np.maximum(ohms, 0.0) * amperes[:, None]
        return settled
    if chemistry is not None and chemistry.name in _STEEP_ABOVE_V:
        passed = charge[0] + (charge[-1] - charge[0]) * np.array([1 / 3, 2 / 3])
        middle = slice(*np.searchsorted(charge, passed).tolist())
        if middle.stop - middle.start >= _LEAST_ROWS:
            part = voltages[middle]
            apart = np.median(part - np.median(part, axis=1, keepdims=True), axis=0) / float(
                np.median(amperes[middle])
            )
            return voltages - apart * amperes[:, None]
    return voltages


def _behind(
    t: Times, voltages: Values, amperes: Values, charge: Values, chemistry: Chemistry | None
) -> tuple[int, int, Range | None, str]:
    """Return the places of the fullest and the emptiest cell, what the latter lacks, or why that cannot be told.

    Judged by the last rows under full current: later the falling current moves all cells, and not all alike. Rows are
    averaged over 40 s, for the outermost of many cells is else the one whose reading jitters most.
    """
    last = int(np.flatnonzero(amperes >= 0.9 * float(np.max(amperes)))[-1]) + 1
    width = max(1, int((t[:last] > t[last - 1] - _AVERAGED).sum()))
    voltages, charge = _averaged(voltages[:last], width), _averaged(charge[:last, None], width)[:, 0]
    final = len(charge) - 1
    top, lowest = int(np.argmax(voltages[final])), int(np.argmin(voltages[final]))
    steep = _STEEP_ABOVE_V.get(chemistry.name, 0.0) if chemistry is not None else _STEEP_ABOVE_V["lfp"]
    if float(voltages[final, top]) < steep:
        why = "the charge ended on the voltage plateau, where cells differ too little to compare"
        return top, lowest, None, why
    target = float(voltages[final, lowest])
    rise = np.maximum.accumulate(voltages[: final + 1, top])
    near = [float(charge[final]) - _passed(rise, charge, target + step) for step in (_READING_V, 0.0, -_READING_V)]
    low, mid, high = sorted(max(0.0, value) for value in near)
    if target < steep:  # readings that decide nothing: the middle of what they allow, by ratio
        mid = max(low, math.sqrt(low * high))
    return top, lowest, Range(low, mid, high), ""


def _averaged(values: Values, width: int) -> Values:
    """Return means of every ``width`` rows on end, float64 (rows - width + 1, columns)."""
    sums = np.cumsum(np.pad(values, ((1, 0), (0, 0))), axis=0)
    found: Values = (sums[width:] - sums[:-width]) / width
    return found


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
