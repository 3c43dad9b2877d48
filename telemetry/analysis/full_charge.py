"""When a pack was full, by voltage and current, and how far its cells then were behind the first full one.

The first full cell stops a charge. The charge of a pack, taken as the mean over its cells, then lacks what the others
lack: each cell's curve is laid on that of the first full one, shifted by what it lacks and stretched by its capacity
(see ``cell_alignment``). Where the curve is flat that is not sharp, and its uncertainty says so.

Common practice: a lithium cell is full when it has reached its charging voltage and the current has fallen to about a
twentieth of its capacity in an hour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.cell_alignment import align_cells
from telemetry.analysis.cell_bins import Bins, slow_resistance_of
from telemetry.analysis.charge_blocks import Blocks
from telemetry.analysis.charge_filter import thermal_factor
from telemetry.analysis.open_circuit import OpenCircuitTable, charge_uncertainty, table_trust
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import Values

_LEAST_CHARGE = 6  # blocks: a minute of charging
_LEAST_RESTED, _LEAST_RESTING = 3, 5  # blocks of rest after it, for the voltage to be believed
_LEAST_ALONG, _LEAST_BESIDE = 12, 4  # blocks with every cell known, along the charge and at its end; all ours
_CHARGING_C = 0.008  # less than that is no charge but a sensor's offset
_END_C = 0.05  # where an ordinary charge ends
_BELOW_TOP_V = 0.06  # chargers stop up to that much below the usual charging voltage
_RESISTANCE_V = 0.08
"""Voltage at 1 C after some minutes at 25 degC: the sum of the filter's four resistances."""
_SLOW_V = 0.030
"""Part of it that is still there after two minutes, against the mean current of the last half hour."""
_SLOW_BLOCKS = 180
_THERMAL_UNKNOWN = 1.3
"""Resistance over that at 25 degC where the temperature is not known: a garage in spring."""
_OVER_VOLTAGE_UNSURE = 0.6
"""One standard deviation of that over-voltage, relative; chosen by ``python -m tests.calibration``."""
_LAGGING = 0.013
"""Share of charge by which a cell's inside lags behind its surface, at 1 C and 25 degC; about as uncertain."""
_USUALLY_BEHIND = (0.005, 0.006)
"""How far the mean cell is behind the first full one where the cells do not show it; one standard deviation."""
_READING_V = 0.006
"""One standard deviation of a cell's reading and of the voltage at which a maker calls it full."""
_TABLES_MEET = 0.10
_HARDLY_FULL = 0.95
"""Share of charge whose open-circuit voltage a full cell does not fall below within two minutes."""
_END_OF_TRIP_C = 0.10
"""A charge that ends at more than that, over the capacity in an hour, may have tripped on a drop in a joint."""
BESIDE = 12
"""Blocks before and after the begin of a charge that show the cells' resistances."""
_NO_CHANGE_C = 0.02
"""A change of current, over the capacity in an hour, that shows no resistance."""
_MOST_BEHIND = 0.05
"""By how much the mean cell of a pack in use lacks what the first full one has, at the most; common practice."""
_MOST_BINS = 300
_SETTLING = 0.005
"""Share of the capacity at the begin of a charge in which polarisation still builds up."""
_INFLATED = 1.5
"""The curve of the first full cell is one for all others: what it is off, they are all off."""
_OF_THE_GAP = 0.3
"""Further uncertainty, as a part of the gap itself."""


@dataclass(frozen=True, slots=True)
class FullCharge:
    """A charge that ended with a full cell.

    Attributes:
        block: place of the last charging block.
        t: its time, int microseconds.
        share: mean share of charge of the cells then, 0 to 1; ``uncertainty``: one standard deviation.
        behind: by how much the mean cell lacks what the first full one has, share; NaN where cells are not known.
        first_full: place of the first full cell among those given, or None.
        end_c: current at the end over capacity, 1/h, positive.

    """

    block: int
    t: int
    share: float
    uncertainty: float
    behind: float
    first_full: int | None
    end_c: float


def find_full_charges(
    blocks: Blocks,
    cells: Values | None,
    capacity_ah: float,
    chemistry: Chemistry,
    table: OpenCircuitTable,
    celsius: Values | None = None,
) -> list[FullCharge]:
    """Return every full charge in ``blocks``, in time order.

    Args:
        blocks: of one stretch without a gap, sensor offset taken out.
        cells: float64 (blocks, cells), mean voltage of each cell in each block, or None.
        capacity_ah: as stated.
        chemistry, table: the cells' own.
        celsius: float64 (blocks,), of the pack; None where it is not known.

    """
    rate = blocks.current.mean(axis=1) / capacity_ah
    top = blocks.volts if cells is None else _highest(cells)
    charging = rate < -_CHARGING_C
    ends = np.flatnonzero(charging & ~np.append(charging[1:], False))
    found = []
    for end in ends:
        # what goes on for less than two blocks, or is at once taken up again, ends no charge
        begin = end
        while begin > 0 and charging[max(0, begin - 3) : begin].any():
            begin -= 1
        if charging[end + 1 : end + 4].any() or end - begin < _LEAST_CHARGE:
            continue
        before = float(np.nanmax(top[max(begin, end - 3) : end + 1], initial=-np.inf))
        if before >= chemistry.charge_v - _BELOW_TOP_V:
            known = None if celsius is None or np.isnan(celsius[end]) else float(celsius[end])
            charge = (int(begin), int(end))
            if _stays_full(top, rate, charge[1], table):
                found.append(_full(blocks, cells, rate, top, charge, capacity_ah, chemistry, table, known))
    return found


def _stays_full(top: Values, rate: Values, end: int, table: OpenCircuitTable) -> bool:
    """Return False where the rest after a charge shows that no cell was full.

    A cold pack or a bad joint trips a charge long before; the voltage then falls at once to what it was.
    """
    resting = np.flatnonzero(np.abs(rate[end + 2 : end + 14]) < _CHARGING_C) + end + 2
    rested = top[resting][np.isfinite(top[resting])]
    tripped = float(-rate[max(0, end - 3) : end + 1].min()) > _END_OF_TRIP_C
    return not tripped or len(rested) < _LEAST_RESTED or float(rested.min()) > float(table.volts_at(_HARDLY_FULL))


def _highest(cells: Values) -> Values:
    return np.asarray(np.max(np.where(np.isnan(cells), -np.inf, cells), axis=1))


def _full(
    blocks: Blocks,
    cells: Values | None,
    rate: Values,
    top: Values,
    charge: tuple[int, int],
    capacity_ah: float,
    chemistry: Chemistry,
    table: OpenCircuitTable,
    celsius: float | None,
) -> FullCharge:
    begin, end = charge
    last = -blocks.current[max(begin, end - 2) : end + 1].ravel() / capacity_ah
    end_c = float(last[last > _CHARGING_C].min(initial=1.0))
    place, highest, even = None, top, None
    if cells is not None:
        even = without_own_resistance(cells, rate, begin)
        place = int(np.argmax(np.where(np.isnan(even[end]), -np.inf, even[end])))
        highest, top = even[:, place], cells[:, place]
    volts = float(np.nanmax(highest[max(begin, end - 3) : end + 1]))
    resting = np.abs(rate[end + 7 : end + 14]) < _CHARGING_C
    rested = top[end + 7 : end + 14]
    hotter = thermal_factor(celsius) if celsius is not None else _THERMAL_UNKNOWN
    if chemistry.name != "lfp" and len(resting) >= _LEAST_RESTING and resting.all() and not np.isnan(rested).any():
        # iron phosphate falls back for hours after a charge; the others keep what passes off slowly
        over = _SLOW_V * float(-np.mean(rate[max(begin, end - _SLOW_BLOCKS) : end + 1])) * hotter
        open_circuit = float(rested.mean()) - over - 0.5 * table_trust(chemistry.name).hysteresis_v
    else:
        over = end_c * _RESISTANCE_V * hotter
        open_circuit = volts - over
    first = float(np.clip(table.share_at(open_circuit), 0.50, 1.02))
    first -= 0.5 * max(0.0, first - 1.0)  # beyond full the curve only gets steeper than the table's last piece
    # current that never fell leaves the inside of the cell behind
    lagging = _LAGGING * max(0.0, end_c - _END_C) * hotter
    first -= lagging
    slope = max(float(table.slope_at(first)), 0.3)
    unsure = _OVER_VOLTAGE_UNSURE * over * (1.0 if celsius is not None else 1.5)
    # every table of a chemistry ends at the same voltage; farther down they differ
    of_table = min(1.0, max(0.0, 1.0 - first) / _TABLES_MEET) * float(charge_uncertainty(chemistry.name, first))
    sure = float(np.linalg.norm([0.0015, _READING_V / slope, unsure / slope, lagging, of_table]))
    behind, apart = _USUALLY_BEHIND
    if even is not None and place is not None:
        along = np.arange(begin, end + 1)
        along = along[~np.isnan(even[along]).any(axis=1)]
        if len(along) > _LEAST_ALONG and along[-1] >= end - 1:
            out_ah = np.cumsum(blocks.charge_ah[: end + 1])[along]
            told_behind = cells_behind(even[along], out_ah, rate[along] * capacity_ah, capacity_ah, place)
            behind, apart = told_behind or _USUALLY_BEHIND
    share = first - behind
    told = np.nan if cells is None else behind
    return FullCharge(end, int(blocks.t[end]), share, float(np.hypot(sure, apart)), told, place, end_c)


def without_own_resistance(cells: Values, rate: Values, begin: int) -> Values:
    """Return the cells' voltages as if all had the mean cell's resistance, V, float64 (blocks, cells).

    The change of current with which a charge begins shows how each cell's voltage changes against the mean one's. A
    joint of high resistance would else look like a cell that is full before the others.

    Args:
        cells: float64 (blocks, cells), V.
        rate: float64 (blocks,), current over capacity, 1/h.
        begin: block in which the charge begins.

    """
    beside = np.arange(max(0, begin - BESIDE), min(len(rate), begin + BESIDE))
    beside = beside[~np.isnan(cells[beside]).any(axis=1)]
    if len(beside) < _LEAST_BESIDE:
        return cells
    apart = cells[beside] - cells[beside].mean(axis=1, keepdims=True)
    change = rate[beside] - rate[beside].mean()
    slopes = change @ (apart - apart.mean(axis=0)) / (change @ change + len(beside) * _NO_CHANGE_C**2)
    return np.asarray(cells - rate[:, None] * slopes)


def cells_behind(
    cells: Values, out_ah: Values, current: Values, capacity_ah: float, first: int
) -> tuple[float, float] | None:
    """Return how far the mean cell is behind cell ``first`` at the end of a charge, and one standard deviation.

    Args:
        cells: float64 (blocks, cells), V, along one charge, differences in resistance taken out, none NaN.
        out_ah: float64 (blocks,), charge out since its beginning, Ah.
        current: float64 (blocks,), A, negative on charge.
        capacity_ah: as stated.
        first: place of the cell that was full first; its curve reaches farthest, so the others are laid on it.

    Returns:
        Both as shares of the capacity; None where too little was charged.

    """
    together = max(1, len(cells) // _MOST_BINS)
    count = len(cells) // together * together
    out, ampere, volts = (
        np.asarray(each[-count:].reshape(-1, together, *each.shape[1:]).mean(axis=1), dtype=np.float64)
        for each in (out_ah, current, cells)
    )
    seconds = np.arange(len(out), dtype=np.float64) * together * 10.0
    bins = Bins(seconds, out, ampere, volts, np.ones(len(out), dtype=np.int64))
    ohm, reference = slow_resistance_of(bins), bins.volts[:, first]
    found = align_cells(bins, capacity_ah, ohm, reference, _SETTLING, even=True)
    if found is None:
        return None
    others = np.arange(cells.shape[1]) != first
    behind = np.where(others, found.top[0], 0.0)
    # half of each difference's error is the first cell's own, which all have in common
    apart = float(np.sqrt((found.top[1][others] ** 2).mean() * 0.5)) if others.any() else 0.0
    apart *= _INFLATED
    mean = float(behind.mean())
    # more than packs are out of balance: some of it is likely to be resistance that did not show
    beyond = max(0.0, mean - _MOST_BEHIND)
    return mean - 0.5 * beyond, float(np.linalg.norm([apart, _OF_THE_GAP * mean, 0.5 * beyond]) + 0.0005)
