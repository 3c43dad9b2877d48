"""Small drives whose figures can be worked out by hand, and machines to hold them against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.machine.sections import Machine
from telemetry.machine.vehicle_keys import Vehicle

SECOND = 1_000_000
CELLS = 24

MACHINE = Machine(
    pack=Pack(
        chemistry="lfp",
        cells_in_series=CELLS,
        capacity_ah=105.0,
        continuous_discharge_a=150.0,
        peak_discharge_a=300.0,
        peak_discharge_s=10.0,
        continuous_charge_a=60.0,
        low_cutoff_v=60.0,
        high_cutoff_v=87.6,
    ),
    wiring=Wiring(conductor_mm2=35.0, insulation_c=90, one_way_length_m=1.4, fuse_a=200.0, connector_a=175.0),
    vehicle=Vehicle(minimum_voltage_v=60.0, maximum_voltage_v=92.0, controller_current_a=200.0),
)


def machine(**pack):
    """Return the machine with some of its pack's keys changed."""
    return replace(MACHINE, pack=replace(MACHINE.pack, **pack))


def drive(
    seconds: int = 900,
    hz: int = 2,
    *,
    amperes: float = 120.0,
    ohm: float = 0.03,
    path_ohm: float = 0.003,
    celsius: float = 25.0,
    without: tuple[str, ...] = (),
    changed: Mapping[str, float] | None = None,
) -> SessionSeries:
    """Return a drive with pulls of ``amperes`` for 20 s and 20 A for 20 s by turns, on a plateau of 79.2 V.

    Args:
        without: signals left out; ``cells`` for all single cells.
        changed: a constant added to a signal over its second half.
    """
    t = (np.arange(seconds * hz) * SECOND // hz).astype(np.int64)
    current = np.where((t // (20 * SECOND)) % 2 == 1, amperes, 20.0)
    rng = np.random.default_rng(5)
    volts = 79.2 - ohm * current + rng.normal(0, 0.002, len(t))
    warm = celsius + 5.0 * np.arange(len(t)) / len(t)
    columns = {
        "pack_current": current + rng.normal(0, 0.05, len(t)),
        "pack_voltage": volts,
        "controller_voltage": volts - path_ohm * current,
        "pack_temperature_1": warm,
        "motor_temperature": warm + 10.0,
        "controller_temperature": warm + 5.0,
    }
    half = np.arange(len(t)) >= len(t) // 2
    for name, more in (changed or {}).items():
        if name in columns:
            columns[name] = columns[name] + more * half
    signals = {name: Series(t, values) for name, values in columns.items() if name not in without}
    cells = None
    if "cells" not in without:
        each = np.repeat((volts / CELLS)[:, None], CELLS, axis=1) + rng.normal(0, 0.0005, (len(t), CELLS))
        each[:, 16] += (changed or {}).get("cell_17_voltage", 0.0) * half
        cells = CellSeries(t, each, tuple(range(1, CELLS + 1)))
        for number in range(CELLS):
            signals[f"cell_{number + 1:02d}_voltage"] = Series(t, each[:, number])
    return SessionSeries("drive", 0, int(t[-1]), 0, "relative", signals, cells)
