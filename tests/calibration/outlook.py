"""What is coming, said on the way: the power of the next ten minutes of use, and the energy until a cell is empty.

Every pack is driven until its first cell is at its lowest voltage. Half of them are new, and their owners say so.
Half are used, hold 75 to 100 % of what the plate says, and nobody says how far to trust it. At some checkpoints the
report is made of what was recorded so far, and held against what came.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache, partial

import numpy as np

from telemetry.analysis.outlook import Outlook
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from tests.calibration.case import Case, Kind, Truth
from tests.calibration.course import Session, driving
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import CELSIUS, FAULTS, MAKERS, drawn_fault
from tests.calibration.sensors import Instruments, recorded

STEP_S = 1.0
_PARTS = (0.4, 0.8)
"""Of the drive: the checkpoints, after ten minutes at the earliest."""
_LONGEST_MIN = 400.0
_AHEAD_S = 600.0


def draw(source: str, chemistry: str, celsius: float, name: str, seed: int) -> Case:
    """Return a drive down to the first empty cell."""
    random = np.random.default_rng([seed, 79, ("lfp", "nmc").index(chemistry), int(celsius)])
    count = int(random.choice([16, 24] if chemistry == "lfp" else [14, 20]))
    stated = float(random.choice([40.0, 60.0, 105.0, 150.0]))
    which = str(random.choice(FAULTS))
    fault = (which, int(random.integers(count)), drawn_fault(which, random))
    used = bool(random.random() < 0.5)
    held = stated * (float(random.uniform(0.75, 1.0)) if used else 1.0)
    error = None if used else 3.0
    pack = Pack(chemistry=chemistry, cells_in_series=count, capacity_ah=stated, capacity_error_percent=error)
    cells = MAKERS[source](chemistry, celsius, count, held, float(random.uniform(0.6, 1.0)), fault, random)
    session = Session(cells, pack.cell, stated, STEP_S)
    session.drive(driving(_LONGEST_MIN, stated, STEP_S, random))
    run = session.finished()
    instruments = Instruments.drawn(random, count, stated, STEP_S)
    series = recorded(run, instruments, celsius, random)
    t = np.round(np.arange(len(run.current_a)) * run.dt * 1e6).astype(np.int64)
    errors = (instruments.gain, instruments.offset_a, instruments.lag_s + instruments.scan_s / 2)
    capacity = np.array(session.capacity_ah)
    truth = Truth(t, run.current_a, run.volts, run.share, capacity, celsius, *fault, *errors)
    return Case(name, seed, series, pack, truth)


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


def kinds() -> tuple[Kind, ...]:
    """Return the kinds: every source, chemistry and temperature."""
    found = []
    for source in MAKERS:
        for chemistry in ("lfp", "nmc"):
            for celsius in CELSIUS:
                name = f"{chemistry}, {celsius:g} °C, {source}"
                found.append(
                    Kind(name, source, chemistry, celsius, "drive", partial(draw, source, chemistry, celsius, name))
                )
    return tuple(found)


def _power(outlook: Outlook) -> Range | None:
    return None if outlook.lately is None else outlook.lately.power_w


EVERY = kinds()
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
        (0.8, 25.0),
    ),
)
