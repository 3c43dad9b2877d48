"""What instruments show of a run: late, off, noisy, in steps, and not everything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from telemetry.analysis.series import CellSeries, Series, SessionSeries
from tests.calibration.course import Run


@dataclass(frozen=True, eq=False)
class Instruments:
    """Errors as drawn, a few usual ones (common practice for shunts, Hall sensors and BMS cell measurement).

    Attributes:
        gain, offset_a, step_a: of the current sensor.
        cell_off_v: each cell's own reading error, V; ``volt_gain`` all cells' and the pack's in common.
        lag_s: cells are read that much before their row; ``scan_s`` more from the first to the last.
        temperature: whether one is recorded; ``cells``: whether cell voltages are.
        every_s: between rows.
    """

    gain: float
    offset_a: float
    step_a: float
    cell_off_v: np.ndarray
    volt_gain: float
    lag_s: float
    scan_s: float
    temperature: bool
    cells: bool
    every_s: float

    @classmethod
    def drawn(
        cls, random: np.random.Generator, cells: int, capacity_ah: float, every_s: float, *, see_cells: bool = True
    ) -> Instruments:
        scale = capacity_ah / 100.0
        return cls(
            1.0 + random.uniform(-0.01, 0.01),
            scale * random.uniform(-0.4, 0.4),
            float(random.choice([0.01, 0.1, 0.1, 0.2])),
            random.normal(0.0, 0.0015, cells),
            1.0 + random.uniform(-0.001, 0.001),
            random.uniform(0.0, 0.6),
            float(random.choice([0.0, 0.0, 0.3])),
            bool(random.random() < 0.7),
            see_cells,
            every_s,
        )


def recorded(run: Run, with_: Instruments, celsius: float, random: np.random.Generator) -> SessionSeries:
    """Return the session that the instruments record."""
    grid = np.arange(len(run.current_a)) * run.dt
    seconds = np.arange(0.0, grid[-1], with_.every_s)
    t = np.round(seconds * 1e6).astype(np.int64)
    count = run.volts.shape[1]
    seen = with_.gain * np.interp(seconds, grid, run.current_a) + with_.offset_a + random.normal(0.0, 0.05, len(t))
    pack = with_.volt_gain * np.interp(seconds, grid, run.volts.sum(axis=1)) + random.normal(0.0, 0.005, len(t))
    signals = {"pack_current": Series(t, _steps(seen, with_.step_a)), "pack_voltage": Series(t, _steps(pack, 0.01))}
    cells = np.empty((len(t), count))
    for cell in range(count):
        late = with_.lag_s + with_.scan_s * cell / max(count - 1, 1)
        read = with_.volt_gain * np.interp(seconds - late, grid, run.volts[:, cell]) + with_.cell_off_v[cell]
        cells[:, cell] = _steps(read + random.normal(0.0, 0.0005, len(t)), 0.001)
    whole = None
    if with_.cells:
        whole = CellSeries(t, cells, tuple(range(1, count + 1)))
        signals |= {f"cell_{cell + 1:02d}_voltage": Series(t, cells[:, cell].copy()) for cell in range(count)}
    if with_.temperature:
        signals["pack_temperature_1"] = Series(t, _steps(celsius + random.normal(0.0, 0.2, len(t)), 1.0))
    return SessionSeries("drawn", 0, int(t[-1]), 0, "relative", signals, whole)


def _steps(values: np.ndarray, step: float) -> np.ndarray:
    return np.asarray(np.round(np.round(values / step) * step, 6))
