"""What the snapshot tells the screen: levels, direction, links, strips. Invented values, except where said."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange, LinkChange
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.strip import Strip

SECOND = 1_000_000
LIMITS = {
    "pack-voltage-low": Limit("pack-voltage-low", "pack_voltage", "low", 47.0, 44.8, 0.5, 2.0, 10.0, "stated"),
    "discharge-current": Limit("discharge-current", "pack_current", "high", 90.0, 100.0, 5.0, 2.0, 10.0, "stated"),
    "pack-temperature-high": Limit(
        "pack-temperature-high", "pack_temperature_*", "high", 45.0, 60.0, 2.0, 10.0, 60.0, "common practice"
    ),
}


def span(end: int, signals: tuple[str, ...], rows: list[list[float]], *events: object) -> Span:
    t = [end - (len(rows) - 1 - i) * SECOND for i in range(len(rows))]
    return Span(end, (Batch.of_rows(Group("pack", "all", signals), t, rows),), events)  # type: ignore[arg-type]


def raised(limit: str, signal: str, level: str, t: int) -> AlarmChange:
    return AlarmChange(t, limit, signal, level, "raised", 1.0, 2.0, "why")  # type: ignore[arg-type]


def test_a_value_past_its_bound_is_caution_at_once_and_danger_only_when_judged() -> None:
    snapshot = Snapshot(LIMITS)
    levels = []
    for end, volts in ((1, 50.0), (2, 46.0), (3, 44.0)):
        snapshot.take(span(end * SECOND, ("pack_voltage",), [[volts]]))
        levels.append(snapshot.level("pack-voltage-low", end * SECOND))
    snapshot.take(Span(5 * SECOND, (), (raised("pack-voltage-low", "pack_voltage", "trip", 5 * SECOND),)))
    levels.append(snapshot.level("pack-voltage-low", 5 * SECOND))
    assert levels == ["normal", "caution", "caution", "danger"]


def test_a_level_is_unknown_without_a_limit_a_value_or_a_fresh_value() -> None:
    snapshot = Snapshot(LIMITS)
    assert snapshot.level("pack-voltage-low", 0) is None
    snapshot.take(span(SECOND, ("pack_voltage",), [[50.0]]))
    assert snapshot.level("cell-spread", SECOND) is None
    assert snapshot.level("pack-voltage-low", 4 * SECOND) is None


def test_a_limit_on_a_pattern_is_asked_by_the_signal() -> None:
    snapshot = Snapshot(LIMITS)
    snapshot.take(span(SECOND, ("pack_temperature_1", "pack_temperature_2"), [[20.0, 50.0]]))
    assert snapshot.level("pack-temperature-high", SECOND, "pack_temperature_1") == "normal"
    assert snapshot.level("pack-temperature-high", SECOND, "pack_temperature_2") == "caution"


@pytest.mark.parametrize(
    ("current", "word"), [(40.0, "discharge"), (-3.0, "charge"), (0.1, "rest"), (-0.1, "rest"), (0.0, "rest")]
)
def test_direction_follows_the_sign_positive_out_of_the_pack(current: float, word: str) -> None:
    snapshot = Snapshot(LIMITS)
    snapshot.take(span(SECOND, ("pack_current",), [[current]]))
    assert snapshot.direction(SECOND) == word
    assert snapshot.direction(9 * SECOND) is None


def test_links_that_failed_and_the_age_of_each_source() -> None:
    snapshot = Snapshot()
    snapshot.take(span(7 * SECOND, ("pack_voltage",), [[50.0]], LinkChange(SECOND, "pack", "live")))
    assert snapshot.failed_links() == []
    assert snapshot.last_rows == {"pack": 7 * SECOND}
    lost = LinkChange(9 * SECOND, "pack", "lost", "the plug was pulled")
    snapshot.take(Span(9 * SECOND, (), (lost,)))
    assert snapshot.failed_links() == [lost]


def reference_columns(
    t: list[int], values: list[float], now: int, count: int, each: int
) -> tuple[list[float], list[float]]:
    """The same by plain loops over the samples themselves."""
    low, high = [], []
    for column in range(count):
        first = (now // SECOND // each - count + 1 + column) * each * SECOND
        inside = [v for s, v in zip(t, values, strict=True) if first <= s < first + each * SECOND]
        low.append(min(inside, default=np.nan))
        high.append(max(inside, default=np.nan))
    return low, high


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 4 * SECOND), st.floats(-1e3, 1e3)), min_size=1, max_size=60),
    st.integers(1, 30),
    st.integers(1, 7),
    st.lists(st.integers(0, 60), max_size=5),
)
def test_columns_hold_every_extreme_wherever_rows_are_cut(
    steps: list[tuple[int, float]], count: int, each: int, cuts: list[int]
) -> None:
    t = np.cumsum([step for step, _ in steps]) + 100 * SECOND
    values = np.array([value for _, value in steps])
    strip = Strip()
    edges = [0, *sorted(min(c, len(t)) for c in cuts), len(t)]
    for start, stop in pairwise(edges):
        strip.take(t[start:stop].astype(np.int64), values[start:stop])
    now = int(t[-1])
    low, high = strip.columns(now, count, each)
    expected = reference_columns(t.tolist(), values.tolist(), now, count, each)
    np.testing.assert_array_equal(low, expected[0])
    np.testing.assert_array_equal(high, expected[1])


def test_a_column_shorter_than_the_sample_period_is_no_gap_and_a_longer_hole_is() -> None:
    strip = Strip()
    seconds = [0, 2, 4, 6, 16, 18]
    strip.take(np.array(seconds, dtype=np.int64) * SECOND, np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    low, high = strip.columns(21 * SECOND, 22, 1, interval=2.0 * SECOND)
    nan = np.nan
    expected = [1, 1, 2, 2, 3, 3, 4, *[nan] * 9, 5, 5, 6, 6, 6, 6]
    np.testing.assert_array_equal(low, expected)
    np.testing.assert_array_equal(high, expected)
    unfilled, _ = strip.columns(21 * SECOND, 22, 1)
    assert int(np.isnan(unfilled).sum()) == 22 - len(seconds)
