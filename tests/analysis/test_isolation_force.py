"""The force against the motion by the electrical power, on motion worked out by hand from Newton's second law."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.analysis.fault_isolation.force_balance import _balance as balance_of_power

STEP_S = 0.05
G = 9.81


def driven(resistance, mass_kg, efficiency, winding_w_per_n2, seed=0, hill=0.0, seconds=180.0):
    """A machine whose wanted speed changes every few seconds; returns t, speed, power, driven and rolling rows."""
    chance = np.random.default_rng(seed)
    t = np.arange(0, seconds, STEP_S)
    wanted = np.repeat(chance.uniform(1.0, 3.5, int(seconds / 6) + 1), round(6 / STEP_S))[: len(t)]
    speed, power = np.zeros(len(t)), np.zeros(len(t))
    v = 1.0
    for row in range(len(t)):
        grade = hill * np.sin(2 * np.pi * t[row] / 45)
        acceleration = np.clip(0.8 * (wanted[row] - v), -0.3, 0.9)
        force = max(mass_kg * (acceleration + G * (resistance + grade)), 0.0)  # the wheels push, or roll freely
        v = max(v + (force / mass_kg - G * (resistance + grade)) * STEP_S, 0.3)
        speed[row], power[row] = v, force * v / efficiency + winding_w_per_n2 * force**2
    speed += chance.normal(0.0, 0.01, len(t))
    power += chance.normal(0.0, 10.0, len(t))
    pushes = power > 60
    return t, speed, power, np.flatnonzero(pushes & (speed > 0.5)), np.flatnonzero(~pushes & (speed > 0.5))


@pytest.mark.parametrize("resistance", [0.03, 0.06, 0.13])
def test_resistance_is_found_without_knowing_mass_or_efficiency(resistance):
    for mass, efficiency in ((200.0, 0.6), (800.0, 0.9)):
        found = balance_of_power(*driven(resistance, mass, efficiency, 250.0 / mass**2))
        assert found.mean == pytest.approx(resistance, abs=0.015)


def test_hills_that_cancel_do_not_look_like_drag():
    level = balance_of_power(*driven(0.06, 400.0, 0.8, 0.001)).mean
    hilly = balance_of_power(*driven(0.06, 400.0, 0.8, 0.001, hill=0.04)).mean
    assert hilly == pytest.approx(level, abs=0.02)


def test_what_rolls_downhill_counts_too():
    t, speed, power, rows, rolling = driven(0.05, 400.0, 0.8, 0.001, hill=0.07)
    uphill = balance_of_power(t, speed, power, rows, rolling[:0]).mean
    found = balance_of_power(t, speed, power, rows, rolling).mean
    assert uphill > 0.07  # the pedal is let go downhill, so driven rows alone are steeper than the course
    assert found == pytest.approx(0.05, abs=0.015)


def test_a_brake_pressed_while_rolling_is_no_drag():
    t, speed, power, rows, _ = ORDINARY
    braked = speed.copy()
    rolling = np.arange(2000, 2400)
    braked[rolling] = np.linspace(3.0, 0.6, 400)  # 2.4 m/s in 20 s with nothing but a brake
    slowed = balance_of_power(
        t, braked, np.where(np.isin(np.arange(len(t)), rolling), 0.0, power), rows[:1500], rolling
    )
    assert slowed.mean <= balance_of_power(t, speed, power, rows[:1500], rolling[:0]).mean + 0.01


ORDINARY = driven(0.07, 350.0, 0.8, 0.0015)


@settings(max_examples=6, deadline=None)
@given(st.floats(0.3, 3.0))
def test_a_meter_with_a_wrong_gain_changes_nothing(gain):
    t, speed, power, rows, rolling = ORDINARY
    plain = balance_of_power(t, speed, power, rows, rolling)
    scaled = balance_of_power(t, speed, gain * power, rows, rolling)
    assert scaled.mean == pytest.approx(plain.mean, rel=1e-6)
    assert 0 < scaled.deviation < 0.1
