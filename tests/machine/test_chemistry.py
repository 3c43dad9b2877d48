from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.chemistry import CHEMISTRIES, cell_of, pack_window


@pytest.mark.parametrize(
    ("cells", "low", "nominal", "high"),
    [(12, 30.0, 38.4, 43.8), (13, 32.5, 41.6, 47.45), (15, 37.5, 48.0, 54.75), (16, 40.0, 51.2, 58.4)],
)
def test_lithium_iron_phosphate_packs_have_the_windows_of_the_trade(
    cells: int, low: float, nominal: float, high: float
) -> None:
    # Common practice: 2.5, 3.2 and 3.65 V a cell; the products are printed on the sheets of packs of these sizes.
    window = pack_window(CHEMISTRIES["lfp"], cells)
    assert (window.low, window.nominal, window.high) == pytest.approx((low, nominal, high), abs=1e-9)


# Cut-off voltages of the parameter sets in PyBaMM 26.10: Prada2013 (lithium iron phosphate), Chen2020 (nickel
# manganese cobalt), NCA_Kim2011 (nickel cobalt aluminium): the models' cells are driven between these.
@pytest.mark.parametrize(("name", "low", "high"), [("lfp", 2.0, 3.6), ("nmc", 2.5, 4.2), ("nca", 2.7, 4.2)])
def test_our_window_is_never_laxer_at_the_bottom_than_the_published_cell_and_holds_its_charge(
    name: str, low: float, high: float
) -> None:
    cell = CHEMISTRIES[name]
    assert cell.minimum_v >= low
    assert cell.charge_v == high
    assert high <= cell.high_warn_v <= cell.maximum_v


# Open-circuit voltage at 10 % by the same sets (PyBaMM ElectrodeSOH), and a lead cell's at 0 % by the Battery Council
# International table (a twelfth-volt block's 11.89 V over six cells).
@pytest.mark.parametrize(
    ("name", "rested"), [("lfp", 2.978), ("nmc", 3.296), ("nca", 3.247), ("lead-flooded", 1.982)]
)
def test_the_knee_is_where_the_rested_curve_falls_away(name: str, rested: float) -> None:
    assert CHEMISTRIES[name].knee_v == pytest.approx(rested, abs=0.03)


@pytest.mark.parametrize("name", CHEMISTRIES)
def test_every_row_is_in_order(name: str) -> None:
    c = CHEMISTRIES[name]
    voltages = [c.minimum_v, c.low_warn_v, c.knee_v, c.nominal_v, c.charge_least_v, c.charge_v]
    voltages += [c.charge_most_v, c.maximum_v, c.high_trip_v]
    assert all(below <= above for below, above in pairwise(voltages))
    assert c.minimum_v < c.low_warn_v
    assert c.charge_v < c.high_warn_v < c.maximum_v
    assert c.high_trip_v > c.charge_most_v
    assert c.discharge_low_c <= c.charge_low_c < c.charge_high_c <= c.discharge_high_c
    assert 0 < c.spread_warn_v < c.spread_trip_v
    assert c.known_from


def test_lithium_cells_but_titanate_are_not_charged_in_frost() -> None:
    # Common practice, and a summary page of cell data sheets: no charging below 0 degC.
    assert all(CHEMISTRIES[name].charge_low_c == 0.0 for name in ("lfp", "nmc", "nca", "lmo", "sodium-ion"))


def test_an_owner_who_states_nothing_has_the_row_of_the_table() -> None:
    for name, row in CHEMISTRIES.items():
        assert cell_of({"chemistry": name}) is row


@settings(max_examples=100)
@given(st.sampled_from(sorted(CHEMISTRIES)), st.data())
def test_an_owners_figures_stand_and_the_rest_stays_in_order(name: str, data: st.DataObject) -> None:
    row = CHEMISTRIES[name]
    drawn = {
        "cell_minimum_v": st.floats(0.7 * row.minimum_v, 0.97 * row.nominal_v),
        "cell_charge_v": st.floats(1.05 * row.nominal_v, row.maximum_v),
        "cell_maximum_v": st.floats(row.maximum_v, 1.1 * row.maximum_v),
    }
    own = {key: value for key, each in drawn.items() if (value := data.draw(st.none() | each)) is not None}
    cell = cell_of({"chemistry": name, **own})
    for key, value in own.items():
        assert getattr(cell, key.removeprefix("cell_")) == value
    order = [cell.minimum_v, cell.low_warn_v, cell.knee_v, cell.nominal_v, cell.charge_least_v, cell.charge_v]
    order += [cell.high_warn_v, cell.maximum_v]
    assert all(below <= above + 1e-9 for below, above in pairwise(order))
    assert cell.high_trip_v > cell.charge_most_v >= cell.charge_v - 1e-9
    assert cell.high_trip_v >= cell.high_warn_v
