"""How long the figures of a session's work take: one hour of 24 signals at 10 Hz, with position, on one core.

    .venv/bin/python tests/benchmarks/bench_work.py

Totals, phases, the implement's cost, area, work, charging, storage, outlook and what is wrong with the evidence. The
goal is 0.3 s together.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from telemetry.analysis.charging import ChargeFacts, find_charging
from telemetry.analysis.evidence import find_evidence
from telemetry.analysis.outlook import find_outlook
from telemetry.analysis.phase_implement import implement_cost
from telemetry.analysis.phases import find_phases
from telemetry.analysis.ranges import Range
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.session_power import find_power
from telemetry.analysis.storage import find_storage
from telemetry.analysis.totals import find_totals
from telemetry.analysis.work_session import session_work
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.machine.vehicle_keys import Vehicle, Work

GOAL_S = 0.3


def session() -> SessionSeries:
    """Return an hour at 10 Hz: mowing in rows with turns, then a charge; 16 cells and 8 other signals."""
    rng = np.random.default_rng(1)
    seconds = np.arange(0, 3600, 0.1)
    t = np.round(seconds * 1e6).astype(np.int64)
    mows = (seconds % 90 < 75) & (seconds < 2400)
    amperes = np.where(mows, 45.0, np.where(seconds < 2400, 8.0, np.where(seconds < 2500, 0.3, -15.0)))
    amperes = amperes + rng.normal(0, 2, len(t))
    volts = 52.5 - seconds / 3600 - 0.02 * amperes + rng.normal(0, 0.02, len(t))
    speed = np.where(seconds < 2400, np.where(mows, 5.0, 6.0), 0.0)
    way = np.cumsum(speed / 3.6 * 0.1)
    row, along = np.divmod(way, 100.0)
    east, north = np.where(row % 2 == 0, along, 100.0 - along), row * 1.0
    signals = {
        "pack_voltage": volts,
        "pack_current": amperes,
        "vehicle_speed": speed,
        "implement_engaged": mows.astype(float),
        "latitude": 47.0 + north / 111_180 + rng.normal(0, 1e-6, len(t)),
        "longitude": 8.0 + east / 76_060 + rng.normal(0, 1e-6, len(t)),
        "soc_reported": 90 - 10 * seconds / 3600,
        "charger_input_power": np.where(amperes < -5, 900.0, 0.0),
    }
    cells = volts[:, None] / 16 + rng.normal(0, 0.001, (len(t), 16))
    return SessionSeries(
        "made up",
        int(t[0]),
        int(t[-1]),
        0,
        "relative",
        {name: Series(t, values) for name, values in signals.items()},
        CellSeries(t, cells, tuple(range(1, 17))),
    )


def main() -> None:
    """Print the best of five of every part, and the sum."""
    series = session()
    machine = Machine(
        pack=Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0, balance_current_ma=100.0),
        vehicle=Vehicle(working_width_m=1.1),
        work=Work(tariff_per_kwh=0.3),
    )
    power = find_power(series)
    phases = find_phases(series, power, 100.0, has_implement=True)
    spans = [[(p.start, p.end) for p in phases.of(*kinds)] for kinds in (("work",), ("drive", "rest"))]
    per_wh = Range(0.008, 0.01, 0.012)
    facts = ChargeFacts(chemistry=machine.pack.cell, cells_in_series=16, capacity_ah=100.0)
    parts: dict[str, Callable[[], object]] = {
        "power": lambda: find_power(series),
        "totals": lambda: find_totals(series, 0.1, 0.05, power=power),
        "phases": lambda: find_phases(series, power, 100.0, has_implement=True),
        "implement": lambda: implement_cost(series, power, *spans),
        "area and work": lambda: session_work(series, power, phases, machine),
        "charging": lambda: find_charging(series, power, phases.of("charge"), facts),
        "storage": lambda: find_storage(
            series, power, phases.of("rest"), offset_uncertainty_a=0.05, capacity_ah=100.0
        ),
        "outlook": lambda: find_outlook(power, phases, Range(50, 60, 70), per_wh, per_wh),
        "evidence": lambda: find_evidence(series, machine, power),
    }
    session_work(series, power, phases, machine)  # imports shapely and geographiclib
    total = 0.0
    for name, part in parts.items():
        times = []
        for _ in range(5):
            start = time.process_time()
            part()
            times.append(time.process_time() - start)
        total += min(times)
        print(f"{name:>14}: {1000 * min(times):7.1f} ms")
    print(f"{'all':>14}: {1000 * total:7.1f} ms (goal {1000 * GOAL_S:.0f})")


if __name__ == "__main__":
    main()
