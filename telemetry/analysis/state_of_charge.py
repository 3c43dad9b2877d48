"""State of charge of a whole session, looking back: later readings correct earlier estimates.

Two methods, chosen by what the session contains:

* ``counted-from-full-charge``: a full charge in the session anchors the state of charge; coulomb counting gives the
  rest, forward and backward, and the bounds grow with the charge counted (sensor gain, true capacity) and with time
  (offset).
* ``voltage-and-count``: no full charge; hypotheses of the charge at the start are weighted by the whole course of
  voltage (see ``charge_filter``), and the weights at the end hold for every moment before.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np

from telemetry.analysis.charge_blocks import BLOCK, Blocks, cut_blocks
from telemetry.analysis.charge_filter import Belief, Hypotheses
from telemetry.analysis.charge_forward import LONGEST_BRIDGED_S, ForwardCharge, Stretch
from telemetry.analysis.current_offset import CurrentOffset
from telemetry.analysis.evidence import fits_cells
from telemetry.analysis.full_charge import FullCharge
from telemetry.analysis.gaps import GapRule
from telemetry.analysis.open_circuit import OpenCircuitTable
from telemetry.analysis.parts_seen import pack_temperatures
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import Series, SessionSeries
from telemetry.machine.pack_keys import Pack
from telemetry.model.batch import MICROSECONDS, NO_VALUES, Times, Values

_LEAST_BLOCKS, _DRIFT_PCT = 12, 3.0
"""Two minutes of blocks, and how far the BMS figure may drift from the estimate before that is said, %. Ours."""
FULL = "counted-from-full-charge"
VOLTAGE = "voltage-and-count"
UNKNOWN = "unknown"

GAIN_UNCERTAINTY = 0.006
"""One standard deviation of a current sensor's gain: data sheets give 1 %, taken as uniform; common practice."""
CAPACITY_UNCERTAINTY = 0.015
"""The same for the true capacity against the stated one of a pack in use; common practice."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """A moment at which the state of charge is known independently.

    Attributes:
        kind: ``full-charge``.
        t: microseconds.
        pct, uncertainty_pct: charge then and one standard deviation, %.
        why: how it is known.

    """

    kind: str
    t: int
    pct: float
    uncertainty_pct: float
    why: str


@dataclass(frozen=True, eq=False)
class ChargeEstimate:
    """State of charge along a session.

    Attributes:
        t: int64 (n,), microseconds, about one each ten seconds.
        pct, low90, high90: float64 (n,), estimate and bounds that hold the truth nine times in ten, %.
        start_pct, end_pct: at the first and last of ``t``; None where unknown.
        end_uncertainty_pct: one standard deviation at the end, %; None where unknown.
        method: ``counted-from-full-charge``, ``voltage-and-count`` or ``unknown``.
        anchors: in time order.
        findings: sentences for the owner.
        why: one sentence: how it was found, or why it is not known and what would help.
        counted_ah: float64 (n,), charge out since the start at each of ``t``, offset taken out, Ah.

    All arrays are empty where the charge is unknown.
    """

    t: Times = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    pct: Values = field(default_factory=lambda: NO_VALUES)
    low90: Values = field(default_factory=lambda: NO_VALUES)
    high90: Values = field(default_factory=lambda: NO_VALUES)
    start_pct: float | None = None
    end_pct: float | None = None
    end_uncertainty_pct: float | None = None
    method: str = UNKNOWN
    anchors: tuple[Anchor, ...] = ()
    findings: tuple[str, ...] = ()
    why: str = ""
    counted_ah: Values = field(default_factory=lambda: NO_VALUES)


def estimate_charge(
    series: SessionSeries, pack: Pack, offset: CurrentOffset, table: OpenCircuitTable | None = None
) -> ChargeEstimate:
    """Return the state of charge along a whole session.

    Args:
        series: needs ``pack_current`` and either ``pack_voltage`` or the voltage of every cell.
        pack: chemistry, cells in series and capacity.
        offset: of the current sensor, as :func:`find_offset` gives it.
        table: the owner's own open-circuit table, if there is one.

    """
    current = series.get("pack_current")
    if current is None:
        return ChargeEstimate(
            why="pack_current was not recorded, so there is nothing to count; voltage alone works only at rest"
        )
    volts = cell_volts(series, pack)
    if isinstance(volts, str):
        return ChargeEstimate(why=volts)
    blocks = cut_blocks(
        (current.t, current.values - offset.value_a, GapRule().take(current.t)), (volts.t, volts.values)
    )
    counted = np.cumsum(blocks.charge_ah)
    swing = float(np.ptp(np.concatenate([[0.0], counted])))
    if swing > 1.3 * pack.capacity_ah:
        return ChargeEstimate(
            why=f"{swing:.1f} Ah flowed one way, more than the stated {pack.capacity_ah:g} Ah can hold: "
            "check [pack] capacity_ah and the scale of pack_current"
        )
    forward = ForwardCharge(pack, offset.uncertainty_a, table)
    cells = _cells_by_block(series, blocks)
    celsius = _temperature_by_block(series, blocks)
    for place in range(len(blocks)):
        now = None if celsius is None else float(celsius[place])
        forward.take(blocks.one(place), None if cells is None else cells[place], now)
    forward.finish()
    hours = (blocks.t - blocks.t[0]) / (3600.0 * MICROSECONDS)
    belief = _looked_back(forward, blocks, hours, pack, offset)
    anchors = tuple(_anchor(full, series) for full in forward.full_charges)
    pct, low, high = 100.0 * belief.mean, 100.0 * belief.low, 100.0 * belief.high
    return ChargeEstimate(
        blocks.t,
        pct,
        low,
        high,
        float(pct[0]),
        float(pct[-1]),
        100.0 * float(belief.deviation[-1]),
        FULL if anchors else VOLTAGE,
        anchors,
        _findings(series, blocks.t, belief),
        _why(anchors, pack),
        counted,
    )


def cell_volts(series: SessionSeries, pack: Pack) -> Series | str:
    """Return the mean voltage of a cell, V, from the pack voltage, otherwise from all cells; or why there is none."""
    voltage = series.get("pack_voltage")
    if voltage is not None:
        if not fits_cells(voltage, pack):
            return (
                f"the pack's voltage is not that of {pack.cells_in_series} {pack.cell.label} cells: check [pack]"
                " cells_in_series and chemistry"
            )
        return Series(voltage.t, voltage.values / pack.cells_in_series)
    if series.cells is None:
        return "neither pack voltage nor cell voltages were recorded, so the charge at the start is not known"
    if len(series.cells.numbers) != pack.cells_in_series:
        return (
            f"pack_voltage was not recorded, and {len(series.cells.numbers)} cell voltages cannot replace it for "
            f"{pack.cells_in_series} cells in series: check [pack] cells_in_series"
        )
    whole = ~np.isnan(series.cells.voltages).any(axis=1)
    if not whole.any():
        return "pack_voltage was not recorded, and no reading covers all cells at once"
    return Series(series.cells.t[whole], series.cells.voltages[whole].mean(axis=1))


def _cells_by_block(series: SessionSeries, blocks: Blocks) -> Values | None:
    """Return the mean of each cell in each block, float64 (blocks, cells), NaN where a block has no row of cells."""
    if series.cells is None:
        return None
    number, first = np.unique(series.cells.t // BLOCK, return_index=True)
    voltages = series.cells.voltages
    unknown = np.isnan(voltages)
    if unknown.any():
        sums = np.add.reduceat(np.where(unknown, 0.0, voltages), first, axis=0)
        counts = np.add.reduceat(~unknown, first, axis=0, dtype=np.float64)
    else:
        sums = np.add.reduceat(voltages, first, axis=0)
        counts = np.diff(np.append(first, len(voltages))).astype(np.float64)[:, None]
    with np.errstate(invalid="ignore"):
        means = np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan)
    found = np.full((len(blocks), voltages.shape[1]), np.nan)
    _, into, out_of = np.intersect1d(blocks.number, number, return_indices=True)
    found[into] = means[out_of]
    return found


def _temperature_by_block(series: SessionSeries, blocks: Blocks) -> Values | None:
    """Return the mean of the pack's temperature sensors at each block's end, degC, or None where there is none."""
    sensors = list(pack_temperatures(series).values())
    if not sensors:
        return None
    return np.asarray(np.mean([np.interp(blocks.t, each.t, each.values) for each in sensors], axis=0))


def _looked_back(forward: ForwardCharge, blocks: Blocks, hours: Values, pack: Pack, offset: CurrentOffset) -> Belief:
    """Return the charge at each block from the whole session."""
    count = len(blocks)
    parts = [np.full(count, np.nan) for _ in range(4)]
    share_out = np.cumsum(blocks.charge_ah) / pack.capacity_ah
    for begin, end in _without_hole(blocks):
        fulls = [full for full in forward.full_charges if begin <= full.block < end]
        here = slice(begin, end)
        if fulls:
            lines = _lines_through(fulls, share_out, hours, offset.uncertainty_a / pack.capacity_ah, begin)
            found = forward.weigh_lines(lines, blocks, (begin, end))
        else:
            stretch = next(s for s in reversed(forward.stretches) if s.first <= begin)
            found = _weighed(forward, stretch, hours[here])
        for part, values in zip(parts, (found.mean, found.deviation, found.low, found.high), strict=True):
            part[here] = values
    return Belief(parts[0], parts[1], parts[2], parts[3])


def _without_hole(blocks: Blocks) -> list[tuple[int, int]]:
    edges = [0, *np.flatnonzero(blocks.missing_s > LONGEST_BRIDGED_S).tolist(), len(blocks)]
    return [(begin, end) for begin, end in itertools.pairwise(edges) if end > begin]


def _weighed(forward: ForwardCharge, stretch: Stretch, hours: Values) -> Belief:
    """Return the charge along a stretch by the weights at its end; an offset counts from the stretch's middle."""
    belief = stretch.filter.belief(np.array(stretch.counted), np.array(stretch.hours))
    return forward.widened(belief, np.abs(hours - hours.mean()))


def _lines_through(
    fulls: list[FullCharge], share_out: Values, hours: Values, offset: float, begin: int
) -> Hypotheses:
    """Return what the charge may have been along a stretch by its full charges: least squares and lines around.

    ``share(t) = s - f (out(t) - out(a)) - b (t - a)`` with s free, f = 1 and b = 0 as far as they are uncertain.
    Lines stand at the nodes of Gauss-Hermite quadrature along the axes of the solution's covariance.

    Args:
        fulls: of this stretch.
        share_out, hours: share out and hours since the session's start at each block's end.
        offset: one standard deviation of the sensor's offset, share an hour.
        begin: first block of the stretch.

    """
    a = fulls[0].block
    factor = float(np.hypot(GAIN_UNCERTAINTY, CAPACITY_UNCERTAINTY))
    drain = max(offset, 1e-6)
    information = np.diag([0.0, 1.0 / factor**2, 1.0 / drain**2])
    pull = np.array([0.0, 1.0 / factor**2, 0.0])
    for full in fulls:
        row = np.array([1.0, share_out[a] - share_out[full.block], hours[a] - hours[full.block]])
        information += np.outer(row, row) / full.uncertainty**2
        pull += row * full.share / full.uncertainty**2
    covariance = np.linalg.inv(information)
    middle = covariance @ pull
    scale = np.array([0.01, factor, drain])
    spans, axes = np.linalg.eigh(covariance / np.outer(scale, scale))
    root = scale[:, None] * axes * np.sqrt(np.maximum(spans, 0.0))
    nodes, of_node = np.polynomial.hermite_e.hermegauss(5)
    of_node /= of_node.sum()
    grid = np.stack(np.meshgrid(nodes, nodes, nodes, indexing="ij"), axis=-1).reshape(-1, 3)
    weight = np.einsum("i,j,k->ijk", of_node, of_node, of_node).ravel()
    points = middle + grid @ root.T
    out_before = float(share_out[begin - 1]) if begin else 0.0
    start = points[:, 0] + points[:, 1] * (share_out[a] - out_before) + points[:, 2] * (hours[a] - hours[begin])
    return Hypotheses(start, points[:, 1], points[:, 2], weight, 0.004)


def _anchor(full: FullCharge, series: SessionSeries) -> Anchor:
    cells = series.cells
    if full.first_full is None or cells is None:
        gap = "the cell imbalance then is not known"
    else:
        first = cells.numbers[full.first_full]
        gap = f"cell {first} was full first, when the average cell still lacked {100 * full.behind:.1f} %"
    why = f"charged until the voltage held at its top and the current had fallen to {full.end_c:.2f} C; {gap}"
    return Anchor("full-charge", full.t, 100.0 * full.share, 100.0 * full.uncertainty, why)


def _why(anchors: tuple[Anchor, ...], pack: Pack) -> str:
    if anchors:
        return f"coulomb counting from the full charge: {anchors[0].why}"
    flat = "; on the flat LFP plateau voltage says little, a full charge in the session would settle it"
    return f"no full charge in the session; estimated from the voltage{flat if pack.chemistry == 'lfp' else ''}"


def _findings(series: SessionSeries, t: Times, belief: Belief) -> tuple[str, ...]:
    """Return where the figure of the BMS and the estimate disagree."""
    reported = series.get("soc_reported")
    if reported is None or len(t) < _LEAST_BLOCKS:
        return ()
    theirs = np.interp(t, reported.t, reported.values)
    apart = theirs - 100.0 * belief.mean
    third = max(1, len(t) // 10)
    first, last = float(np.median(apart[:third])), float(np.median(apart[-third:]))
    sure = 100.0 * float(np.median(belief.deviation))
    found = []
    if abs(last - first) > _DRIFT_PCT:
        found.append(
            f"the BMS state of charge drifted {abs(last - first):.0f} % {'up' if last > first else 'down'} "
            "against coulomb counting in this session: its counter, its capacity setting or [pack] capacity_ah is off"
        )
    if abs(last) > max(5.0, 2.5 * sure):
        found.append(
            f"at the end the BMS reports {theirs[-1]:.0f} %; the estimate is {100 * belief.mean[-1]:.0f} "
            f"± {Z90 * sure:.0f} %"
        )
    return tuple(found)
