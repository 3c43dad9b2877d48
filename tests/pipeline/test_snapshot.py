"""What the snapshot tells the screen: levels, direction, links, strips. Invented values, except where said."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.limits import Limit
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import LinkChange
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.snapshot import Snapshot
from telemetry.pipeline.strip import Strip

SECOND = 1_000_000
LIMITS = {
    "discharge-current": Limit("discharge-current", "pack_current", "high", 90.0, 100.0, 5.0, 2.0, 10.0, "stated"),
}


def span(end: int, signals: tuple[str, ...], rows: list[list[float]], *events: object) -> Span:
    t = [end - (len(rows) - 1 - i) * SECOND for i in range(len(rows))]
    return Span(end, (Batch.of_rows(Group("pack", "all", signals), t, rows),), events)  # type: ignore[arg-type]


def test_extremes_hold_the_lowest_and_the_highest_of_all_rows() -> None:
    snapshot = Snapshot()
    assert snapshot.extremes == {}
    snapshot.take(span(SECOND, ("pack_current", "soc_reported"), [[40.0, 81.0]]))
    snapshot.take(
        span(5 * SECOND, ("pack_current", "soc_reported"), [[-7.0, 80.0], [float("nan"), 79.0], [12.0, 78.0]])
    )
    snapshot.take(span(6 * SECOND, ("pack_current", "soc_reported"), [[20.0, 77.0]]))
    assert snapshot.extremes == {"pack_current": (-7.0, 40.0)}


def test_time_to_full_is_at_the_rate_of_this_charge_so_far() -> None:
    snapshot, judge, found = Snapshot(), Judge(()), {}
    for minute in range(70):
        charge = 50.0 if minute < 10 else 50.0 + 0.5 * (minute - 10)
        current = 0.0 if minute < 10 else -20.0
        minute_end, signals = minute * 60 * SECOND, ("pack_current", "soc_reported", "pack_voltage")
        snapshot.take(judge.advance(span(minute_end, signals, [[current, charge, 54.0]])))
        found[minute] = snapshot.minutes_to_full(minute * 60 * SECOND)
    assert found[9] is None, "no charge yet"
    assert found[12] is None, "the BMS counts whole per cents; less than two say nothing"
    assert found[40] == pytest.approx(2 * (100.0 - 65.0), rel=0.02)
    assert found[69] == pytest.approx(2 * (100.0 - 79.5), rel=0.02)
    snapshot.take(judge.advance(span(70 * 60 * SECOND, signals, [[30.0, 79.0, 52.0]])))
    assert snapshot.minutes_to_full(70 * 60 * SECOND) is None, "it drives"


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
