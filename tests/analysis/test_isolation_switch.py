"""What the pack's switch opened on: composed openings by a threshold of the current, and by one of the voltage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.drive import Drive
from telemetry.analysis.fault_isolation.isolate import isolate
from telemetry.analysis.fault_isolation.limits import TRIP_HOLDS as HOLDS
from telemetry.analysis.fault_isolation.limits import current_of, limit, voltage_of
from telemetry.analysis.fault_isolation.observations import Observations
from telemetry.analysis.fault_isolation.pack_switch import SupplyLoss, supply_losses
from tests.reference.other_drives import other_drive

OHM, REST_V, WAIT_ROWS = 0.02, 52.0, 60


def composed(seed: int, by_voltage: bool, delay_rows: int):
    """Three minutes of changing current, and the openings of a switch with a threshold; the rest falls by 4 %."""
    random = np.random.default_rng(seed)
    rows = 3600
    wanted = np.interp(np.arange(rows), np.arange(0, rows + 30, 30), random.uniform(0, 100, rows // 30 + 1))
    current, volts, usable = wanted.copy(), np.zeros(rows), np.ones(rows, dtype=bool)
    slow, over, until = 0.0, 0, -1
    trips = []
    for row in range(rows):
        if row < until:
            current[row], usable[row] = 0.0, False
        slow += (0.6 * OHM * current[row] - slow) / 300
        volts[row] = REST_V - 0.0006 * row - OHM * current[row] - slow
        watched = REST_V - volts[row] if by_voltage else current[row]
        over = over + 1 if watched > (3.0 if by_voltage else 80.0) and row >= until else 0
        if over > delay_rows:
            until, over = row + 1 + WAIT_ROWS, 0
            trips.append(SupplyLoss(row + 1, row + 1 + WAIT_ROWS, True, current[row], False, False))
    volts += random.normal(0, 0.02, rows)
    current += random.normal(0, 0.3, rows)
    return trips, current, volts, usable


@given(seed=st.integers(0, 400), by_voltage=st.booleans(), delay_rows=st.integers(0, 15))
@settings(max_examples=10, deadline=None)
def test_the_limit_that_acted_explains_the_openings_better(seed, by_voltage, delay_rows):
    trips, current, volts, usable = composed(seed, by_voltage, delay_rows)
    if len(trips) < 4:
        return
    drive = Drive(np.arange(len(volts)) * 0.05, {"controller_voltage": volts}, {"controller_voltage": 0.05})
    seen = Observations(drive, current, usable, drawing=tuple(trips))
    on_current, _, _ = limit([seen], "drawing", current_of, HOLDS, 0.02, 1e-5)
    on_voltage, _, _ = limit([seen], "drawing", voltage_of, HOLDS, 0.02, 1e-5)
    assert (on_voltage > on_current) == by_voltage


@pytest.mark.slow
@pytest.mark.parametrize(
    ("cause", "seed"), [("pack-weak", 901), ("pack-weak", 903), ("bms-trip", 900), ("bms-trip", 901)]
)
def test_a_weak_pack_and_a_switch_that_opens_on_current_are_told_apart(cause, seed):
    found = isolate(other_drive(cause, seed).series())
    assert found.cause == cause


def test_a_return_from_refused_braking_is_no_loss_of_its_own():
    drive = other_drive("bms-trip", 707)
    assert drive.kind == "braking, two switches"
    _, voltage, current, allowed, _ = drive.table.T
    assert all(loss.upward for loss in supply_losses(voltage, current, allowed))
    assert isolate(drive.series()).cause == "bms-trip"
