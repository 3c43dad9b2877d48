"""Each detector by itself, on signals whose truth is known because they were composed here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.cell_findings import OddCell
from telemetry.analysis.fault_isolation.checks import cell_checks
from telemetry.analysis.fault_isolation.delay import rows_behind
from telemetry.analysis.fault_isolation.pack_switch import supply_losses
from telemetry.analysis.fault_isolation.pedal import pedal_faults, pedal_trace, sensor_odds
from telemetry.analysis.fault_isolation.power_path import power_path
from telemetry.analysis.fault_isolation.readings import Readings, evidence_of_readings
from telemetry.analysis.fault_isolation.response import pedal_range

STEP = 0.05


def a_foot(seed: int, seconds: float = 60.0, quickest: float = 4.0):
    """A pedal under a foot: rest 0.8 V, 3.4 V of travel, moved smoothly, at most ``quickest`` travels a second."""
    random = np.random.default_rng(seed)
    count = int(seconds / STEP)
    travel, wanted, foot = np.zeros(count), 0.0, 0.0
    for row in range(count):
        if random.random() < 0.03:
            wanted = random.choice([0.0, 0.0, 1.0, random.random()])
        foot += float(np.clip((wanted - foot) * 0.6, -quickest * STEP, quickest * STEP))
        travel[row] = foot
    return np.arange(count) * STEP, 0.8 + 3.4 * travel + random.normal(0, 0.005, count)


def faults_in(t, pedal):
    seen = pedal_trace(t, pedal, pedal_range(pedal))
    return pedal_faults(seen, sensor_odds(seen))


@given(seed=st.integers(0, 500))
@settings(max_examples=25, deadline=None)
def test_no_foot_is_taken_for_a_bad_sensor(seed):
    t, pedal = a_foot(seed)
    assert faults_in(t, pedal) == []


@pytest.mark.parametrize("level", [0.05, 0.8])
def test_drop_outs_are_found_where_they_are(level):
    """Of drop-outs while the foot holds the pedal about still 99.6 % are found (seeds 0 to 300, 2 to 6 rows)."""
    drawn = missed = 0
    for seed in range(300, 360):
        t, pedal = a_foot(seed)
        middle = 200 + np.flatnonzero(pedal[200:-40] > 2.2)
        if len(middle) < 60:
            continue
        rows = 2 + seed % 5
        places = [int(middle[0]) + 3, int(middle[len(middle) // 2]), int(middle[-1])]
        around = [pedal[p - 2 : p + rows + 2] for p in places]
        places = [p for p, held in zip(places, around, strict=True) if held.min() > 2.0 and np.ptp(held) < 0.3]
        for place in places:
            pedal[place : place + rows] = level
        found = faults_in(t, pedal)
        drawn += len(places)
        missed += sum(not any(abs(fault.t - t[place]) <= 0.1 for fault in found) for place in places)
    assert drawn >= 50
    assert missed <= 0.02 * drawn


@pytest.mark.parametrize("wobble", [0.0, 0.3])
def test_resistance_is_learnt_and_only_a_wobbling_one_counts_as_loose(wobble):
    random = np.random.default_rng(3)
    t = np.arange(3600) * STEP
    current = np.abs(np.convolve(random.normal(0, 60, 3600), np.ones(20) / 20, "same")) + 2
    ohm = 0.03 * (1 + wobble * random.normal(0, 1, 3600))
    voltage = 1.004 * (52 - 0.001 * t - ohm * current) + 0.2 + random.normal(0, 0.015, 3600)
    path = power_path(t, voltage, current, np.ones(3600, dtype=bool))
    assert path is not None
    assert path.resistance == pytest.approx(0.03, rel=0.06)
    assert (path.joint > 0) == bool(wobble)


@pytest.mark.parametrize(("late", "opened"), [(0, True), (4, True), (None, False)])
def test_a_switch_reported_late_is_still_the_switch(late, opened):
    count = 1200
    voltage, current, allowed = np.full(count, 52.0), np.full(count, 40.0), np.ones(count)
    gone = slice(400, 600)
    voltage[gone] = np.maximum(52 * np.exp(-np.arange(200) * STEP), 3)
    current[gone] = 0
    if late is not None:
        allowed[400 + late : 600 + late] = 0
    (loss,) = supply_losses(voltage, current, allowed)
    assert loss.by_switch is opened
    assert abs(loss.start - 400) <= 3
    assert abs(loss.end - 600) <= 6
    assert loss.current_before == 40


@pytest.mark.parametrize("late_rows", [-10, 0, 3, 12, 20])
def test_the_delay_between_pedal_and_current_is_found(late_rows):
    _, pedal = a_foot(5, 120)
    travel = pedal_range(pedal).travel(pedal)
    current = np.roll(60 * travel, late_rows) + np.random.default_rng(1).normal(0, 0.5, len(travel))
    found, match = rows_behind(travel, current, np.ones(len(travel), dtype=bool), 6, 30)
    assert abs(found - late_rows) <= 1
    assert match > 0.8


def test_readings_by_hand_speak_for_and_against_a_part():
    moved = evidence_of_readings(Readings(pedal_jumps=True, wheels_free=True))
    assert moved["pedal-sensor"] > 2
    assert moved["mechanical-drag"] < -2
    assert moved["controller"] == 0


@pytest.mark.parametrize(
    ("answers", "cause", "sign"),
    [
        ({"pedal_jumps": False}, "pedal-sensor", -1),
        ({"joint_ohm": 0.002}, "power-connection", 1),
        ({"joint_ohm": 0.0002}, "power-connection", -1),
        ({"joint_ohm": 0.0007}, "power-connection", 0),
        ({"wheels_free": False}, "mechanical-drag", 1),
        ({"enable_steady": False}, "controller", 1),
        ({"code": "voltage"}, "pack-weak", 1),
        ({"code": "none"}, "controller", -1),
    ],
)
def test_each_reading_speaks_for_the_part_that_it_is_of_and_for_no_other(answers, cause, sign):
    moved = evidence_of_readings(Readings(**answers))
    assert np.sign(moved.pop(cause)) == sign
    assert "code" in answers or not any(moved.values())


def test_a_recording_too_short_for_a_delay_tells_none():
    few = np.sin(np.arange(90.0))
    assert rows_behind(few, few, np.ones(90, dtype=bool), 6, 30) == (0, 0.0)


@pytest.mark.parametrize("cause", ["low-capacity", "high-resistance", "low-charge", "unknown"])
def test_of_each_cell_that_stands_out_it_is_said_what_to_do(cause):
    (told,) = cell_checks([OddCell(7, cause, 0.9, "why")])
    assert "cell 7" in told
