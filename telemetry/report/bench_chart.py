"""A bench test afterwards: the signal against time, with each fault marked."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.enabled_bench import EnabledBench
from telemetry.analysis.fault_isolation.pedal_bench import PedalBench
from telemetry.model.batch import Values
from telemetry.report.bench_text import BenchTest
from telemetry.report.chart_data import Chart, Curve, Piece
from telemetry.report.text_chart import text_chart

_TITLES = {
    "throttle_voltage": ("Throttle", "V"),
    "motor_speed": ("Motor speed", "rpm"),
    "enable_voltage": ("Enable line", "V"),
    "controller_voltage": ("Voltage at the controller", "V"),
}
_COLUMNS = 140
_WIDTH, _HEIGHT = 78, 12


def bench_chart(test: BenchTest, result: PedalBench | EnabledBench) -> list[str]:
    """Return the chart as lines of at most 78 characters."""
    name = test.drawn
    t, values = test.series(name)
    if len(t) < 2:
        return []
    title, unit = _TITLES[name]
    high = float(values.max())
    curves = [Curve("signal", (_columns(t, values),))]
    top = 1.1 * max(high, 1e-3)
    falls = [fault.t for fault in result.faults] if isinstance(result, PedalBench) else list(result.falls)
    if falls:
        spots = np.array(falls) / 60.0
        level = np.full(1, 1.05 * high)
        curves.append(Curve("fault", tuple(Piece(spots[i : i + 1], level, level) for i in range(len(spots)))))
    chart = Chart(name, title, unit, tuple(curves), (0.0, float(t[-1]) / 60.0), (min(0.0, float(values.min())), top))
    return text_chart(chart, _WIDTH, _HEIGHT)


def _columns(t: Values, values: Values) -> Piece:
    """Return the lowest and highest reading of each column, so that no short fault is lost."""
    starts = np.unique(np.searchsorted(t, np.linspace(t[0], t[-1], _COLUMNS, endpoint=False)))
    return Piece(t[starts] / 60.0, np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts))
