"""What the load takes is found beside the curve, whatever the curve, and nothing where the current never changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.cell_bins import Bins, load_drop

CAPACITY_AH = 100.0
OHM = 0.001


def driven(seed: int, swing: float, days: int = 1) -> tuple[Bins, np.ndarray]:
    """Return a drive in bins of 10 s and what its load takes, V: at once and after 60 s, as one circuit would."""
    random = np.random.default_rng(seed)
    current = np.repeat(random.uniform(0, 80, 60 * days), 10)
    current *= swing * CAPACITY_AH * days / (current.sum() * 10 / 3600)
    charge = np.cumsum(current) * 10 / 3600
    slow, keep = np.zeros(len(current)), np.exp(-10 / 60)
    for place in range(1, len(current)):
        slow[place] = keep * slow[place - 1] + (1 - keep) * current[place]
    drop = OHM * (current + 0.3 * slow)
    left = 1 - charge / charge[-1]
    volts = 3.25 + 0.08 * left + 0.03 * np.tanh((left - 0.6) / 0.05) - 0.4 * np.exp(-left / 0.03) - drop
    seconds = 10.0 * np.arange(len(current))
    return Bins(seconds, charge, current, np.column_stack([volts] * 3), np.zeros(len(current), dtype=np.int64)), drop


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 0.9))
def test_a_drop_is_found_beside_a_curve(seed: int, swing: float) -> None:
    bins, drop = driven(seed, swing)
    found = load_drop(bins, bins.middle, CAPACITY_AH, OHM)
    # a constant part of it is the curve's as well
    assert np.std(found - drop) < 0.15 * np.std(drop)


def test_an_even_current_shows_no_more_than_the_load_steps_allow() -> None:
    bins, _ = driven(1, 0.5)
    even = np.full(len(bins.current), -30.0) + np.random.default_rng(1).normal(0, 0.01, len(bins.current))
    charged = Bins(bins.seconds, -bins.charge_ah, even, bins.volts, bins.leg + 1)
    assert np.ptp(load_drop(charged, charged.middle, CAPACITY_AH, OHM)) < 3 * 1.6 * OHM * 31


def test_a_capacity_stated_far_too_low_gets_no_more_corners() -> None:
    bins, _ = driven(2, 0.9, days=3)
    assert load_drop(bins, bins.middle, 0.5, OHM) == pytest.approx(load_drop(bins, bins.middle, 0.4, OHM), rel=1e-6)
