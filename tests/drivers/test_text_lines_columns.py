from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode.text_settings import TextSettings
from telemetry.model.columns import ColumnMap, line_through
from telemetry.model.tables import read_table


def problems(table):
    return [str(problem) for problem in read_table(TextSettings, {"columns": table})[1]]


def converted(table, names, row):
    settings, wrong = read_table(TextSettings, {"columns": table})
    assert wrong == []
    layout = ColumnMap(settings.columns).layout(tuple(names))
    return dict(zip(layout.signals, layout.apply(np.array([row], dtype=float))[0].tolist(), strict=True))


def test_each_way_to_name_a_column():
    table = {
        "u": "pack_voltage",
        "i_raw": {"signal": "pack_current", "scale": 0.0732, "offset": -37.5},
        "t": {"signal": "motor_temperature", "unknown": [999]},
    }
    assert problems(table) == []
    found = converted(table, ["u", "i_raw", "t", "throttle_voltage", "Lux #1"], [52.3, 1024, 999, 1.2, 310])
    assert found["pack_voltage"] == 52.3
    assert found["pack_current"] == pytest.approx(1024 * 0.0732 - 37.5)
    assert math.isnan(found["motor_temperature"])
    assert found["throttle_voltage"] == 1.2
    assert found["extra_lux_1"] == 310


def test_two_point_calibration_worked_example():
    # Straight line through two points (analytic geometry); figures as worked by hand in docs/serial-text.md.
    scale, offset = line_through([[612, 48.20], [731, 57.55]])
    assert scale == pytest.approx(0.0785714, abs=1e-7)
    assert offset == pytest.approx(0.1143, abs=1e-4)
    table = {"u_raw": {"signal": "pack_voltage", "points": [[612, 48.20], [731, 57.55]]}}
    assert converted(table, ["u_raw"], [680])["pack_voltage"] == pytest.approx(53.543, abs=5e-4)


@given(*[st.floats(-1e4, 1e4)] * 4, st.floats(-1e4, 1e4))
@settings(max_examples=60, deadline=None)
def test_calibration_agrees_with_numpy_polyfit(raw1, true1, raw_step, true_step, raw):
    # outside check: numpy.polyfit of degree 1 through the same two points
    if abs(raw_step) < 1 or abs(true_step) < 1:
        return
    raw2, true2 = raw1 + raw_step, true1 + true_step
    scale, offset = line_through([[raw1, true1], [raw2, true2]])
    assert scale * raw1 + offset == pytest.approx(true1, abs=1e-6)
    assert scale * raw2 + offset == pytest.approx(true2, abs=1e-6)
    slope, intercept = np.polyfit([raw1, raw2], [true1, true2], 1)
    assert scale * raw + offset == pytest.approx(slope * raw + intercept, rel=1e-6, abs=1e-3)


def test_a_signal_is_never_given_twice():
    table = {"u": "pack_voltage"}
    found = converted(table, ["pack_voltage", "u", "V bat", "V-bat", "pack_power"], [1, 2, 3, 4, 5])
    assert found == {
        "extra_pack_voltage": 1,
        "pack_voltage": 2,
        "extra_v_bat": 3,
        "extra_v_bat_2": 4,
        "extra_pack_power": 5,
    }


def test_one_signal_for_two_columns_is_a_mistake_by_itself():
    (problem,) = problems({"u": "pack_voltage", "u_2": "pack_voltage"})
    assert "columns.u_2: pack_voltage is taken by u; name another signal for one" in problem


def test_rows_of_more_shapes_than_are_kept_are_placed_as_ever():
    columns = ColumnMap({})
    for _ in range(2):
        for number in range(300):
            assert columns.layout(("pack_voltage", f"n{number}")).signals == ("pack_voltage", f"extra_n{number}")


def test_a_stated_extra_and_a_column_of_that_name_do_not_clash():
    assert converted({"a": "extra_b"}, ["b", "a"], [1, 2]) == {"extra_b_2": 1, "extra_b": 2}


def test_all_problems_at_once_each_with_the_remedy():
    found = problems(
        {
            "a": "pack_volts",
            "b": {"signal": "pack_current", "scale": 0},
            "c": {"signal": "pack_power"},
            "d": {"signal": "motor_speed", "points": [[1, 2], [1, 3]]},
            "e": {"signal": "motor_current", "points": [[1, 2], [3, 2]]},
            "f": {"scael": 1},
            "g": 5,
            "h": {"signal": "vehicle_speed", "scale": 1, "points": [[1, 2], [3, 4]]},
            "i": {"signal": "latitude", "unknown": "x", "offset": "x"},
            "j": {"signal": "longitude", "points": [[1, 2]]},
            "k": "motor_current",
            "l": "Extra Wide",
        }
    )
    for expected in (
        "columns.a: there is no signal pack_volts; did you mean pack_voltage",
        "columns.b.scale: is 0",
        "columns.c.signal: pack_power is computed here",
        "columns.d.points: has the same raw value twice",
        "columns.e.points: has the same true value twice",
        "columns.f.scael: is an unknown key; did you mean scale?",
        "columns.f.signal: is missing; write signal = ",
        "columns.g: is 5 where a signal's name belongs",
        "columns.h.points: cannot be used with scale or offset",
        'columns.i.unknown[1]: is "x" where a number belongs',
        'columns.i.offset: is "x" where a number belongs',
        "columns.j.points: is not two pairs of numbers",
        "columns.k: motor_current is taken by e",
        "columns.l: there is no signal Extra Wide",
    ):
        assert any(expected in problem for problem in found), (expected, found)
    assert len(found) == 14
    assert problems([]) != []


@pytest.mark.parametrize("value", [math.inf, math.nan, True, "1"])
def test_a_scale_that_is_no_number(value):
    assert len(problems({"a": {"signal": "pack_voltage", "scale": value}})) == 1
