"""What the mean cell still lacks at the moment the first cell is full, from one charge.

All cells carry the same current, so a cell that lacks charge shows now what the first cell showed some ampere-hours
ago. Each cell's course is laid on the first cell's, which already shows the steep end of the curve.
:mod:`telemetry.analysis.cell_alignment` lays them on the middle cell's, which at this moment has no such end yet.

On the plateau of iron phosphate one percent of charge is about 1 mV, no more than two readings differ by. So every
lag is weighed by how well it explains the charge, with an unknown constant difference between the readings: as large
as the other cells scatter, or now and then a large one of a poor joint. What is given out is the mean of that
distribution and its standard deviation (Bayes' rule on a grid). Where cells and readings scatter the voltage says
little and the mean lies low: between the steep end, which is sure, and what the plateau shows.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from telemetry.model.batch import Values

STEP = 0.0025
"""Charge is counted in steps of this share of the capacity."""
LEAST_SPAN = 0.08
"""A charge that moved less than this share of the capacity tells nothing. Ours."""
SETTLING = 0.02
"""The first of a charge is left out, in which the voltages rise by polarisation. Ours."""
USUAL_LAG = 0.06
"""Lags beforehand: falling off by 1/e with this share of the capacity. Ours; cells of one batch agree within 1 to 2 %
(common practice)."""
READING_V = 0.0008
MOVED_SHARE = 0.08
"""Two cells' curves differ by this share of what the voltage moves between the two moments. Ours."""
PLACE_SHARE = 0.0015
"""A place on a curve is known to this share of the capacity. Ours."""
MOST_SPAN = 0.40
"""Only this last share of the capacity is compared. Ours."""
INDEPENDENT = 0.005
"""Deviations of a curve hang together over this share of the capacity. Ours."""
OFFSET_V = (0.0005, 0.0015)
"""One standard deviation of a constant difference between two readings, V: as much as the other cells scatter, within
these bounds. From memory: pack electronics read cells to 1 mV or so."""
JOINT_CHANCE, JOINT_V = 0.05, 0.03
"""A poor joint makes a difference of tens of millivolts: how often, and one standard deviation, V. From memory."""


class TopImbalance(NamedTuple):
    """What the mean cell lacks, as a share of the capacity, and one standard deviation of that."""

    mean: float
    deviation: float


def top_imbalance(charge_ah: Values, volts: Values, capacity_ah: float) -> TopImbalance | None:
    """Return what the mean cell lacks against the first one where the charge has come to.

    Args:
        charge_ah: charged so far, Ah, float64 (rows,), rising; at about the same current throughout.
        volts: float64 (rows, cells), resistive drops taken out as far as known; no NaN.
        capacity_ah: of the pack.

    Returns:
        None where the charge moved too little.
    """
    if float(charge_ah[-1] - charge_ah[0]) < LEAST_SPAN * capacity_ah:
        return None
    lately = charge_ah >= charge_ah[-1] - MOST_SPAN * capacity_ah
    charge_ah, volts = charge_ah[lately], volts[lately]
    place = np.floor((charge_ah[-1] - charge_ah) / (STEP * capacity_ah) + 0.5).astype(np.int64)
    place = place[0] - place
    count = np.bincount(place)
    held = np.flatnonzero(count)
    every = np.arange(len(count))
    courses = np.column_stack(
        [np.interp(every, held, np.bincount(place, weights=cell)[held] / count[held]) for cell in volts.T]
    )
    courses = courses[round(SETTLING / STEP) :]
    first = int(np.argmax(courses[-1]))
    others = np.delete(courses, first, axis=1)
    levels = others[len(others) // 2 :].mean(axis=0)
    scatter = 1.4826 * float(np.median(np.abs(levels - np.median(levels))))
    offset = float(np.clip(scatter, *OFFSET_V))
    lags = [_lag(cell, courses[:, first], offset) for cell in others.T]
    mean, deviation = np.array(lags).sum(axis=0) / courses.shape[1]
    return TopImbalance(float(mean), float(deviation))


def _lag(own: Values, first: Values, usual_offset: float) -> tuple[float, float]:
    """Return by what share of the capacity a cell lies behind the first one, and one standard deviation."""
    rows = len(own)
    lags = np.arange(rows // 2)
    compared = np.arange(rows // 2, rows)  # the same rows for every lag
    earlier = compared[None, :] - lags[:, None]
    there, slope = first[earlier], np.gradient(first, STEP)[earlier]
    left = own[compared] - there
    variance = READING_V**2 + (MOVED_SHARE * (first[compared] - there)) ** 2 + (PLACE_SHARE * slope) ** 2
    weight = STEP / INDEPENDENT / variance
    strays = 5.0 / (4.0 + left**2 / variance)  # a row far off counts less: Student's t with four degrees of freedom
    total, linear = (strays * weight).sum(axis=1), (strays * weight * left).sum(axis=1)
    chances = []
    for share, offset in ((1.0 - JOINT_CHANCE, usual_offset), (JOINT_CHANCE, JOINT_V)):
        level = linear / (total + 1.0 / offset**2)
        off = (left - level[:, None]) ** 2 / variance
        cost = (STEP / INDEPENDENT * (5.0 * np.log1p(off / 4.0) + np.log(variance))).sum(axis=1)
        cost += level**2 / offset**2 + np.log1p(offset**2 * total) + 2.0 * lags * STEP / USUAL_LAG
        chances.append(np.log(share) - 0.5 * cost)
    log_chance = np.logaddexp(*chances)
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    mean = float((chance * lags).sum())
    return STEP * mean, STEP * float(np.sqrt((chance * (lags - mean) ** 2).sum()))
