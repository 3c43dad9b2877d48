"""What is coming, said on the way: the power of the next ten minutes of use, and the energy until a cell is empty.

Every pack is driven until its first cell is at its lowest voltage. Half of them are new, and their owners say so.
Half are used, hold 75 to 100 % of what the plate says, and nobody says how far to trust it. At some checkpoints the
report is made of what was recorded so far, and held against what came.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache

import numpy as np

from telemetry.analysis.outlook import Outlook
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.sections import Machine
from tests.calibration.case import Case
from tests.calibration.course import driving
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import drives
from tests.calibration.packs import draw_pack

STEP_S = 1.0
_PARTS = (0.4, 0.8)
"""Of the drive: the checkpoints, after ten minutes at the earliest."""
_LONGEST_MIN = 400.0
_AHEAD_S = 600.0


def draw(made_of: tuple[str, str, float], name: str, seed: int) -> Case:
    """Return a drive down to the first empty cell."""
    plate = ("new", "used")[seed % 2]
    drawn = draw_pack(seed, 79, made_of, (0.6, 1.0), plate=plate)
    session = drawn.session(STEP_S)
    session.drive(driving(_LONGEST_MIN, drawn.pack.capacity_ah, STEP_S, drawn.random))
    return drawn.case(f"{name}, {plate}", session.finished(), STEP_S)


def until(series: SessionSeries, t: int) -> SessionSeries:
    """Return what was recorded up to ``t``."""
    signals = {name: Series(s.t[s.t <= t], s.values[s.t <= t]) for name, s in series.signals.items()}
    cells = series.cells
    if cells is not None:
        cells = CellSeries(cells.t[cells.t <= t], cells.voltages[cells.t <= t], cells.numbers)
    return SessionSeries(series.name, series.start, t, series.origin, series.time_basis, signals, cells)


def used(current_a: np.ndarray, capacity_ah: float) -> np.ndarray:
    """Return which rows are use: all but stands of half a minute and more."""
    resting = np.abs(current_a) < 0.01 * capacity_ah
    edges = np.flatnonzero(np.diff(resting)) + 1
    found = [np.full(len(part), not (part[0] and len(part) >= 30)) for part in np.split(resting, edges)]
    return np.concatenate(found)


@lru_cache(maxsize=1)
def told(case: Case) -> list[tuple[int, Outlook]]:
    """Return each checkpoint's row of the truth and what the report says there."""
    places = [int(part * len(case.truth.t)) for part in _PARTS]
    reports = [
        (place, figures_of(until(case.series, int(case.truth.t[place])), Machine(pack=case.pack)))
        for place in places
        if place * STEP_S >= 600.0
    ]
    return [(place, report.outlook) for place, report in reports]


def rows_of(read: Callable[[Outlook], Range | None], ahead: bool) -> Callable[[Case], Iterator[Row]]:
    """Return rows of the next ten minutes' power or of the energy left, per cent of a full charge."""

    def rows(case: Case) -> Iterator[Row]:
        truth, pack = case.truth, case.pack
        power = truth.current_a * truth.volts.sum(axis=1)
        use = used(truth.current_a, pack.capacity_ah)
        for place, outlook in told(case):
            coming = power[place:][use[place:]][: round(_AHEAD_S / STEP_S)]
            found = read(outlook)
            if found is None or (ahead and len(coming) * STEP_S < _AHEAD_S):
                continue
            true = float(coming.mean()) if ahead else float(power[place:].sum()) * STEP_S / 3600.0
            scale = 100.0 / (pack.capacity_ah * pack.nominal_v)
            value, low, high = scale * found.mid, scale * found.low, scale * found.high
            yield Row(case.kind, case.name, place * STEP_S / 60.0, value, low, high, scale * true)

    return rows


def _power(outlook: Outlook) -> Range | None:
    return None if outlook.lately is None else outlook.lately.power_w


EVERY = drives(draw)
FIGURES = (
    Figure(
        "next-10-minutes",
        "Mean power of the next 10 minutes of use, per cent of a full charge in an hour",
        "%",
        EVERY,
        rows_of(_power, True),
        (0.7, 30.0),
    ),
    Figure(
        "energy-left",
        "Energy until the first cell is empty, per cent of a full charge",
        "%",
        EVERY,
        rows_of(lambda outlook: outlook.energy_left_wh, False),
        (0.8, 30.0),  # the tests' few are the coldest, which hold most back
    ),
)
