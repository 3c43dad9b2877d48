"""Packs charged to the top, with and without a cell that is ahead, and what the limits tell of them.

The cells are those of :mod:`tests.reference.charge_packs`, which knows nothing of the estimator. Run by hand:

    python -m tests.reference.topped_packs 301 313

prints for seeds 301 to 312 the true imbalance at the moment the first cell is full, what was told, and the number of
alarms.
"""

from __future__ import annotations

import sys

import numpy as np

from telemetry.analysis.cells_live import CellWatch
from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.limits import limits_for
from telemetry.machine.pack_keys import Pack
from telemetry.machine.sections import Machine
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.model.signals import cell_name
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.stage import Chain
from tests.reference.charge_packs import PackKind, _Cells, true_curve

SECOND = 1_000_000
COUNT = 16
CAPACITY_AH = 100.0
FULL_V = {"lfp": 3.65, "nmc": 4.25}
AHEAD = 3
CHARGES = ((0.3, 0.2), (0.7, 0.1), (0.8, 0.3))
"""State of charge to begin with, current as a share of the capacity per hour."""


def batches(volts: np.ndarray, amperes: np.ndarray, seed: int) -> tuple[Batch, Batch]:
    """Rows a second apart, cells by the millivolt with 1 mV of noise."""
    random = np.random.default_rng([seed, 2])
    t = np.arange(len(volts), dtype=np.int64) * SECOND
    read = np.round(volts + random.normal(0, 0.001, volts.shape), 3)
    current = np.round(amperes + random.normal(0, 0.06, len(amperes)), 1).reshape(-1, 1)
    names = tuple(cell_name(number + 1) for number in range(volts.shape[1]))
    return Batch(Group("pack", "cells", names), t, read), Batch(Group("pack", "pack", ("pack_current",)), t, current)


def drawn(chemistry: str, seed: int, ahead: float, start: float, rate_c: float) -> tuple[tuple[Batch, Batch], float]:
    """A charge of a pack of ``charge_packs``, with reading errors of 1 mV a cell; and the true imbalance, %."""
    random = np.random.default_rng([seed, 77])
    kind = PackKind(chemistry=chemistry, cells=COUNT)
    cells = _Cells(kind, true_curve(kind, random), random, start)
    cells.share[:] = 1 - (1 - start) / cells.capacity + random.normal(0, 0.003, COUNT)
    cells.share[AHEAD] += ahead
    error, volts, rates, truth = random.normal(0, 0.001, COUNT), [], [], None
    for second in range(6 * 3600):
        rate = -rate_c if second >= 60 else 0.0
        volts.append(cells.step(rate) + error)
        rates.append(rate)
        lacks = (1 - cells.share) * cells.capacity
        if truth is None and volts[-1].max() >= CHEMISTRIES[chemistry].charge_v - 0.05:
            truth = 100 * float(lacks.mean() - lacks[int(np.argmax(volts[-1]))])
        if volts[-1].max() >= FULL_V[chemistry]:
            break
    assert truth is not None
    return batches(np.array(volts), CAPACITY_AH * np.array(rates), seed), truth


def machine_of(chemistry: str) -> Machine:
    """Return a machine file that states no more of the pack than it must."""
    return Machine(pack=Pack(chemistry=chemistry, cells_in_series=COUNT, capacity_ah=CAPACITY_AH))


def told(rows: tuple[Batch, Batch], chemistry: str) -> tuple[list[float], list[str]]:
    """Return what was told of the imbalance, %, and the alarms of cells."""
    machine = machine_of(chemistry)
    limits = [limit for limit in limits_for(machine) if limit.name.startswith(("cell-i", "cell-s", "cell-c"))]
    stages = Chain([CellWatch(machine), Judge(limits)])
    span = stages.advance(Span(int(rows[0].t[-1]) + 20 * SECOND, rows, final=True))
    values = [b.values[:, 0].tolist() for b in span.batches if b.group.name == "cell_imbalance_top"]
    raised = [e for e in span.events if isinstance(e, AlarmChange) and e.state == "raised"]
    return [value for each in values for value in each], [f"{change.limit} {change.level}" for change in raised]


def main(first: int, last: int) -> None:
    """Print truth and what was told for many packs of ``charge_packs``."""
    for chemistry in ("lfp", "nmc"):
        for ahead in (0.0, 0.04):
            pairs = []
            for seed in range(first, last):
                start, rate_c = CHARGES[seed % 3]
                rows, truth = drawn(chemistry, seed, ahead, start, rate_c)
                values, alarms = told(rows, chemistry)
                pairs.append(f"{truth:.1f}: {'/'.join(f'{value:.1f}' for value in values)} {len(alarms)}")
            print(f"{chemistry} {ahead:g}: {', '.join(pairs)}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
