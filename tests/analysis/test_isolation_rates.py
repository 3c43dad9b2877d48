"""Rates and limits that explain events."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.point_process import by_limit, by_rate

STEP = 0.05
WEIGHTS = st.lists(st.floats(0.0, 12.0), max_size=20).map(np.array)


@given(weights=WEIGHTS, exposure_s=st.floats(1.0, 1e4), stray=st.floats(1e-5, 1e-2))
def test_one_more_clear_event_never_speaks_against_a_fault(weights, exposure_s, stray):
    assert by_rate(np.append(weights, 12.0), exposure_s, stray) >= by_rate(weights, exposure_s, stray) - 1e-9


def test_a_long_drive_without_an_event_speaks_against_a_fault_and_one_event_does_not_prove_it():
    nothing, one = np.empty(0), np.array([12.0])
    assert by_rate(nothing, 1800.0, 1e-3) < by_rate(nothing, 60.0, 1e-3) < 0
    assert by_rate(one, 1800.0, 5e-4) < 0 < 2 < by_rate(np.full(5, 12.0), 1800.0, 5e-4)


def test_stops_at_one_voltage_tell_a_limit_and_stops_anywhere_do_not():
    random = np.random.default_rng(3)
    watched = -random.uniform(44.0, 52.0, 3000)
    at_limit, anywhere = np.full(6, -43.5), -random.uniform(44.0, 52.0, 6)
    weights = np.full(6, 9.0)
    odds, limit = by_limit(at_limit, watched, STEP, 0.1, weights, 1e-3)
    assert -44.2 < limit < -43.3
    assert odds > by_rate(weights, 150.0, 1e-3) > by_limit(anywhere, watched, STEP, 0.1, weights, 1e-3)[0]
