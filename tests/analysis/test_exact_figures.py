"""Every figure of some recordings, held to what it was: a change of an estimator shows as a change of figures.

``python -m tests.analysis.test_exact_figures`` takes them anew. Read each difference: these say what the program
says, not what is true. What is true is asked by the reference packs, the worked examples and the calibration.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.analysis.series import CellSeries, Series, SessionSeries, read_series, with_extreme_cells
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import Machine
from telemetry.model.recording import Recording
from telemetry.report.session_report import report_json, report_of
from tests.kept_answers import TRUTH, KeptAnswers, reference_pack, session


def read(recorded: tuple[Recording, Machine]) -> tuple[SessionSeries, Machine]:
    return read_series(recorded[0]), recorded[1]


def mow() -> tuple[SessionSeries, Machine]:
    return read(session("orchard-mow", "orchard"))


def every_second(series: SessionSeries) -> SessionSeries:
    """Return about one row a second, as many links give."""

    def thin(t: np.ndarray) -> np.ndarray:
        return np.flatnonzero(np.diff(t // 1_000_000, prepend=-1) > 0)

    signals = {name: Series(each.t[thin(each.t)], each.values[thin(each.t)]) for name, each in series.signals.items()}
    cells = series.cells
    if cells is not None:
        cells = CellSeries(cells.t[thin(cells.t)], cells.voltages[thin(cells.t)], cells.numbers)
    return replace(series, signals=signals, cells=cells)


def without(series: SessionSeries, *names: str) -> SessionSeries:
    return replace(series, signals={name: each for name, each in series.signals.items() if name not in names})


def few_signals() -> tuple[SessionSeries, Machine]:
    series, machine = mow()
    few = without(series, "throttle", "latitude", "longitude", "implement_engaged", "controller_voltage")
    return every_second(few), replace(machine, work=replace(machine.work, area_ha=None))


def extremes_only() -> tuple[SessionSeries, Machine]:
    series, machine = read(session("market-round", "market"))
    return replace(with_extreme_cells(series), cells=None), machine


def wrong_sign() -> tuple[SessionSeries, Machine]:
    series, machine = mow()
    current = series.signals["pack_current"]
    return replace(series, signals=series.signals | {"pack_current": Series(current.t, -current.values)}), machine


def wrong_capacity() -> tuple[SessionSeries, Machine]:
    series, machine = mow()
    return series, replace(machine, pack=replace(machine.pack, capacity_ah=10.5))


def late_start() -> tuple[SessionSeries, Machine]:
    """Return the end of a charge: somebody plugged the laptop in when it was nearly full."""
    series, machine = read(session("evening-charge", "orchard"))
    middle = (series.start + series.end) // 2

    def later(each: Series) -> Series:
        return Series(each.t[each.t >= middle], each.values[each.t >= middle])

    signals = {name: later(each) for name, each in series.signals.items() if each.t[-1] >= middle}
    cells = series.cells
    if cells is not None:
        rows = cells.t >= middle
        cells = CellSeries(cells.t[rows], cells.voltages[rows], cells.numbers)
    return replace(series, start=middle, signals=signals, cells=cells), machine


CASES: Mapping[str, Callable[[], tuple[SessionSeries, Machine]]] = {
    "orchard-mow": mow,
    "evening-charge": lambda: read(session("evening-charge", "orchard")),
    "market-round": lambda: read(session("market-round", "market")),
    "few-signals-every-second": few_signals,
    "extreme-cells-only": extremes_only,
    "wrong-sign": wrong_sign,
    "wrong-capacity": wrong_capacity,
    "late-start-of-a-charge": late_start,
    **{name: lambda name=name: read(reference_pack(name)) for name in sorted(TRUTH)},  # type: ignore[misc]
}


def found(case: str) -> Any:
    series, machine = CASES[case]()
    report = report_json(report_of(figures_of(series, machine), with_series=True))
    report["soc"]["series"] = report["soc"]["series"][::12]
    return report


KEPT = KeptAnswers(Path(__file__).parent / "exact_figures", found)


@pytest.mark.parametrize("case", CASES)
def test_no_figure_changes_unseen(case: str) -> None:
    assert KEPT.differences(case) == []


if __name__ == "__main__":
    KEPT.take_anew(CASES)
