"""Cells against one another, the pack's capacity and energy: what the report says once of each session."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from telemetry.analysis.capacity import find_capacity
from telemetry.analysis.cell_findings import CellFindings
from telemetry.analysis.current_offset import find_offset
from telemetry.analysis.ranges import Z90
from telemetry.analysis.series import Series
from telemetry.analysis.session_figures import figures_of, find_cells
from telemetry.analysis.state_of_charge import estimate_charge
from telemetry.machine.sections import Machine
from tests.calibration.case import Case
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import kinds

MOST_OFF_A = 4.0
COURSES = ("drive", "charge-then-drive", "drive-then-charge", "drive-to-empty", "drive-to-empty-then-charge")


@lru_cache(maxsize=1)
def compared(case: Case) -> CellFindings:
    """Return what the report says of a case's cells."""
    found = find_cells(case.series, Machine(pack=case.pack))
    return CellFindings() if found is None else found


def _once(case: Case, value: float, deviation: float, truth: float, cell: int | None = None) -> Row:
    half = Z90 * deviation
    return Row(case.kind + _which(case, cell), case.name, 0.0, value, value - half, value + half, truth)


def _which(case: Case, cell: int | None) -> str:
    if cell is None or case.truth.fault == "none" or cell != case.truth.odd:
        return ""
    return f", odd {case.kind[:3]} cell after {'a full charge' if 'charge' in case.kind else 'use alone'}"


def difference_rows(case: Case) -> Iterator[Row]:
    """Yield what each cell lacked against the middle one where the session's cells were fullest, %."""
    found = compared(case)
    charge = np.cumsum(case.truth.current_a)
    shares = case.truth.share[int(np.argmin(charge))]
    for each in found.charges:
        lacks = 100.0 * float(np.median(shares) - shares[each.number - 1])
        yield _once(case, each.missing_top_pct, each.missing_top_uncertainty_pct, lacks, each.number - 1)


def share_rows(case: Case) -> Iterator[Row]:
    """Yield each cell's capacity in per cent of the middle cell's, where it is stated."""
    found = compared(case)
    capacity = case.truth.capacity_ah
    for each in found.charges:
        if each.capacity_pct is not None and each.capacity_uncertainty_pct is not None:
            truth = 100.0 * float(capacity[each.number - 1] / np.median(capacity))
            yield _once(case, each.capacity_pct, each.capacity_uncertainty_pct, truth, each.number - 1)


def cell_rows(case: Case) -> Iterator[Row]:
    """Yield the ampere-hours of a cell that is said to have low capacity."""
    for each in compared(case).odd:
        if each.capacity_ah is not None and each.capacity_uncertainty_ah is not None:
            truth = float(case.truth.capacity_ah[each.cell - 1])
            yield _once(case, each.capacity_ah, each.capacity_uncertainty_ah, truth)


def capacity_rows(case: Case) -> Iterator[Row]:
    """Yield the usable capacity: charge over the swing of the mean share of its cells."""
    offset = find_offset(case.series, case.pack)
    found = find_capacity(case.series, case.pack, offset, estimate_charge(case.series, case.pack, offset))
    if found.usable_ah is not None and found.uncertainty_ah is not None:
        truth = 1.0 / float(np.mean(1.0 / case.truth.capacity_ah))
        yield _once(case, 100.0 * found.usable_ah / truth, 100.0 * found.uncertainty_ah / truth, 100.0)


def far_off_rows(case: Case) -> Iterator[Row]:
    """Yield the energy out by a current sensor that is up to 4 A off."""
    drawn = float(np.random.default_rng([case.seed, 89]).uniform(-MOST_OFF_A, MOST_OFF_A))
    current = case.series.signals["pack_current"]
    off = Series(current.t, np.round(current.values + drawn - case.truth.offset_a, 6))
    series = replace(case.series, signals={**case.series.signals, "pack_current": off})
    kind = f"{case.kind}, {int(abs(drawn))} to {int(abs(drawn)) + 1} A {'too much' if drawn > 0.0 else 'too little'}"
    yield from energy_rows(replace(case, kind=kind, series=series))


def energy_rows(case: Case) -> Iterator[Row]:
    """Yield the energy out of the pack, in per cent of the true one."""
    totals = figures_of(replace(case.series, cells=None), Machine(pack=case.pack)).totals  # without cells: the same
    if totals.energy_out_wh is None:
        return
    power = (case.truth.current_a * case.truth.volts.sum(axis=1))[case.truth.t <= case.series.end]
    step_h = float(case.truth.t[1] - case.truth.t[0]) / 3.6e9
    out = np.maximum(power, 0.0)
    truth = float((out[1:] + out[:-1]).sum()) / 2.0 * step_h
    off = totals.uncertainty["energy_out_wh"]
    yield _once(case, 100.0 * totals.energy_out_wh / truth, 100.0 * off / truth, 100.0)


EVERY = kinds(*COURSES)
EMPTIED = kinds("charge-then-empty")
FIGURES = (
    Figure("cell-charge-difference", "Charge a cell lacks where fullest", "%", EVERY, difference_rows, (0.75, 6.0)),
    Figure("cell-capacity-share", "Capacity of each cell against the middle one", "%", EVERY, share_rows, None),
    Figure("cell-capacity", "Capacity of a cell named as low", "Ah", EVERY, cell_rows, None),
    Figure("capacity", "Usable capacity of the pack, per cent of the true one", "%", EMPTIED, capacity_rows, None),
    Figure("energy", "Energy out", "% of it", kinds("drive"), energy_rows, (0.75, 4.0)),
    Figure(
        "energy-far-off",
        "Energy out by a current sensor up to 4 A off",
        "% of it",
        kinds("drive"),
        far_off_rows,
        (0.75, 25.0),
    ),
)
