"""The simulated cells against published tables and plain laws of charge and energy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from drivers.simulated.cells import HYSTERESIS_V, CellParameters, Cells, OddCell, open_circuit_curve

# IEEE Transactions on Instrumentation and Measurement, 2025, breakpoints of a 1.2 Ah LFP cell at C/32.
LFP_TABLE = {0.0267: 2.9299, 0.0885: 3.1942, 0.2972: 3.2772, 0.9833: 3.3511, 0.9950: 3.4180}
# Chen et al. 2020 (PyBaMM 26.10, ElectrodeSOH).
NMC_TABLE = {0.1: 3.296, 0.3: 3.581, 0.5: 3.751, 0.7: 3.948, 0.9: 4.097, 1.0: 4.200}


def even(chemistry, soc, **changes):
    """Cells without spread, 10 Ah, 1 mohm each and as much again behind the RC."""
    parameters = CellParameters(
        chemistry, 4, 10.0, 0.001, 0.001, capacity_spread=0, resistance_spread=0, charge_spread=0, **changes
    )
    return Cells(parameters, soc, 25.0, np.random.default_rng(0))


@pytest.mark.parametrize(
    ("chemistry", "soc", "volt"),
    [("lfp", *pair) for pair in LFP_TABLE.items()] + [("nmc", *pair) for pair in NMC_TABLE.items()],
)
def test_rest_voltage_follows_the_published_table(chemistry, soc, volt):
    assert even(chemistry, soc).voltage == pytest.approx(volt, abs=1e-6)


def test_rest_after_a_discharge_lies_within_the_hysteresis_below_the_table():
    cells = even("lfp", 0.8)
    for _ in range(3600):
        cells.step(5.0, 1.0, 25.0)  # half the charge
    for _ in range(600):
        cells.step(0.0, 1.0, 25.0)
    assert cells.soc == pytest.approx(0.3, abs=1e-9)
    below = cells.open_circuit_voltage() - cells.voltage
    assert np.all(below > 0.9 * HYSTERESIS_V["lfp"])
    assert np.all(below <= HYSTERESIS_V["lfp"])


def test_lfp_slope_on_the_plateau():
    """1.077 mV a percent between 30 and 98 %: the slope of the published breakpoints."""
    soc, volt = open_circuit_curve("lfp")
    low, high = np.interp([0.30, 0.98], soc, volt)
    assert (high - low) / 68 * 1000 == pytest.approx(1.077, abs=0.001)


def test_sag_is_current_times_resistance_at_once_and_more_after_a_while():
    cells = even("nmc", 0.5)
    rest = cells.voltage.copy()
    cells.step(20.0, 1e-6, 25.0)
    assert rest - cells.voltage == pytest.approx(20 * 0.001, abs=1e-6)
    for _ in range(100):
        cells.step(20.0, 1.0, 25.0)
    assert cells.open_circuit_voltage() - cells.voltage == pytest.approx(20 * 0.002, rel=0.01)


def test_a_cell_of_double_resistance_sags_twice_and_one_of_low_capacity_is_emptier():
    cells = even("nmc", 0.5, odd={2: OddCell(resistance=2.0), 3: OddCell(capacity=0.8)})
    rest = cells.voltage.copy()
    cells.step(20.0, 1e-6, 25.0)
    sag = rest - cells.voltage
    assert sag[1] / sag[0] == pytest.approx(2.0, rel=1e-3)
    assert cells.soc[2] == pytest.approx(1 - 0.5 / 0.8, abs=1e-6)


def test_resistance_doubles_in_the_cold():
    warm, cold = even("lfp", 0.5), Cells(even("lfp", 0.5)._parameters, 0.5, 5.0, np.random.default_rng(0))
    assert cold.total_resistance / warm.total_resistance == pytest.approx(1.83, abs=0.02)  # about double, from memory


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-30, 30), min_size=5, max_size=60), st.sampled_from(["lfp", "nmc"]))
def test_charge_and_energy_balance(currents, chemistry):
    """What leaves the terminals is what the open-circuit voltage gives, less heat, less what the RC holds."""
    cells, dt = even(chemistry, 0.5), 0.5
    given_j = source_j = heat_j = 0.0
    start = cells.soc.copy()
    for current in currents:
        cells.step(current, dt, 25.0)
        given_j += float(cells.voltage.sum()) * current * dt
        inner = cells.voltage + cells.rc_voltage + current * cells.resistance_ohm
        source_j += float(inner.sum()) * current * dt
        heat_j += float(cells.heat_w.sum()) * dt
    assert source_j == pytest.approx(given_j + heat_j, abs=1e-6)
    assert (start - cells.soc) * cells.capacity_ah == pytest.approx(sum(currents) * dt / 3600, abs=1e-12)


def test_energy_of_a_slow_discharge_is_the_area_under_the_published_curve():
    cells, dt = even("nmc", 1.0), 10.0
    energy_wh = 0.0
    for _ in range(32400):  # 0.1 A, C/100, 90 % of the charge
        cells.step(0.1, dt, 25.0)
        energy_wh += float(cells.voltage[0]) * 0.1 * dt / 3600
    table = open_circuit_curve("nmc")
    area, _ = quad(lambda soc: float(np.interp(soc, *table)), 0.1, 1.0, limit=200)  # SciPy as the yardstick
    assert energy_wh == pytest.approx(area * 10.0, rel=1e-3)


def test_heat_without_cooling_warms_by_its_energy():
    cells = even("nmc", 0.9, cooling_w_per_k=0.0, heat_capacity_j_per_k=500.0)
    heat_j = np.zeros(4)
    for _ in range(100):
        cells.step(30.0, 1.0, 25.0)
        heat_j += cells.heat_w
    assert (cells.temperature_c - 25.0) * 500.0 == pytest.approx(heat_j, rel=1e-9)
