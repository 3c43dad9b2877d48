"""Stops at the low-voltage limit, and falls of the current that are none."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.low_stops import low_voltage_stops

STEP = 0.05
OHM, EMPTY_V, IDLE_A = 0.15, 50.0, 2.0
PULLS = tuple(range(200, 3400, 160))


def pulling(limit_v, lag_s=0.15, delay_rows=1, until=None):
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


def found(current, travel, voltage, wobbles=False):
    all_rows = np.ones(len(current), dtype=bool)
    return low_voltage_stops(current, travel, voltage, all_rows, all_rows, wobbles)


@pytest.mark.parametrize("lag_s", [0.05, 0.12, 0.2])
@pytest.mark.parametrize("limit_v", [40.0, 44.0])
def test_every_stop_at_the_limit_is_found_where_it_begins(lag_s, limit_v):
    current, travel, voltage, stops = pulling(limit_v, lag_s)
    assert len(stops) > 5
    starts = np.array([stop.start for stop in found(current, travel, voltage)])
    assert all(np.abs(starts - stop).min() * STEP <= 0.2 for stop in stops if travel[stop + 3] > 0.1)
    assert all(np.abs(np.array(stops) - start).min() * STEP <= 0.2 for start in starts)


def test_a_foot_that_lets_go_after_every_pull_is_none():
    current, travel, voltage, stops = pulling(0.0)
    assert stops == []
    assert found(current, travel, voltage) == []
    assert found(current, None, voltage) == []


def test_a_controller_that_stops_at_any_voltage_is_none():
    current, travel, voltage, _ = pulling(0.0)
    for start in PULLS:
        stopped = slice(start + 40, start + 60)
        current[stopped], voltage[stopped] = IDLE_A, EMPTY_V - OHM * IDLE_A
    assert found(current, travel, voltage) == []


def test_a_single_stop_needs_the_lowest_voltage_of_the_drive():
    current, travel, voltage, _ = pulling(0.0)
    row = PULLS[7] + 40
    current[row:], voltage[row:] = IDLE_A, EMPTY_V - OHM * IDLE_A
    travel[row + 60 :] = 0
    assert found(current, travel, voltage) == []
    voltage[row - 2 : row] -= 4
    (stop,) = found(current, travel, voltage)
    assert abs(stop.start - row) <= 1


def test_too_short_a_drive_says_nothing():
    current, travel, voltage, _ = pulling(44.0)
    assert found(current[:200], travel[:200], voltage[:200]) == []
