"""Cells laid on the middle one: what a session shows is found, and what it cannot show has a wide interval."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.cell_alignment import Alignment, align_cells
from telemetry.analysis.cell_bins import Bins

CAPACITY_AH, OHM, ODD = 100.0, 0.0008, 3


def open_circuit(left: np.ndarray) -> np.ndarray:
    """A plateau that falls by 20 mV, with a foot and a steep top; ``left`` is the share of charge."""
    return 3.30 + 0.02 * left + 0.15 * np.exp(-(1.0 - left) / 0.004) - 0.6 * np.exp(-left / 0.015)


def driven(lacks: float, stretch: float, start: float, end: float, charged: bool = False) -> Alignment:
    """Return what is found of eight cells, one of which lacks charge at the top and has less capacity.

    Args:
        lacks: share of charge that the odd cell lacks when the others are full; ``stretch``: of its charge.
        start, end: share of charge of the others where the drive begins and ends.
        charged: charge all until the others are full afterwards.
    """
    random = np.random.default_rng(5)
    bins = 300
    out = np.linspace(0.0, start - end, bins)
    load = 40.0 + 15.0 * random.standard_normal(bins)
    if charged:
        out = np.concatenate([out, np.linspace(out[-1], start - 0.999, bins)])
        load = np.concatenate([load, np.full(bins, -30.0)])
    share = start - out
    left = share[:, None] + 0.002 * random.standard_normal(8)
    left[:, ODD] = 1.0 - lacks - (1.0 - share) * (1.0 + stretch)
    volts = open_circuit(left) - OHM * load[:, None] + 0.0003 * random.standard_normal((len(load), 8))
    leg = (load < 0).astype(np.int64)
    found = align_cells(Bins(20.0 * np.arange(len(load)), CAPACITY_AH * out, load, volts, leg), CAPACITY_AH, OHM)
    assert found is not None
    return found


def held(told: tuple[np.ndarray, np.ndarray], truth: float) -> bool:
    value, deviation = told[0][ODD] - np.median(told[0]), told[1][ODD]
    return bool(abs(value - truth) < 2.0 * deviation + 0.002)


@pytest.mark.parametrize(("lacks", "stretch"), [(0.05, 0.0), (0.0, 0.08), (0.03, 0.04)])
def test_a_foot_that_only_one_cell_saw_does_not_tell_charge_from_capacity(lacks: float, stretch: float) -> None:
    """All three are near empty 5 to 6 % of charge before the others, which have shown no foot yet."""
    found = driven(lacks, stretch, 0.85, 0.075)
    assert held(found.top, lacks + 0.15 * stretch)
    assert held(found.stretch, stretch)
    assert found.stretch[1][ODD] > 0.02
    assert found.bottom[0][ODD] - np.median(found.bottom[0]) > 0.02, "that it is behind shows"


@pytest.mark.parametrize(("lacks", "stretch"), [(0.05, 0.0), (0.0, 0.08), (0.03, 0.04)])
def test_a_full_charge_in_the_same_recording_narrows_it(lacks: float, stretch: float) -> None:
    found = driven(lacks, stretch, 0.9, 0.02 + lacks + stretch, charged=True)
    assert held(found.top, lacks)
    assert held(found.stretch, stretch)
    assert held(found.bottom, lacks + found.swing * stretch)
    alone = driven(lacks, stretch, 0.85, 0.075)
    assert found.stretch[1][ODD] < alone.stretch[1][ODD]


def test_cells_alike_are_found_alike() -> None:
    found = driven(0.0, 0.0, 0.9, 0.02, charged=True)
    for told in (found.top, found.bottom):
        assert np.abs(told[0] - np.median(told[0])).max() < 0.008
    assert found.stretch[1].max() < 0.02
