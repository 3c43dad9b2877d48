"""Sessions of measured cells: windows of a slow discharge of two nickel cells, one of them aged.

The data ship with ampworks 0.1.0 (3-clause BSD licence); ``make_cells.py`` says what is kept of them. Two cells are
two cells, however many windows: their rows count as two sessions.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from telemetry.machine.pack_keys import Pack
from tests.calibration.case import Case, Kind, Truth
from tests.calibration.course import Run
from tests.calibration.sensors import Instruments, recorded
from tests.calibration.single_particle import MEASURED_EVERY_S, data

COUNT, STATED_AH = 14, 100.0


def draw(cell: str, name: str, seed: int) -> Case:
    """Return a window of one to three hours, as if 14 such cells of 100 Ah were in series."""
    random = np.random.default_rng([seed, sorted(data()["measured"]).index(cell), 77])
    entry = data()["measured"][cell]
    rows = int(random.uniform(1.0, 3.0) * 3600.0 / MEASURED_EVERY_S)
    first = int(random.integers(0, len(entry["volts"]) - rows))
    every = slice(first, first + rows)
    first_share, last_share = entry["share"]
    share = np.linspace(first_share, last_share, len(entry["volts"]))[every]
    capacity = STATED_AH * random.uniform(0.97, 1.03)
    volts = np.tile(np.array(entry["volts"])[every, None], COUNT)
    current = np.full(rows, entry["rate_c"] * capacity)
    run = Run(MEASURED_EVERY_S, current, volts, np.tile(share[:, None], COUNT))
    instruments = Instruments.drawn(random, COUNT, STATED_AH, 1.0)
    series = recorded(run, instruments, 25.0, random)
    t = np.round(np.arange(rows) * MEASURED_EVERY_S * 1e6).astype(np.int64)
    fault = ("none", 0, 0.0)
    sensor = (instruments.gain, instruments.offset_a, instruments.lag_s)
    truth = Truth(t, current, volts, run.share, np.full(COUNT, capacity), 25.0, *fault, *sensor)
    return Case(name, seed, series, Pack(chemistry="nmc", cells_in_series=COUNT, capacity_ah=STATED_AH), truth)


KINDS = tuple(
    Kind(name := f"nmc, 25 °C, measured {cell[:5]}", "measured", "nmc", 25.0, "drive", partial(draw, cell, name))
    for cell in ("cell1_rough", "cell2_rough")
)
