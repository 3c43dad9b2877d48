"""When a pack was full, by voltage and current, and how far its cells then were behind the first full one.

The first full cell stops a charge. The charge of a pack, taken as the mean over its cells, then lacks what the others
lack. In a series string all cells get the same charge, so their voltage curves are the same curve moved along the
axis of charge: moving each cell's curve until it lies on that of the first full cell tells how much it lacks. That
works where the curve bends, so near the top, and needs no open-circuit table.

Common practice: a lithium cell is full when it has reached its charging voltage and the current has fallen to about a
twentieth of its capacity in an hour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.analysis.charge_blocks import Blocks
from telemetry.analysis.open_circuit import OpenCircuitTable, table_trust
from telemetry.machine.chemistry import Chemistry
from telemetry.model.batch import Values

_CHARGING_C = 0.008  # less than that is no charge but a sensor's offset
_END_C = 0.05  # where an ordinary charge ends
_BELOW_TOP_V = 0.06  # chargers stop up to that much below the usual charging voltage
_RESISTANCE_V = 0.06  # voltage at 1 C after some minutes, where the data do not tell
_SLOW_V = 0.020  # part of it that is still there after two minutes
_TOP_SHARE = 0.30  # part of the charge before its end along which curves are laid on each other
_SHIFTS = np.arange(-0.002, 0.15, 0.001)


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
    blocks: Blocks, cells: Values | None, capacity_ah: float, chemistry: Chemistry, table: OpenCircuitTable
) -> list[FullCharge]:
    """Return every full charge in ``blocks``, in time order.

    Args:
        blocks: of one stretch without a gap, sensor offset taken out.
        cells: float64 (blocks, cells), mean voltage of each cell in each block, or None.
        capacity_ah: as stated.
        chemistry, table: the cells' own.

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
        if charging[end + 1 : end + 4].any() or end - begin < 6:
            continue
        before = float(np.nanmax(top[max(begin, end - 3) : end + 1], initial=-np.inf))
        if before >= chemistry.charge_v - _BELOW_TOP_V:
            found.append(_full(blocks, cells, rate, top, (int(begin), int(end)), capacity_ah, chemistry, table))
    return found


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
) -> FullCharge:
    begin, end = charge
    last = -blocks.current[max(begin, end - 2) : end + 1].ravel() / capacity_ah
    end_c = float(last[last > _CHARGING_C].min(initial=1.0))
    volts = float(np.nanmax(top[max(begin, end - 3) : end + 1]))
    resting = np.abs(rate[end + 7 : end + 14]) < _CHARGING_C
    rested = top[end + 7 : end + 14]
    if chemistry.name != "lfp" and len(resting) >= 5 and resting.all() and not np.isnan(rested).any():
        # iron phosphate falls back for hours after a charge; the others keep what passes off slowly
        slow = float(-np.mean(rate[max(begin, end - 60) : end + 1]))
        open_circuit = float(rested.mean()) - _SLOW_V * slow - 0.5 * table_trust(chemistry.name).hysteresis_v
    else:
        open_circuit = volts - end_c * _RESISTANCE_V
    first = float(np.clip(table.share_at(open_circuit), 0.90, 1.02))
    first -= 0.5 * max(0.0, first - 1.0)  # beyond full the curve only gets steeper than the table's last piece
    first -= 0.02 * max(0.0, end_c - _END_C)  # current that never fell leaves the inside of the cell behind
    slope = max(float(table.slope_at(first)), 0.3)
    sure = float(np.hypot(0.0015, np.hypot(0.006 / slope, 0.03 * max(0.0, end_c - _END_C))))
    if cells is None:
        behind, apart, place = 0.005, 0.006, None
    else:
        place = int(np.argmax(np.where(np.isnan(cells[end]), -np.inf, cells[end])))
        along = slice(begin, end + 1)
        put_in = np.cumsum(-blocks.charge_ah[along]) / capacity_ah
        behind, apart = cells_behind(cells[along], put_in, rate[along], place)
    share = first - behind
    told = np.nan if cells is None else behind
    return FullCharge(end, int(blocks.t[end]), share, float(np.hypot(sure, apart)), told, place, end_c)


def cells_behind(cells: Values, put_in: Values, rate: Values, first: int) -> tuple[float, float]:
    """Return how far the mean cell is behind cell ``first`` at the end of a charge, and one standard deviation.

    Args:
        cells: float64 (n, cells), V, along one charge.
        put_in: float64 (n,), charge put in since its beginning, share of the capacity.
        rate: float64 (n,), current over capacity, 1/h, negative.
        first: place of the cell that was full first.

    Returns:
        Both as shares of the capacity.

    """
    # What current adds to the voltage is alike in all cells; where it falls at the end it is taken out roughly.
    level = cells + _RESISTANCE_V * (rate - np.median(rate))[:, None]
    near_end = put_in > put_in[-1] - _TOP_SHARE
    pattern = np.maximum.accumulate(level[:, first])
    places, spreads = np.zeros(cells.shape[1]), np.zeros(cells.shape[1])
    for cell in range(cells.shape[1]):
        known = near_end & ~np.isnan(level[:, cell]) & ~np.isnan(pattern)
        if cell != first:
            places[cell], spreads[cell] = _moved(put_in, pattern, level[:, cell], known)
    count = cells.shape[1]
    return float(places.mean()), float(np.sqrt((spreads**2).sum()) / count + 0.0005)


def _moved(put_in: Values, pattern: Values, level: Values, known: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return how far ``level`` lies behind ``pattern`` along ``put_in``: mean and standard deviation.

    A difference in height (resistance differs by some per cent, readings by a millivolt) is left free with 4 mV.
    """
    likely = np.full(len(_SHIFTS), -np.inf)
    noise, height = 0.002, 0.004
    for number, shift in enumerate(_SHIFTS):
        at = put_in - shift
        use = known & (at >= put_in[0]) & (at <= put_in[-1])
        count = int(use.sum())
        if count < max(6, 0.3 * known.sum()):
            continue
        miss = level[use] - np.interp(at[use], put_in, pattern)
        # errors follow each other: all blocks together tell as much as about eight by themselves
        each = 8.0 / count
        squared = each * float((miss**2).sum()) / noise**2
        common = (each * float(miss.sum()) / noise**2) ** 2 / (1.0 / height**2 + 8.0 / noise**2)
        likely[number] = -0.5 * (squared - common) - 0.5 * (shift / 0.03) ** 2
    if not np.isfinite(likely).any():
        return 0.01, 0.02
    weights = np.exp(likely - likely.max())
    weights /= weights.sum()
    mean = float((weights * _SHIFTS).sum())
    return mean, float(np.sqrt((weights * (_SHIFTS - mean) ** 2).sum()) + 0.001)
