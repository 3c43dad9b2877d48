from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.charge_voltage import fast_ohm, voltage_over_charge
from telemetry.analysis.ranges import Range
from telemetry.machine.pack_keys import Pack

PACK = Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0)
LINE = Pack(chemistry="nmc", cells_in_series=10, capacity_ah=50.0, open_circuit=((0.0, 3.0), (100.0, 4.0)))


def test_a_straight_curve_gives_its_middle_less_the_sag() -> None:
    # Ten cells from 4.0 to 3.0 V are 35 V in the mean; 100 A through 10 mohm take 1 V.
    found = voltage_over_charge(LINE, 100.0, Range.exactly(0.010), 0.0, 1.0)
    assert found.mid == pytest.approx(34.0)
    assert voltage_over_charge(LINE, 0.0, Range.exactly(0.010), 0.0, 0.4).mid == pytest.approx(32.0)


def test_a_whole_charge_of_iron_phosphate_lies_between_its_nominal_and_its_upper_plateau() -> None:
    # Common practice: the plateau of a rested cell is 3.2 to 3.35 V, 51.2 to 53.6 V on sixteen cells.
    found = voltage_over_charge(PACK, 0.0, Range.exactly(0.0), 0.02, 1.0)
    assert 51.2 < found.mid < 53.6
    assert found.low < found.mid < found.high


def test_a_stated_resistance_counts_before_the_chemistrys() -> None:
    stated = fast_ohm(Pack(chemistry="lfp", cells_in_series=16, capacity_ah=100.0, internal_resistance_mohm=14.0))
    assert stated.mid == pytest.approx(0.014)
    unstated = fast_ohm(PACK)
    assert unstated.low < stated.mid < unstated.high


@given(st.floats(0, 300), st.floats(0, 300), st.floats(0.05, 1.0), st.floats(0.05, 1.0))
def test_more_current_and_less_charge_never_give_a_higher_voltage(
    one: float, other: float, low: float, high: float
) -> None:
    ohm = Range(0.01, 0.02, 0.03)
    gentle, hard = (voltage_over_charge(PACK, each, ohm, 0.02, 1.0).mid for each in sorted((one, other)))
    assert hard <= gentle
    emptier, fuller = (voltage_over_charge(PACK, 10.0, ohm, 0.02, each).mid for each in sorted((low, high)))
    assert emptier <= fuller + 1e-9
