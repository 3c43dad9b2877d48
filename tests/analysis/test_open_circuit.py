"""Open-circuit tables against published points, and how far they may be trusted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.open_circuit import (
    charge_uncertainty,
    open_circuit_tables,
    stated_table,
    voltage_uncertainty,
)
from telemetry.machine.cell_practice import CELL_PRACTICE
from telemetry.machine.chemistry import CHEMISTRIES


def test_a_lead_block_of_12_345_v_is_at_62_5_per_cent() -> None:
    """Battery Council International table (secondary copy): 12.24 V at 50 %, 12.45 V at 75 %; linear between."""
    table = open_circuit_tables("lead-flooded")[0]
    assert 100 * float(table.share_at(12.345 / 6)) == pytest.approx(62.5, abs=0.1)


@pytest.mark.parametrize(
    ("chemistry", "place", "share", "volts"),
    [
        ("nmc", 0, 0.5, 3.7509),  # PyBaMM 26.10.1.1, Chen2020
        ("nca", 0, 0.7, 3.8742),  # NCA_Kim2011
        ("lfp", 3, 0.5, 3.266),  # Prada2013, which lies low on the plateau
    ],
)
def test_tables_go_through_their_sources_points(chemistry: str, place: int, share: float, volts: float) -> None:
    assert float(open_circuit_tables(chemistry)[place].volts_at(share)) == pytest.approx(volts, abs=1e-4)


@pytest.mark.parametrize("chemistry", sorted(CHEMISTRIES))
def test_every_chemistry_has_tables_that_only_rise_and_say_where_they_come_from(chemistry: str) -> None:
    for table in open_circuit_tables(chemistry):
        assert (np.diff(table.volts) >= 0).all()
        assert (np.diff(table.share) > 0).all()
        assert table.share[0] == 0.0
        assert table.share[-1] == 1.0
        assert table.source
        assert table.weight > 0


def test_on_the_plateau_of_iron_phosphate_a_rested_voltage_is_refused_by_its_width() -> None:
    """Less than 1 mV a per cent by the half-cells, and sources 29 mV apart at half charge."""
    measured, model = open_circuit_tables("lfp")[0], open_circuit_tables("lfp")[-1]
    assert float(measured.slope_at(0.5)) < 0.1
    assert float(measured.volts_at(0.5) - model.volts_at(0.5)) == pytest.approx(0.029, abs=0.001)
    assert float(charge_uncertainty("lfp", 0.5)) > 0.08
    assert float(charge_uncertainty("lfp", 0.03)) < 0.03
    own = open_circuit_tables("nmc")[0]
    assert float(charge_uncertainty("nmc", 0.5, own)) < 0.03 < float(charge_uncertainty("nmc", 0.5)) < 0.08
    assert float(voltage_uncertainty("lfp", 0.5)) > 0.008


@given(st.sampled_from(sorted(CHEMISTRIES)), st.floats(0.02, 0.98))
def test_share_and_voltage_undo_each_other_where_the_curve_rises(chemistry: str, share: float) -> None:
    table = open_circuit_tables(chemistry)[0]
    if float(table.slope_at(share)) > 0.02:
        assert float(table.share_at(table.volts_at(share))) == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_the_mean_voltage_that_fit_uses_is_the_integral_of_the_table(chemistry: str) -> None:
    practice = CELL_PRACTICE[chemistry]
    table = open_circuit_tables(chemistry)[0]
    assert table.mean_volts(1.0 - practice.usable_share, 1.0) == pytest.approx(practice.mean_open_v, abs=0.0006)


def test_the_mean_of_a_straight_line_is_its_middle() -> None:
    table = stated_table(((0, 3.0), (30, 3.3), (100, 4.0)))
    assert table.mean_volts(0.2, 0.6) == pytest.approx(3.4)
