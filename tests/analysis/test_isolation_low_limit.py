"""A voltage held at a low limit, against Ohm's law."""

from __future__ import annotations

import numpy as np

from telemetry.analysis.fault_isolation.compare import HELD
from telemetry.analysis.fault_isolation.power_path import power_path, voltage_held

OHM, EMPTY_V = 0.06, 48.0


def loaded(limit_v, seconds=180.0):
    """A pack whose open voltage falls by 2 V, under a current that changes; at ``limit_v`` the current gives way."""
    chance = np.random.default_rng(4)
    t = np.arange(0, seconds, 0.05)
    asked = np.repeat(chance.uniform(0, 100, int(seconds / 3)), 60)[: len(t)]
    open_v = EMPTY_V - 2 * t / seconds
    current = np.minimum(asked, np.maximum((open_v - limit_v) / OHM, 0))
    voltage = open_v - OHM * current + chance.normal(0, 0.02, len(t))
    return t, voltage, current, np.ones(len(t), dtype=bool)


def held(limit_v):
    t, voltage, current, usable = loaded(limit_v)
    path = power_path(t, voltage, current, usable)
    assert path is not None
    return voltage_held(voltage, current, usable, path)


def test_a_voltage_that_stays_while_the_current_changes_is_held():
    assert held(44.5) > HELD


def test_without_a_limit_the_voltage_follows_the_current():
    assert held(30.0) < HELD


def test_too_little_load_is_unknown():
    t, voltage, current, usable = loaded(30.0)
    path = power_path(t, voltage, current, usable)
    assert np.isnan(voltage_held(voltage, current, usable & (t < 1.0), path))
    assert np.isnan(voltage_held(voltage, current, np.zeros(len(t), dtype=bool), path))
