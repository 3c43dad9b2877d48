"""Internal resistance over 1 s and 10 s, of packs read at 5 and at 1 rows a second, with every kind of fault.

The truth is a pulse: the drive's own cells, set aside at some moment and rested for an hour, then a step to 0.3 of
the capacity an hour, and the drop of the pack's voltage 1 s and 10 s later. So hysteresis is as the drive left it: of
iron phosphate half-way between its branches, the voltage drops up to 4 % further. The mean over sixty moments of the
drive counts: a pulse follows every kink of the open-circuit curve that it meets, so a few say little of the drive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np

from telemetry.analysis.ranges import Z90
from telemetry.analysis.resistance import Resistance, find_resistance
from telemetry.analysis.series import Series, SessionSeries
from telemetry.analysis.stretch import find_stretch
from tests.calibration.case import Case
from tests.calibration.course import CellModel, Run, driving
from tests.calibration.figure import Figure, Row
from tests.calibration.kinds import drives
from tests.calibration.packs import DrawnPack, draw_pack

STEP_S = 0.2
_PULSE_C = 0.3
_MOMENTS = 60
"""Of a drive, each with its pulse: a cell's resistance may double within 5 % of its charge."""
_REST_S = 3600.0


def draw(every_s: float, made_of: tuple[str, str, float], name: str, seed: int) -> Case:
    """Return a drive of one pack, most of an hour at the most, and its pulses in ``Truth``."""
    drawn = draw_pack(seed, round(770 + 10 * every_s), made_of, (0.5, 0.95))
    run, pulses = drive(drawn, STEP_S)
    return drawn.case(name, run, every_s, **pulses)


def drive(drawn: DrawnPack, step_s: float) -> tuple[Run, dict[str, np.ndarray]]:
    """Return a drive in steps of ``step_s``, and ``pulse_share`` and ``pulse_ohm`` of ``Truth``."""
    random, stated, session = drawn.random, drawn.pack.capacity_ah, drawn.session(step_s)
    found = []
    for part in np.array_split(driving(float(random.uniform(20, 50)), stated, step_s, random), _MOMENTS):
        if not session.drive(part):
            break
        found.append((float(drawn.cells.share.mean()), pulse(drawn.cells, _PULSE_C * stated)))
    shares, ohms = zip(*sorted(found, key=lambda each: each[0]), strict=True)
    return session.finished(), {"pulse_share": np.array(shares), "pulse_ohm": np.array(ohms)}


def pulse(driven: CellModel, amperes: float) -> np.ndarray:
    """Return the drop of each cell's voltage 1 s and 10 s after a step from rest, over the step, ohm, (cells, 2)."""
    cells = deepcopy(driven)
    before = cells.step(0.0, _REST_S)
    volts = [cells.step(amperes, STEP_S) for _ in range(round(10.0 / STEP_S))]
    after = np.stack([volts[round(1.0 / STEP_S) - 1], volts[-1]], axis=1)
    return np.asarray((before[:, None] - after) / amperes)


@lru_cache(maxsize=1)
def told(case: Case) -> Resistance:
    """Return what the report says of the pack's resistance."""
    return find_resistance(case.series, case.pack)


def rows_of(which: int) -> Callable[[Case], Iterator[Row]]:
    """Return what the report says of the pack, as per cent of the truth, over 1 s (0) or 10 s (1)."""

    def rows(case: Case) -> Iterator[Row]:
        found = told(case)
        mohm = (found.pack_mohm, found.pack_10s_mohm)[which]
        off = (found.pack_uncertainty_mohm, found.pack_10s_uncertainty_mohm)[which]
        if mohm is None or off is None:
            return
        percent = 0.1 / float(case.truth.pulse_ohm[:, :, which].sum(axis=1).mean())
        value, half = percent * mohm, Z90 * percent * off
        yield Row(case.kind, case.name, 0.0, value, value - half, value + half, 100.0)

    return rows


def ratio_rows(case: Case) -> Iterator[Row]:
    """Return what the report says of each cell's resistance over the middle cell's, %."""
    ohm = case.truth.pulse_ohm[:, :, 0].mean(axis=0)
    odd = case.truth.odd if case.truth.fault != "none" else -1
    for place, cell in enumerate(told(case).cells):
        value, half = 100.0 * cell.ratio, 100.0 * Z90 * cell.ratio_uncertainty
        kind = case.kind + (f", {case.truth.fault} cell" if place == odd else "")
        truth = 100.0 * float(ohm[place] / np.median(ohm))
        yield Row(kind, case.name, 0.0, value, value - half, value + half, truth)


SPANS_S = (45, 80, 160, 320, 640)
"""Lengths of the spans that somebody may put the cursor on."""


def rows_of_spans(case: Case) -> Iterator[Row]:
    """Return what the traces say of spans of each length at drawn places, as per cent of the truth over 10 s."""
    random = np.random.default_rng([case.seed, 79])
    for length in SPANS_S:
        if case.series.duration_s < length:
            continue
        first = int(random.uniform(case.series.start, case.series.end - 1e6 * length))
        last = round(first + 1e6 * length)
        found = find_stretch(part_of(case.series, first, last), case.pack)
        mohm, half = found.resistance_mohm, found.resistance_bound_mohm
        if mohm is None or half is None:
            continue
        shares = case.truth.share[(case.truth.t >= first) & (case.truth.t <= last)].mean(axis=1)
        slow = case.truth.pulse_ohm[:, :, 1].sum(axis=1)
        percent = 0.1 / float(np.interp(shares, case.truth.pulse_share, slow).mean())
        value, off = percent * mohm, percent * half
        kind = f"{case.kind}, span of {length} s"
        yield Row(kind, f"{case.name} {length}", 0.0, value, value - off, value + off, 100.0)


def part_of(series: SessionSeries, first: int, last: int) -> SessionSeries:
    """Return the rows from ``first`` to ``last``, both included, microseconds."""

    def cut(t: np.ndarray) -> slice:
        return slice(*np.searchsorted(t, (first, last + 1)).tolist())

    signals = {name: Series(each.t[cut(each.t)], each.values[cut(each.t)]) for name, each in series.signals.items()}
    return replace(series, start=first, end=last, signals=signals, cells=None)


EVERY = tuple(kind for every_s in (0.2, 1.0) for kind in drives(partial(draw, every_s), f"{1 / every_s:g} Hz"))
FIGURES = (
    Figure("resistance-1s", "Internal resistance, 1 s, per cent of the true one", "%", EVERY, rows_of(0), (0.8, 6.0)),
    Figure(
        "resistance-10s", "Internal resistance, 10 s, per cent of the true one", "%", EVERY, rows_of(1), (0.8, 8.0)
    ),
    Figure(
        "resistance-span",
        "Internal resistance of a span in the traces, 10 s, per cent of the true one",
        "%",
        EVERY,
        rows_of_spans,
        None,
    ),
    Figure(
        "resistance-cell",
        "Internal resistance of a cell, 1 s, per cent of the middle one's",
        "%",
        EVERY,
        ratio_rows,
        None,
    ),
)
