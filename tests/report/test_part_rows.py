"""Rows of parts against hand computations on small drives, and what a row says where something is missing."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from telemetry.analysis.session_figures import figures_of
from telemetry.machine.pack_keys import Wiring
from telemetry.machine.sections import LimitOverride
from telemetry.machine.vehicle_keys import Vehicle
from telemetry.report.part_row import Bound, make_row
from telemetry.report.part_rows import part_rows
from tests.report.drives import MACHINE, drive, machine


def rows_of(series, stated=MACHINE):
    return {row.key: row for row in part_rows(figures_of(series, stated))}


@pytest.fixture(scope="module")
def rows():
    return rows_of(drive())


def periodic(window_s, high=120.0, low=20.0, half_s=20.0):
    """Return the highest fading root mean square of a square wave that has gone on for ever, A."""
    kept = math.exp(-half_s / window_s)
    return math.sqrt((high**2 * (1 - kept) + low**2 * kept * (1 - kept)) / (1 - kept**2))


def test_the_steady_currents_are_those_of_a_square_wave_by_hand(rows):
    for key, window_s in (("pack-steady-current", 35.0), ("fuse-current", 30.0), ("connector-current", 120.0)):
        # half an interval of the slope between two rows at 2 Hz is worth about an ampere
        assert rows[key].worst == pytest.approx(periodic(window_s), abs=1.5), key


def test_each_current_is_held_against_its_own_rating_and_says_where_that_is_from(rows):
    assert (rows["pack-peak-current"].limit, rows["pack-peak-current"].origin) == (300.0, "[pack] peak_discharge_a")
    assert rows["fuse-current"].limit == 160.0  # four fifths of 200 A
    assert rows["fuse-current"].origin == "80 % of [wiring] fuse_a"
    # 35 mm² by its next thinner row, 2 AWG: 130 A in the 90 °C column of NEC Table 310.16
    assert rows["wire-current"].limit == 130.0
    assert rows["connector-current"].limit == 175.0


def test_headroom_is_in_the_unit_and_in_per_cent_of_the_limit(rows):
    low = rows["pack-low-voltage"]
    # 79.2 V less 120 A times 30 mOhm
    assert low.worst == pytest.approx(75.6, abs=0.02)
    assert low.headroom == pytest.approx(15.6, abs=0.02)
    assert low.headroom_pct == pytest.approx(26.0, abs=0.05)
    assert low.warn == pytest.approx(24 * 2.80)  # the chemistry's, above 5 % over the cut-off of 60 V
    # the controller has 120 A times 3 mOhm less
    assert rows["controller-low-voltage"].worst == pytest.approx(75.24, abs=0.02)
    assert rows["pack-high-voltage"].worst == pytest.approx(78.6, abs=0.02)


WIRE_OHM = 2 * 1.4 * 0.554e-3 * (1 + 0.00393 * 40)
"""2.8 m of 35 mm² by IEC 60228 class 5 (0.554 ohm/km at 20 °C), warm at 60 °C; copper 0.393 % a kelvin, handbook."""


def test_the_joints_heat_by_what_the_path_has_beyond_its_wire(rows):
    watts = (0.003 - WIRE_OHM) * rows["connector-current"].worst ** 2
    assert rows["path"].worst == pytest.approx(watts, rel=0.03)
    assert rows["path"].limit == 80.0


def test_a_joint_that_turns_eighty_watts_into_heat_says_so():
    row = rows_of(drive(path_ohm=WIRE_OHM + 80.0 / 88.6**2))["path"]
    assert row.worst == pytest.approx(80.0, rel=0.03)
    assert row.seen.startswith(("79 W", "80 W", "81 W"))
    assert rows_of(drive(path_ohm=WIRE_OHM + 88.0 / 88.6**2))["path"].level == "past"


def test_a_switch_that_is_open_is_no_voltage_sag_and_no_joint():
    series = drive()
    half = len(series.signals["pack_current"].t) // 2
    signals = dict(series.signals)
    for name in ("pack_current", "controller_voltage"):
        values = signals[name].values.copy()
        values[half:] = 0.0
        signals[name] = replace(signals[name], values=values)
    rows = rows_of(replace(series, signals=signals))
    assert rows["controller-low-voltage"].worst == pytest.approx(75.24, abs=0.02)
    assert rows["path"].level == "holds"


def test_temperatures_give_their_rise(rows):
    assert rows["pack-temperature"].seen == "30 °C, rise 5 °C"
    assert rows["motor-temperature"].worst == pytest.approx(40.0, abs=0.1)


def test_predictions_carry_an_interval_and_never_park():
    rows = rows_of(drive(ohm=0.2), machine(low_cutoff_v=62.0))
    empty = rows["sag-nearly-empty"]
    assert empty.worst < 62.0
    assert empty.level == "near"
    assert rows["sag-cold"].worst < empty.worst
    assert not rows["sag-cold"].counts


def test_a_cell_of_its_own_is_named():
    low = rows_of(drive(changed={"cell_17_voltage": -0.9}))["lowest-cell"]
    assert low.part == "lowest cell 17"
    # (79.2 - 3.6) / 24 - 0.9 = 2.25 V
    assert low.worst == pytest.approx(2.25, abs=0.01)
    assert low.level == "past"


def test_an_unstated_limit_says_what_to_write():
    rows = rows_of(drive(), replace(machine(continuous_discharge_a=None), wiring=Wiring(), vehicle=Vehicle()))
    for key, word in (
        ("pack-steady-current", "continuous_discharge_a into [pack]"),
        ("wire-current", "conductor_mm2 into [wiring]"),
        ("fuse-current", "fuse_a into [wiring]"),
        ("connector-current", "connector_a into [wiring]"),
        ("controller-current", "controller_current_a into [machine]"),
        ("controller-low-voltage", "minimum_voltage_v into [machine]"),
    ):
        assert rows[key].level == "not judged", key
        assert rows[key].why == f"no limit stated: write {word}"
    # where the wire's share of the heat is not known it is all told, 3 mOhm at 88.6 A, against twice the limit
    assert rows["path"].worst == pytest.approx(0.003 * 88.6**2, rel=0.03)
    assert rows["path"].limit == 160.0


def test_without_a_cut_off_the_chemistry_stands_in_and_says_so():
    row = rows_of(drive(), machine(low_cutoff_v=None))["pack-low-voltage"]
    assert row.limit == 60.0
    assert "program's default" in row.origin


def test_a_cut_off_below_what_cells_stand_gets_their_minimum_as_well():
    rows = rows_of(drive(), machine(low_cutoff_v=50.0))
    assert (rows["pack-low-voltage"].limit, rows["pack-cells-minimum"].limit) == (50.0, 60.0)


def test_the_owner_s_own_limit_counts_and_is_named():
    stated = replace(
        MACHINE,
        limit_overrides={
            "pack-voltage-low": LimitOverride(name="pack-voltage-low", trip=76.0),
            "cell-voltage-low": LimitOverride(name="cell-voltage-low", enabled=False),
        },
    )
    rows = rows_of(drive(), stated)
    assert (rows["pack-low-voltage"].limit, rows["pack-low-voltage"].level) == (76.0, "past")
    assert rows["pack-low-voltage"].origin == "[limits.pack-voltage-low] trip"
    assert rows["lowest-cell"].why == "its limit is switched off in [limits.cell-voltage-low]"


def test_a_signal_that_is_missing_says_what_to_record():
    rows = rows_of(drive(without=("controller_voltage", "motor_temperature", "pack_temperature_1", "cells")))
    assert rows["controller-low-voltage"].why == "record controller_voltage"
    assert rows["path"].why == "record controller_voltage"
    assert rows["motor-temperature"].why == "record motor_temperature"
    assert rows["pack-temperature"].why == "record pack_temperature_1"
    assert rows["lowest-cell"].why == "record the cell voltages"
    assert rows["sag-cold"].why == "record pack_temperature_1"


def test_the_order_is_past_near_holds_and_not_judged_last():
    rows = part_rows(figures_of(drive(amperes=170.0, without=("cells",)), MACHINE))
    order = ["past", "near", "holds", "not judged"]
    places = [order.index(row.level) for row in rows]
    assert places == sorted(places)
    assert len(set(places)) >= 3
    shares = [row.share_pct for row in rows if row.level == "holds"]
    assert shares == sorted(shares, reverse=True)


def test_every_row_has_a_limit_or_says_why_it_is_not_judged():
    for each in part_rows(figures_of(drive(without=("cells", "controller_voltage")), MACHINE)):
        assert (each.level == "not judged") == bool(each.why), each
        assert (each.headroom is None) == (each.level == "not judged"), each


@pytest.mark.parametrize(("value", "level"), [(89.0, "holds"), (91.0, "near"), (100.0, "near"), (100.1, "past")])
def test_warning_and_limit_part_the_levels(value, level):
    from telemetry.analysis.parts_seen import Worst

    assert make_row("x", "x", "A", Worst(value, 0.0), Bound(100.0, 90.0, ""), "").level == level
    low = make_row("x", "x", "V", Worst(-value, 0.0), Bound(-100.0, -90.0, "", 0.0, "low"), "")
    assert low.level == level
