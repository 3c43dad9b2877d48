"""Drives of the simulated machines, whole or with a source that repeats itself; for several tests. Invented data."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from drivers.simulated.machine import SimulatedMachine
from telemetry.model.batch import MICROSECONDS, Batch, Group
from tests.reference.drives import DriveRecording

PACK = ("pack_voltage", "pack_current", "soc_reported", "discharge_allowed", "charge_allowed")
SOURCES = {"pack": "pack", "cells": "cells", "vehicle": "controller", "wall": "meter"}
Batches = tuple[Batch, ...]


@cache
def drive(scenario: str, seed: int, seconds: int, rate_hz: float, fault: str | None = None) -> Batches:
    """Return a drive as three sources: pack, cells and controller."""
    machine = SimulatedMachine(scenario, seed, 0, "one", rate_hz, fault=fault)
    batches = machine.advance_to(seconds * MICROSECONDS - 1)
    return tuple(Batch(Group(SOURCES[b.group.name], b.group.name, b.group.signals), b.t, b.values) for b in batches)


def is_of_pack(signal: str) -> bool:
    """Tell whether a signal comes from the pack's own electronics."""
    return signal in PACK or signal.startswith(("cell_", "pack_temperature_"))


def frozen(batches: Batches, signals: Sequence[str], start_s: float, end_s: float) -> Batches:
    """Return ``batches`` with the named signals repeating their last value from ``start_s`` to before ``end_s``."""
    out = []
    for batch in batches:
        values = batch.values.copy()
        within = (batch.t >= start_s * MICROSECONDS) & (batch.t < end_s * MICROSECONDS)
        for place, signal in enumerate(batch.group.signals):
            if signal in signals:
                known = ~np.isnan(values[:, place])
                before = np.flatnonzero(known & (batch.t < start_s * MICROSECONDS))
                values[within & known, place] = values[before[-1], place]
        out.append(Batch(batch.group, batch.t, values))
    return tuple(out)


def signals_of(batches: Batches, *sources: str) -> tuple[str, ...]:
    """Return the signals of some sources."""
    return tuple(s for b in batches if b.group.source in sources for s in b.group.signals)


def coarse(batches: Batches, volts: int = 1, amperes: int = 0) -> Batches:
    """Return ``batches`` with voltages (not the cells') and currents rounded to so many decimals."""
    decimals = {"pack_voltage": volts, "controller_voltage": volts, "pack_current": amperes, "motor_current": amperes}
    out = []
    for batch in batches:
        columns = [
            np.round(batch.values[:, place], decimals.get(signal, 9))
            for place, signal in enumerate(batch.group.signals)
        ]
        out.append(Batch(batch.group, batch.t, np.column_stack(columns)))
    return tuple(out)


def thinned(batches: Batches, every: int) -> Batches:
    """Return every so many rows."""
    return tuple(Batch(b.group, b.t[::every], b.values[::every].copy()) for b in batches)


def flat(batches: Batches, held: bool = False) -> Batches:
    """Return one table; a slower source's values are unknown between its rows, or ``held`` as a logger holds them."""
    t = np.unique(np.concatenate([batch.t for batch in batches]))
    columns = []
    for batch in batches:
        at = np.searchsorted(t, batch.t)
        for place in range(len(batch.group.signals)):
            column = np.full(len(t), np.nan)
            column[at] = batch.values[:, place]
            if held:
                last = np.maximum.accumulate(np.where(np.isnan(column), 0, np.arange(len(t))))
                column = column[last]
            columns.append(column)
    names = tuple(signal for batch in batches for signal in batch.group.signals)
    return (Batch(Group("recording", "recording", names), t, np.column_stack(columns)),)


def recording(batches: Batches, name: str = "drive") -> DriveRecording:
    """Return ``batches`` as a recording whose times count from its start."""
    return DriveRecording(name, batches)


def write_csv(batches: Batches, path) -> None:
    """Write the one table of ``flat`` in the recordings' own form."""
    (batch,) = batches
    lines = [",".join(("t", *batch.group.signals))]
    for at, row in zip((batch.t / MICROSECONDS).tolist(), batch.values.tolist(), strict=True):
        lines.append(",".join([f"{at:.3f}", *("" if value != value else f"{value:.6g}" for value in row)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
