"""A resistance that wobbles, beside what only looks like it; and two instruments that are not at one instant."""

from __future__ import annotations

import numpy as np
import pytest

from telemetry.analysis.fault_isolation.delay import voltage_behind
from telemetry.analysis.fault_isolation.power_path import power_path, rows_read
from telemetry.analysis.series import Series

STEP = 0.05
OHM = 0.05
ROWS = 3600
T = np.arange(ROWS) * STEP
ALL = np.ones(ROWS, dtype=bool)


def driving(seed=3):
    """A current that a foot changes, A."""
    random = np.random.default_rng(seed)
    asked = np.repeat(random.uniform(0, 80, ROWS // 50 + 1), 50)[:ROWS]
    return 3 + np.convolve(asked, np.ones(9) / 9, "same")


def correlated(correlation_s, seed=4):
    """Noise of deviation 1 that is forgotten in so many seconds."""
    random = np.random.default_rng(seed)
    kept = np.exp(-STEP / correlation_s)
    values = np.empty(ROWS)
    values[0] = random.normal()
    for row, fresh in enumerate(random.normal(0, (1 - kept**2) ** 0.5, ROWS - 1), start=1):
        values[row] = kept * values[row - 1] + fresh
    return values


def measured(voltage, current, seed=5):
    random = np.random.default_rng(seed)
    return 1.005 * voltage + 0.1 + random.normal(0, 0.02, ROWS), 0.98 * current + 0.5 + random.normal(0, 0.3, ROWS)


@pytest.mark.parametrize("correlation_s", [0.05, 0.2, 0.6])
@pytest.mark.parametrize("share", [0.1, 0.3])
def test_a_wobble_is_found_at_any_pace_up_to_half_a_second(correlation_s, share):
    current = driving()
    voltage, read = measured(52 - OHM * (1 + share * correlated(correlation_s)) * current, current)
    path = power_path(T, voltage, read, ALL)
    assert path is not None
    assert path.joint > 5
    assert 0.4 * share < path.wobble < 1.5 * share


def polarised(current):
    """A pack whose sag comes by a third within 8 s."""
    slow = np.zeros(ROWS)
    for row in range(1, ROWS):
        slow[row] = slow[row - 1] + (current[row] * OHM / 3 - slow[row - 1]) * STEP / 8
    return 52 - OHM * current - slow


def emptied(current):
    """A pack at the knee of its curve: the voltage at rest falls ever faster."""
    return 52 - 3 * (T / T[-1]) ** 4 - OHM * current - 0.0004 * current**2


@pytest.mark.parametrize("pack", [polarised, emptied])
@pytest.mark.parametrize("late", [-6, -2, 0, 3, 6])
def test_a_sound_path_is_calm_whatever_the_pack_and_the_instruments(pack, late):
    current = driving()
    voltage, read = measured(np.roll(pack(current), late), current)
    behind = voltage_behind(voltage, read)
    assert abs(behind - late) <= 1
    path = power_path(T, np.roll(voltage, -behind), read, ALL)
    assert path is not None
    assert path.joint < 0


def test_a_current_read_five_times_a_second_hides_its_pulses_and_makes_no_wobble():
    current = driving() * (1 + 0.3 * np.sin(2 * np.pi * 1.3 * T))
    voltage, read = measured(52 - OHM * current, current)
    seldom = np.interp(T, T[::4], read[::4])
    path = power_path(T, voltage, seldom, ALL, 0.2)
    assert path is not None
    assert path.joint == 0


@pytest.mark.parametrize("late", [-4, 0, 5])
def test_a_supply_that_is_lost_does_not_mislead_about_the_delay(late):
    current = driving()
    voltage = 52 - OHM * current
    for start in range(300, 3500, 400):
        current[start : start + 60], voltage[start : start + 60] = 0, 0
    voltage, read = measured(np.roll(voltage, late), current)
    assert abs(voltage_behind(voltage, read) - late) <= 1


def test_no_delay_is_claimed_where_the_voltage_does_not_bend():
    random = np.random.default_rng(1)
    assert voltage_behind(52 + random.normal(0, 0.05, ROWS), driving()) == 0
    assert voltage_behind(np.full(ROWS, np.nan), driving()) == 0


def series(every, late_s=0.0):
    return Series((T[::every] * 1e6 + late_s * 1e6).astype(np.int64), np.zeros(len(T[::every])))


def test_rows_are_those_at_which_both_were_read():
    fast, slow = series(1), series(4, 0.15)
    assert np.flatnonzero(rows_read(fast, slow, 0, ROWS, 0)[0])[:3].tolist() == [3, 7, 11]
    assert np.flatnonzero(rows_read(fast, slow, 0, ROWS, 3)[0])[:3].tolist() == [0, 4, 8]
    read, between_s = rows_read(series(4), series(5, 0.05), 0, ROWS, 0)
    assert read.sum() < ROWS / 4
    assert between_s == pytest.approx(0.2)
    assert rows_read(fast, fast, 0, ROWS, 0)[0].all()


def test_a_current_read_five_times_a_second_still_tells_a_wobble_from_pulses():
    current = driving() * (1 + 0.3 * np.sin(2 * np.pi * 1.3 * T))
    for wobbles in (False, True):
        ohm = OHM * (1 + (0.25 * correlated(0.3) if wobbles else 0.0))
        voltage, read = measured(52 - ohm * current, current)
        rows = np.zeros(ROWS, dtype=bool)
        rows[::4] = True
        path = power_path(T, voltage, np.interp(T, T[::4], read[::4]), rows)
        assert path is not None
        assert (path.joint > 0) == wobbles
