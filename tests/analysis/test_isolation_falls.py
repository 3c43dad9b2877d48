"""Falls of the current that the throttle does not explain, and rates and limits that do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.falls import falls
from telemetry.analysis.fault_isolation.point_process import by_limit, by_rate

STEP = 0.05
OHM, EMPTY_V, IDLE_A = 0.15, 50.0, 2.0
PULLS = tuple(range(200, 3400, 160))


def pulling(limit_v, lag_s=0.15, delay_rows=1):
    """A foot that presses every eight seconds for five; a controller that lets go below a limit for 1.5 s.

    Returns current, travel, voltage and the rows in which it let go.
    """
    random = np.random.default_rng(7)
    rows = 3600
    travel = np.zeros(rows)
    for k, start in enumerate(PULLS):
        travel[start : start + 100] = 0.3 + 0.7 * (k % 4) / 3
    travel = np.convolve(travel, np.ones(5) / 5, "same")
    current, voltage, stops = np.zeros(rows), np.zeros(rows), []
    amps, below, off_until = 0.0, 0, -1
    for row in range(rows):
        wanted = 0.0 if row < off_until else 90 * travel[max(row - 2, 0)]
        amps += (wanted - amps) * min(STEP / lag_s, 1)
        volts = EMPTY_V - OHM * (IDLE_A + amps)
        below = below + 1 if volts < limit_v and row >= off_until else 0
        if below > delay_rows:
            off_until, below = row + 30, 0
            stops.append(row)
        current[row], voltage[row] = IDLE_A + amps, volts
    voltage += random.normal(0, 0.02, rows)
    return current + random.normal(0, 0.3, rows), travel, voltage, stops


def found(current, travel, voltage):
    return falls(current, travel, np.ones(len(current), dtype=bool))


@pytest.mark.parametrize("lag_s", [0.05, 0.12, 0.2])
@pytest.mark.parametrize("limit_v", [40.0, 44.0])
def test_every_stop_at_a_limit_is_found_where_it_begins(lag_s, limit_v):
    current, travel, voltage, stops = pulling(limit_v, lag_s)
    assert len(stops) > 5
    starts = np.array([fall.start for fall in found(current, travel, voltage)])
    assert all(np.abs(starts - stop).min() * STEP <= 0.2 for stop in stops if travel[stop + 3] > 0.5)
    assert all(np.abs(np.array(stops) - start).min() * STEP <= 0.2 for start in starts)


def test_a_foot_that_lets_go_after_every_pull_is_none_where_it_was_recorded():
    current, travel, voltage, stops = pulling(0.0)
    assert stops == []
    assert found(current, travel, voltage) == []
    assert len(found(current, None, voltage)) > len(PULLS) / 2


def test_too_short_a_drive_says_nothing():
    current, travel, voltage, _ = pulling(44.0)
    assert found(current[:200], travel[:200], voltage[:200]) == []


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
