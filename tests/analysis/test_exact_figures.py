"""Every figure of some recordings, held to what it was: a change of an estimator shows as a change of figures.

``python -m tests.analysis.test_exact_figures`` takes them anew. Read each difference: these say what the program
says, not what is true. What is true is asked by the reference packs, the worked examples and the calibration.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.analysis.series import CellSeries, Series, SessionSeries, read_series, with_extreme_cells
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import Machine, load_machine, parse_machine
from telemetry.recordings.reading import open_recording
from telemetry.report.session_report import report_object

ROOT = Path(__file__).parents[2]
FOLDER = Path(__file__).parent / "exact_figures"
PACKS = ROOT / "tests" / "reference" / "packs"
TRUTH = json.loads((PACKS / "reference_packs.json").read_text())
CLOSE = 1e-4
"""Relative: far below what any figure promises, far above what another version of numpy changes."""


@cache
def series_of(path: Path) -> SessionSeries:
    return read_series(open_recording(path))


def session(name: str, machine: str) -> tuple[SessionSeries, Machine]:
    return series_of(ROOT / "replay_data" / f"{name}.csv.gz"), load_machine(ROOT / "replay_data" / f"{machine}.toml")


def mow() -> tuple[SessionSeries, Machine]:
    return session("orchard-mow", "orchard")


def pack(name: str) -> tuple[SessionSeries, Machine]:
    """Return a pack that PyBaMM simulated, and a machine file that states no more than its owner would know."""
    truth = TRUTH[name]
    text = f'[pack]\nchemistry = "{truth["chemistry"]}"\ncells_in_series = {truth["cells"]}\n'
    machine, _ = parse_machine(f"{text}capacity_ah = {truth['capacity_ah']}\n", "pack.toml")
    assert machine is not None
    return series_of(PACKS / f"{name}.csv.gz"), machine


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
    return every_second(few), machine


def extremes_only() -> tuple[SessionSeries, Machine]:
    series, machine = session("market-round", "market")
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
    series, machine = session("evening-charge", "orchard")
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
    "evening-charge": lambda: session("evening-charge", "orchard"),
    "market-round": lambda: session("market-round", "market"),
    "few-signals-every-second": few_signals,
    "extreme-cells-only": extremes_only,
    "wrong-sign": wrong_sign,
    "wrong-capacity": wrong_capacity,
    "late-start-of-a-charge": late_start,
    **{name: lambda name=name: pack(name) for name in sorted(TRUTH)},  # type: ignore[misc]
}


def found(case: str) -> Any:
    series, machine = CASES[case]()
    report = report_object(figures_of(series, machine), with_series=True)
    report["soc"]["series"] = report["soc"]["series"][::12]
    return json.loads(json.dumps(report, allow_nan=False))


def differences(one: Any, other: Any, where: str = "") -> list[str]:
    """Return where two objects of JSON differ by more than :data:`CLOSE`."""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = sorted({*one, *other})
        return [
            each for key in keys for each in differences(one.get(key, ...), other.get(key, ...), f"{where}.{key}")
        ]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return [each for at, (a, b) in pairs for each in differences(a, b, f"{where}[{at}]")]
    if isinstance(one, float | int) and isinstance(other, float | int):
        return [] if one == pytest.approx(other, rel=CLOSE, abs=1e-6) else [f"{where}: {one} was {other}"]
    return [] if one == other else [f"{where}: {one!r} was {other!r}"]


@pytest.mark.parametrize("case", CASES)
def test_no_figure_changes_unseen(case: str) -> None:
    before = json.loads((FOLDER / f"{case}.json").read_text(encoding="utf-8"))
    assert differences(found(case), before) == []


if __name__ == "__main__":
    for case in CASES:
        (FOLDER / f"{case}.json").write_text(json.dumps(found(case), indent=1) + "\n", encoding="utf-8")
