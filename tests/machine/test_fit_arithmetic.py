"""The arithmetic of the fit check against published and worked examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.machine.fit.circuit import (
    charge_time,
    current_at_power,
    fill_time,
    mean_open_v,
    peukert_capacity,
    short_circuit_current,
    temperature_rise,
    usable_energy,
    wall_energy,
)
from telemetry.machine.fit.findings import amount


# A published worked example of UL 486A: a lug that warms by 50 degC at 125 A warms by 23 at 85 A and by 29 at 95 A.
@pytest.mark.parametrize(("amperes", "rise", "exact"), [(85, 23, 23.12), (95, 29, 28.88)])
def test_lugs_warm_with_the_square_of_the_current(amperes: float, rise: float, exact: float) -> None:
    assert temperature_rise(50, 125, amperes) == pytest.approx(rise, abs=0.2)
    assert temperature_rise(50, 125, amperes) == pytest.approx(exact, abs=1e-9)


def test_a_charge_lasts_as_long_as_its_ampere_hours() -> None:
    # 80 Ah at 18 A: 4.444 h; with 2 % lost, 4.535 h.
    assert charge_time(80, 18) == pytest.approx(4.444, rel=1e-3)
    assert charge_time(80, 18, 0.98) == pytest.approx(4.535, rel=1e-3)


def test_energy_at_the_wall() -> None:
    # 5.12 kWh * 0.8 / (0.90 * 0.96) = 4.741 kWh; at 0.16 a kWh 0.7585.
    assert wall_energy(5120, 0.8, 0.90, 0.96) == pytest.approx(4741, rel=1e-3)
    assert wall_energy(5120, 0.8, 0.90, 0.96) / 1000 * 0.16 == pytest.approx(0.7585, rel=1e-3)


def test_peukert_in_its_normalised_form() -> None:
    # 100 Ah over 20 h, exponent 1.2, at 10 A: 8.7055 h, 87.06 Ah; and at the rated 5 A the rated 100 Ah, where the
    # form that is not normalised would say 14.5 h.
    assert peukert_capacity(100, 10, 1.2) == pytest.approx(87.06, rel=1e-3)
    assert peukert_capacity(100, 10, 1.2) / 10 == pytest.approx(8.7055, rel=1e-4)
    assert peukert_capacity(100, 5, 1.2) == 100
    assert peukert_capacity(100, 1, 1.2) == 100
    assert usable_energy("lead-flooded", 48, 0.0, 100, 10) == pytest.approx(48 * 87.055 * 0.5, rel=1e-4)
    assert usable_energy("lead-flooded", 48, 0.1, 100, 10) == pytest.approx(47 * 87.055 * 0.5, rel=1e-4)


def test_the_short_circuit_of_a_sixteen_cell_pack() -> None:
    # 16 cells of 0.25 mohm and 4 mohm of wire at 51.2 V: 6400 A.
    assert short_circuit_current(51.2, 16 * 0.25e-3, 4e-3) == pytest.approx(6400, rel=1e-9)


def test_filling_a_capacitor() -> None:
    assert fill_time(100, 4700e-6) == pytest.approx(0.47)


@given(st.floats(10, 400), st.floats(0.0, 0.2), st.floats(1, 50_000))
def test_power_is_voltage_times_current_with_the_sag_counted(open_v: float, ohm: float, power: float) -> None:
    current = current_at_power(open_v, ohm, power)
    if current is None:
        assert power > open_v**2 / (4 * ohm) * (1 - 1e-9)
    else:
        volts = open_v - current * ohm
        assert volts * current == pytest.approx(power, rel=1e-6)
        assert volts >= open_v / 2 * (1 - 1e-9)
        assert current >= power / open_v * (1 - 1e-9)


def test_the_mean_of_a_curve_is_its_integral() -> None:
    # A straight line from 3 V at 0 % to 4 V at 100 %: 3.5 V over all of it, 3.75 V over its upper half.
    assert mean_open_v([(100, 4.0), (0, 3.0)], 1.0) == pytest.approx(3.5)
    assert mean_open_v([(0, 3.0), (100, 4.0)], 0.5) == pytest.approx(3.75)
    assert mean_open_v([(0, 3.0), (50, 3.0), (100, 4.0)], 1.0) == pytest.approx(3.25)
    assert mean_open_v([(20, 3.0), (80, 3.0)], 0.9) == pytest.approx(3.0)


@given(st.floats(1, 1000), st.floats(0.1, 500), st.floats(0.1, 500), st.floats(1, 1.6))
def test_more_current_never_gives_more_ampere_hours(capacity, one, other, exponent) -> None:
    gentle, hard = (peukert_capacity(capacity, each, exponent) for each in sorted((one, other)))
    assert hard <= gentle * (1 + 1e-9) <= capacity * (1 + 1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (10_870.0, "W", "10.9 kW"),
        (999.0, "Wh", "999 Wh"),
        (6712.0, "A", "6710 A"),
        (0.0893, "V", "89.3 mV"),
        (67.98, "V", "68 V"),
        (-12.345, "kg", "-12.3 kg"),
        (0.00094, "s", "0.94 ms"),
        (0.0, "V", "0 V"),
    ],
)
def test_an_amount_has_three_digits_and_the_unit_of_a_person(value: float, unit: str, said: str) -> None:
    assert amount(value, unit) == said
