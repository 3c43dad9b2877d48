"""Forces on the simulated vehicle, and the parts between foot and wheel, against handbook arithmetic."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.charger import Charger, ChargerParameters
from drivers.simulated.controller import Connection, PedalSensor, drawn_current
from drivers.simulated.electronics import Guard, Watch
from drivers.simulated.machine_files import machine_file
from drivers.simulated.vehicle import (
    Implement,
    ImplementParameters,
    Vehicle,
    VehicleParameters,
    grade_force,
    motion_resistance,
)
from telemetry.model.errors import InputError


def test_motion_resistance_by_asabe_d497():
    """Coefficient 0.06 (ASABE D497, firm to tilled soil): 350 kg at 5 km/h take 205.9 N and 286.0 W."""
    force = motion_resistance(350.0, 0.06)
    assert force == pytest.approx(205.9, abs=0.05)
    assert force * 5 / 3.6 == pytest.approx(286.0, abs=0.05)


def test_force_on_a_ten_percent_grade():
    """m g sin(atan 0.10), plain mechanics with standard gravity of ISO 80000-3: 341.5 N for 350 kg."""
    assert grade_force(350.0, 0.10) == pytest.approx(341.5, abs=0.05)
    assert grade_force(350.0, -0.10) == -grade_force(350.0, 0.10)


def test_steady_speed_where_drive_equals_resistance():
    vehicle = Vehicle(VehicleParameters(350.0, 0.06, 0.25, 10.0, gear_efficiency=1.0, drag_m2=0.0))
    torque = (205.94 + 341.5) * 0.25 / 10.0
    for _ in range(100):
        vehicle.step(0.025, torque * 1.2, 0.10, 0.0)
    speed = vehicle.speed
    for _ in range(100):
        vehicle.step(0.025, torque, 0.10, 0.0)
    assert vehicle.speed == pytest.approx(speed, rel=1e-3)


def test_it_stands_on_a_slope_that_its_resistance_holds():
    vehicle = Vehicle(VehicleParameters(350.0, 0.06, 0.25, 10.0))
    vehicle.step(0.025, 0.0, -0.05, 0.0)
    assert vehicle.speed == 0.0
    vehicle.step(0.025, 0.0, -0.07, 0.0)
    assert vehicle.speed > 0.0


@given(st.floats(-3000, 8000), st.floats(40, 90), st.floats(0.005, 0.06))
def test_the_current_drawn_gives_the_power_wanted(power, source_v, resistance):
    current = drawn_current(power, source_v, resistance)
    if source_v**2 > 4 * resistance * power:
        assert Connection(resistance).far_voltage(source_v, current) * current == pytest.approx(power, abs=1e-6)
    else:
        assert current == pytest.approx(source_v / (2 * resistance))


def test_the_pedal_sensor_has_offset_and_range():
    pedal = PedalSensor(0.86, 3.3)
    assert [pedal.voltage(way) for way in (0.0, 0.5, 1.0)] == pytest.approx([0.86, 2.51, 4.16])


def test_an_implement_starts_with_a_peak_of_three_to_five_times_for_a_third_of_a_second():
    """Common practice for a motor that starts from standstill, from memory."""
    deck = Implement(ImplementParameters(2000.0, unevenness=0.0), random.Random(1))
    power = [deck.power(0.025, True, 1.0, 75.0) for _ in range(80)]
    assert 3 <= power[0] / 2000 <= 5
    assert sum(each > 3 * 2000 for each in power) * 0.025 == pytest.approx(0.3, abs=0.05)
    assert power[-1] == pytest.approx(2000.0, rel=0.01)


def test_a_guard_waits_acts_and_comes_back():
    watch = Watch(Guard(2.5, 2.9, "low", delay_s=1.0, back_s=5.0))
    assert not any(watch.step(2.4, 0.25) for _ in range(3))
    assert watch.step(2.6, 0.25) is False  # a short dip begins anew
    held = [watch.step(2.4, 0.25) for _ in range(4)]
    assert held == [False, False, False, True]
    assert all(watch.step(2.8, 0.25) for _ in range(100))  # not yet past the release
    back = [watch.step(3.0, 0.25) for _ in range(20)]
    assert back == [True] * 19 + [False]


def test_the_charger_holds_current_then_voltage_then_ends():
    """CC-CV into a source that rises with charge: tail I0 exp(-t/tau), tau = R C (common practice)."""
    charger = Charger(ChargerParameters(58.4, 18.0, 5.0, lead_ohm=0.0, lag_s=0.01, ends_after_s=1.0))
    charger.plug(True)
    farad, ohm, source = 7200.0, 0.2, 50.0
    currents = []
    while not charger.finished:
        currents.append(charger.step(1.0, source, ohm, allowed=True))
        source += currents[-1] / farad
    tail = [i for i in currents if 5.0 < i < 17.9]
    assert max(currents) == pytest.approx(18.0)
    assert len(tail) == pytest.approx(ohm * farad * np.log(18 / 5), rel=0.01)
    assert charger.input_power(58.4) == charger.parameters.idle_w


def test_a_charger_that_is_unplugged_draws_nothing_and_ends_by_itself_once_little_flows():
    charger = Charger(ChargerParameters(voltage_v=58.4, current_a=18.0, end_current_a=2.0, ends_after_s=60.0))
    assert charger.step(1.0, 50.0, 0.02, True) == charger.input_power(50.0) == 0.0
    charger.plug(True)
    for _ in range(120):
        charger.step(1.0, 50.0, 0.02, True)
    assert charger.current == pytest.approx(18.0, rel=0.01)
    assert charger.input_power(50.0) > 18.0 * 50.0
    for _ in range(120):
        charger.step(1.0, 58.39, 0.02, True)
    assert charger.finished
    assert charger.current == 0.0


def test_there_is_no_machine_file_of_a_scenario_that_is_none():
    with pytest.raises(InputError, match="there is no scenario 'moon'; choose one of"):
        machine_file("moon", 1)
