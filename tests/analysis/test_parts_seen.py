"""The worst that parts saw: against hand computations, and against a plain search over every window."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.analysis.gaps import GapRule
from telemetry.analysis.parts_seen import cells_seen, highest, loaded_s, lowest, peak_current, steady_current
from telemetry.analysis.series import CellSeries, Series, SessionSeries
from telemetry.analysis.session_power import Flow

SECOND = 1_000_000


def series(values, every_s=1.0):
    t = np.round(np.arange(len(values)) * every_s * SECOND).astype(np.int64)
    return Series(t, np.asarray(values, dtype=np.float64))


def flow(values, every_s=1.0):
    one = series(values, every_s)
    nothing = np.zeros(len(one.t))
    return Flow(one.t, one.values, GapRule().take(one.t), nothing, nothing)


def test_one_misread_row_is_no_worst_value_and_two_seconds_of_it_are():
    assert lowest(series([80, 80, 50, 80, 80]), 0, 2.0).value == 80.0
    held = lowest(series([80, 80, 62, 61, 60, 80, 80]), 0, 2.0)
    assert (held.value, held.at_s, held.start) == (62.0, 4.0, 80.0)


def test_a_gap_is_no_time_that_a_value_lasted():
    t = np.concatenate([np.arange(20), 500 + np.arange(20)]) * SECOND
    values = np.full(40, 80.0)
    values[19:21] = 50.0  # the last row before the gap and the first behind it
    assert lowest(Series(t, values), 0, 2.0).value == 80.0


def test_a_session_of_one_row_gives_that_row():
    assert highest(series([42.0]), 0, 10.0).value == 42.0
    assert highest(None, 0, 10.0) is None


@given(
    st.lists(st.integers(-50, 50), min_size=1, max_size=60),
    st.sampled_from([0.0, 0.2, 1.0, 2.0, 10.0]),
    st.sampled_from([0.1, 0.5, 1.0, 3.0]),
)
def test_the_worst_held_value_is_that_of_a_search_over_every_window(values, held_s, every_s):
    one = series(values, every_s)
    found = []
    for last in range(len(values)):
        first = [row for row in range(last + 1) if one.t[row] <= one.t[last] - round(held_s * SECOND)]
        if first:
            found.append(min(values[first[-1] : last + 1]))
    assert highest(one, 0, held_s).value == (max(found) if found else max(values))


def test_a_steady_current_heats_a_part_by_its_time_constant():
    # from cold: I * sqrt(1 - exp(-t / window)), here 100 A for 35 s on a part of 35 s: 100 * sqrt(1 - 1/e) = 79.5 A
    found = steady_current(flow(np.full(36, 100.0)), 0, 35.0)
    assert found.value == pytest.approx(100.0 * math.sqrt(1.0 - math.exp(-1.0)), rel=1e-12)
    assert found.at_s == 35.0


def test_current_of_the_other_direction_does_not_count():
    assert steady_current(flow([-50.0] * 60), 0, 30.0).value == 0.0
    assert steady_current(flow([-50.0] * 600), 0, 30.0, into=True).value == pytest.approx(50.0, rel=1e-6)


def test_the_peak_lasts_two_tenths_of_a_second():
    spike = flow([0.0, 0.0, 300.0, 0.0, 0.0, 150.0, 150.0, 150.0, 0.0], 0.1)
    assert peak_current(spike, 0, 0.2).value == 150.0


def test_time_under_load_leaves_gaps_out():
    t = np.concatenate([np.arange(20), 500 + np.arange(20)]) * SECOND
    one = Flow(t, np.full(40, 30.0), GapRule().take(t), np.zeros(40), np.zeros(40))
    assert loaded_s(one, 5.0) == 38.0


@given(st.lists(st.floats(-200, 200), min_size=2, max_size=80), st.floats(1.0, 5.0), st.floats(5.0, 300.0))
def test_more_current_never_heats_less(values, factor, window_s):
    less, more = flow(values), flow([factor * value for value in values])
    assert steady_current(more, 0, window_s).value >= steady_current(less, 0, window_s).value * (1 - 1e-12)
    assert peak_current(more, 0, 0.2).value >= peak_current(less, 0, 0.2).value


@given(st.lists(st.floats(0, 200), min_size=2, max_size=80), st.floats(5.0, 300.0))
def test_the_steady_current_lies_between_nothing_and_the_highest(values, window_s):
    assert 0.0 <= steady_current(flow(values), 0, window_s).value <= max(values) * (1 + 1e-12)


def test_no_rows_are_no_worst_and_a_way_that_is_never_taken_heats_nothing():
    none = flow([])
    assert steady_current(none, 0, 30.0) is None
    assert peak_current(none, 0, 0.2) is None
    braking = flow([-50.0] * 600)
    half = np.arange(600) < 300
    assert steady_current(braking, 0, 30.0, half, into=True).at_s == pytest.approx(299.0)
    assert steady_current(braking, 0, 30.0, np.zeros(600, dtype=np.bool_), into=True).value == 0.0


def test_the_worst_cells_are_named_and_one_that_was_never_read_is_none_of_them():
    t = np.arange(30) * SECOND
    voltages = np.full((30, 4), 3.3)
    voltages[10:20, 1], voltages[5:15, 3] = 3.0, 3.6
    voltages[:, 2] = np.nan
    cells = CellSeries(t, voltages, (1, 2, 3, 4))
    low, high = cells_seen(SessionSeries("made up", 0, int(t[-1]), 0, "relative", {}, cells))
    assert (low.value, low.name) == (3.0, "2")
    assert (high.value, high.name) == (3.6, "4")
