"""The comparator against the worked alarm example and against a plain row-by-row reading of its rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.comparator import Comparator, Crossing

# Worked example of an on-delay, off-delay and deadband at 1 Hz; the three terms are those of OPC UA Part 9
# (OPC 10000-9, 5.8). The sequence and its answer were worked out by hand from the rule stated in the module.
SAMPLES = [59, 61, 61, 59.5, 61, 61, 61, 61, 61, 61, 59, 58.5, 57.9, 57.8, 57.7, 57.6]


def seconds(values: list[float]) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(len(values), dtype=np.int64) * 1_000_000, np.array(values, dtype=float)


def test_worked_example_with_delays_and_deadband_is_one_alarm() -> None:
    t, values = seconds(SAMPLES)
    found = Comparator("high", 60, 2, 5, 3).take(t, values, int(t[-1]))
    assert [(c.t / 1e6, c.on) for c in found] == [(9.0, True), (15.0, False)]


def test_worked_example_without_them_is_two_alarms() -> None:
    t, values = seconds(SAMPLES)
    found = Comparator("high", 60).take(t, values, int(t[-1]))
    assert [c.t / 1e6 for c in found if c.on] == [1.0, 4.0]


def test_a_delay_runs_out_when_nothing_arrives() -> None:
    comparator = Comparator("low", 48, raise_delay_s=2)
    nothing = np.empty(0, dtype=np.int64), np.empty(0)
    assert comparator.take(np.array([1_000_000]), np.array([47.0]), 1_500_000) == []
    assert comparator.take(*nothing, 2_999_999) == []
    assert comparator.take(*nothing, 9_000_000) == [Crossing(3_000_000, True, 47.0)]


def test_a_row_at_the_deadline_comes_before_it() -> None:
    t = np.array([0, 2_000_000])
    assert Comparator("high", 60, raise_delay_s=2).take(t, np.array([61.0, 59.0]), 5_000_000) == []


def plain(side: str, bound: float, margin: float, on_delay: int, off_delay: int, rows: list, end: int) -> list:
    """The rule once more, one row and one deadline at a time."""
    sign = 1 if side == "high" else -1
    on, since, latest, out = False, None, None, []

    def fire_until(t: int, inclusive: bool) -> None:
        nonlocal on, since
        if since is None:
            return
        deadline = since + (off_delay if on else on_delay)
        if deadline < t or (inclusive and deadline == t):
            on, since = not on, None
            out.append((deadline, on, latest))

    place = 0
    while place < len(rows):
        t = rows[place][0]
        fire_until(t, inclusive=False)
        while place < len(rows) and rows[place][0] == t:
            value = rows[place][1]
            excess = sign * (value - bound)
            wanted = excess < -margin if on else excess > 0
            since = None if not wanted else (t if since is None else since)
            latest = value
            place += 1
            if wanted and (off_delay if on else on_delay) == 0:
                # without a delay the first row decides, and the latest of that instant is what is told
                latest = [v for u, v in rows if u == t][-1]
                fire_until(t, inclusive=True)
                while place < len(rows) and rows[place][0] == t:
                    place += 1
        fire_until(t, inclusive=True)
    fire_until(end, inclusive=True)
    return out


row = st.tuples(st.integers(0, 3), st.sampled_from([40.0, 47.0, 48.0, 48.5, 49.0, 50.0, 55.0]))


@given(
    st.sampled_from(["high", "low"]),
    st.lists(row, min_size=1, max_size=40),
    st.sampled_from([0, 2, 5]),
    st.sampled_from([0, 3]),
    st.sampled_from([0.0, 0.5, 1.0]),
    st.integers(0, 8),
)
def test_agrees_with_the_plain_rule_where_times_differ(side, steps, on_delay, off_delay, margin, tail) -> None:
    t, rows = 0, []
    for step, value in steps:
        t += step + 1
        rows.append((t, value))
    expected = plain(side, 48.5, margin, on_delay, off_delay, rows, t + tail)
    comparator = Comparator(side, 48.5, margin, on_delay / 1e6, off_delay / 1e6)
    times, values = (np.array(x) for x in zip(*rows, strict=True))
    found = comparator.take(times.astype(np.int64), values, t + tail)
    assert [(c.t, c.on, c.value) for c in found] == expected


@given(st.lists(row, min_size=1, max_size=40), st.sets(st.integers(0, 60)), st.integers(0, 3), st.integers(0, 3))
def test_cuts_change_nothing(steps, cuts, on_delay, off_delay) -> None:
    times, values = [0], []
    for step, value in steps:
        times.append(times[-1] + step)
        values.append(value)
    t, v = np.array(times[1:], dtype=np.int64), np.array(values)
    end = int(t[-1]) + 10
    whole = Comparator("low", 48.5, 0.5, on_delay / 1e6, off_delay / 1e6).take(t, v, end)
    piecewise = Comparator("low", 48.5, 0.5, on_delay / 1e6, off_delay / 1e6)
    found, last = [], -1
    for cut in [*sorted(c for c in cuts if c < end), end]:
        inside = (t > last) & (t <= cut)
        found += piecewise.take(t[inside], v[inside], cut)
        last = cut
    assert found == whole


def test_the_excursion_of_one_row_is_not_lost_in_many() -> None:
    t = np.arange(18_000, dtype=np.int64)
    values = np.full(18_000, 50.0)
    values[12_345] = 47.0
    found = Comparator("low", 48).take(t, values, 20_000)
    assert [c.t for c in found] == [12_345, 12_346]


@pytest.mark.parametrize("side", ["high", "low"])
def test_the_bound_itself_is_not_beyond(side) -> None:
    assert Comparator(side, 50).take(np.array([0]), np.array([50.0]), 1) == []
