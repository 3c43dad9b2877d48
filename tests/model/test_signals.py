"""The vocabulary: names, units, possible ranges, and what becomes of a name that is not in it."""

from __future__ import annotations

import csv
import io
import math
import sqlite3

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.signals import (
    cell_name,
    cell_number,
    extra_name,
    find_signal,
    is_identifier,
    known_names,
    nearest_signals,
    pack_temperature_number,
)

KNOWN = known_names()


@pytest.mark.parametrize("name", KNOWN)
def test_every_name_is_found_by_itself_and_fits_everywhere(name):
    signal = find_signal(name)
    assert signal is not None
    assert signal.name == name
    assert is_identifier(name)
    assert signal.meaning
    assert signal.low < signal.high
    assert math.isfinite(signal.low)
    assert math.isfinite(signal.high)


@pytest.mark.parametrize("name", KNOWN)
def test_a_name_stands_unquoted_as_sql_column_and_csv_header(name):
    with sqlite3.connect(":memory:") as connection:
        connection.execute(f"CREATE TABLE one (t INTEGER, {name} REAL)")
        assert [row[1] for row in connection.execute("PRAGMA table_info(one)")] == ["t", name]
    connection.close()
    line = io.StringIO()
    csv.writer(line).writerow([name])
    assert line.getvalue().strip() == name
    assert name.isidentifier()


def test_no_name_stands_twice():
    assert len(set(KNOWN)) == len(KNOWN)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        # Units by the SI brochure or the trade (percent of charge, revolutions a minute, ampere and watt hours).
        ("pack_voltage", "V"),
        ("pack_current", "A"),
        ("pack_power", "W"),
        ("soc_reported", "%"),
        ("charge_out", "Ah"),
        ("energy_in", "Wh"),
        ("motor_speed", "rpm"),
        ("vehicle_speed", "km/h"),
        ("pack_resistance", "ohm"),
        ("ambient_temperature", "degC"),
        ("latitude", "deg"),
    ],
)
def test_units_are_the_trades(name, unit):
    assert find_signal(name).unit == unit


def test_switches_are_zero_or_one_unless_they_number_a_cell():
    switches = {name for name in KNOWN if find_signal(name).is_switch}
    assert switches == {
        "discharge_allowed",
        "charge_allowed",
        "charging",
        "implement_engaged",
        "cell_charge_deficit_number",
        "cell_resistance_ratio_number",
        "cell_min_number",
        "cell_max_number",
    }


def test_a_cell_at_zero_volts_is_not_possible_but_an_empty_one_is():
    cell = find_signal("cell_01_voltage")
    assert cell.low > 0.0
    # Lower cut-off of the parameter set Prada2013, upper cut-off of Chen2020, as PyBaMM 26.10 has them.
    assert cell.low < 2.0
    assert cell.high > 4.2


def test_current_may_flow_both_ways_and_by_the_same_amount():
    current = find_signal("pack_current")
    assert current.low == -current.high


@given(st.integers(1, 999))
def test_cells_are_numbered_there_and_back(number):
    name = cell_name(number)
    assert cell_number(name) == number
    assert find_signal(name).meaning == f"voltage of cell {number}"


@given(st.integers(1, 98))
def test_cell_names_sort_by_number_up_to_two_digits(number):
    assert cell_name(number) < cell_name(number + 1)


@given(st.integers(1, 99))
def test_sensors_are_numbered_there_and_back(number):
    assert pack_temperature_number(f"pack_temperature_{number}") == number
    assert find_signal(f"pack_temperature_{number}").unit == "degC"


@pytest.mark.parametrize(
    "name",
    [
        "cell_00_voltage",  # cells count from 1
        "cell_1_voltage",
        "cell_007_voltage",  # the same cell as cell_07_voltage under another name
        "cell_1000_voltage",
        "cell_٠١_voltage",  # digits of another script
        "cell_01_voltage\n",
        " cell_01_voltage",
        "pack_temperature_0",
        "pack_temperature_01",
        "pack_temperature_100",
        "Pack_Voltage",
        "pack voltage",
        "",
        "extra_Größe",
        "extra_a;drop",
        "extra_" + "a" * 58,
    ],
)
def test_what_only_looks_like_a_name_is_none(name):
    assert find_signal(name) is None
    assert cell_number(name) is None
    assert pack_temperature_number(name) is None


@given(st.text(max_size=200))
def test_any_text_makes_an_extra_name_that_can_stand_as_a_column(text):
    name = extra_name(text)
    assert is_identifier(name)
    assert name.startswith("extra_")
    signal = find_signal(name)
    assert signal is not None
    assert (signal.low, signal.high) == (-math.inf, math.inf)


@given(st.text(max_size=200))
def test_an_extra_name_made_twice_is_the_same(text):
    assert extra_name(extra_name(text)) == extra_name(text)


def test_an_extra_name_can_still_be_recognised():
    assert extra_name("SoC reference (%)") == "extra_soc_reference"
    assert extra_name("") == "extra_column"


@given(st.text(max_size=100))
def test_an_identifier_is_one_for_python_too(text):
    if is_identifier(text):
        assert text.isidentifier()
        assert text.isascii()
        assert len(text) <= 63


def test_a_misspelt_name_proposes_the_right_one():
    assert nearest_signals("pack_curent")[0] == "pack_current"
    assert nearest_signals("PackVoltage")[0] == "pack_voltage"
    assert nearest_signals("cell_1_voltage")[0] == "cell_01_voltage"
    assert nearest_signals("zzzzzz") == []
